"""Bits in the order they are sent: a value and a length, and the ways in which people write them down.

The first bit sent is bit 1 and the most significant (reference sheet 6.1: most significant bit first, a pulse on D0
is a 0, a pulse on D1 is a 1).
"""

from __future__ import annotations

from typing import NamedTuple


class Bits(NamedTuple):
    """Bits as sent; equal to the plain tuple `(value, length)`."""

    value: int
    """0 to 2**length - 1; bit 1 is the most significant."""
    length: int
    """Bits, 0 or more."""

    @classmethod
    def of(cls, text: str) -> Bits:
        """Bits of a string of 0 and 1. Raises ValueError on anything else."""
        if text.strip("01"):
            raise ValueError("bits are only 0 and 1")
        return cls(int(text, 2) if text else 0, len(text))

    @property
    def text(self) -> str:
        """The bits as 0 and 1, bit 1 first."""
        return f"{self.value:0{self.length}b}" if self.length else ""

    @property
    def hex(self) -> str:
        """The value in hex, padded with zero bits on the left to whole digits."""
        return f"{self.value:0{(self.length + 3) // 4}X}" if self.length else ""

    @property
    def octets(self) -> bytes:
        """Bit 1 first, padded with zero bits on the right to whole octets, as an OSDP RAW card read carries them."""
        size = (self.length + 7) // 8
        return (self.value << (8 * size - self.length)).to_bytes(size, "big")

    def bit(self, number: int) -> int:
        """Bit `number`, 1 to length."""
        return self.value >> (self.length - number) & 1

    def inverted(self) -> Bits:
        """Every bit the other way round: what arrives when D0 and D1 are swapped (sheet 6.7)."""
        return Bits(self.value ^ ((1 << self.length) - 1), self.length)

    def reversed(self) -> Bits:
        """The last bit first."""
        return Bits.of(self.text[::-1])
