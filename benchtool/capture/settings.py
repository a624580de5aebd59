"""How a line is set: the character format and the bit rate.

Facts: character formats and their length in bits, sheet section 2 (10 bits for 8N1, 11 for 8E1/8N2).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from functools import lru_cache


class Parity(Enum):
    """The parity bit that follows the data bits; the value is the usual letter."""

    NONE = "N"
    EVEN = "E"
    ODD = "O"
    MARK = "M"
    SPACE = "S"


_STOP_BITS = {"1": 1.0, "1.5": 1.5, "2": 2.0}


@dataclass(frozen=True, slots=True)
class CharFormat:
    """Data bits (5 to 8), parity and stop bits (1, 1.5 or 2) of one character; written `8N1`."""

    data_bits: int = 8
    parity: Parity = Parity.NONE
    stop_bits: float = 1.0

    def __post_init__(self) -> None:
        if self.data_bits not in (5, 6, 7, 8):
            raise ValueError(f"data bits are 5 to 8, not {self.data_bits}")
        if self.stop_bits not in _STOP_BITS.values():
            raise ValueError(f"stop bits are 1, 1.5 or 2, not {self.stop_bits:g}")

    @classmethod
    @lru_cache(maxsize=64)
    def parse(cls, text: str) -> CharFormat:
        """Read `8N1`, `7E1`, `8N1.5` …; ValueError says what is wrong and what would be right."""
        word = text.strip().upper()
        if len(word) >= 3 and word[0] in "5678" and word[2:] in _STOP_BITS:
            for parity in Parity:
                if parity.value == word[1]:
                    return cls(int(word[0]), parity, _STOP_BITS[word[2:]])
        raise ValueError(f"'{text}' is not a character format; write data bits, parity, stop bits: 8N1, 8E1, 7O2")

    @property
    def bits(self) -> float:
        """Bit times a character lasts on the wire, start and stop bits included: 10 for 8N1."""
        return 1 + self.data_bits + (self.parity is not Parity.NONE) + self.stop_bits

    def __str__(self) -> str:
        return f"{self.data_bits}{self.parity.value}{self.stop_bits:g}"


@dataclass(frozen=True, slots=True)
class LineSettings:
    """What the receiver at a tap is set to: bits a second, and the character format."""

    baud: int = 9600
    format: CharFormat = CharFormat()

    def __post_init__(self) -> None:
        if not 50 <= self.baud <= 20_000_000:
            raise ValueError(f"a bit rate is 50 to 20 000 000 bit/s, not {self.baud}")

    def __hash__(self) -> int:
        # Settings are part of keys looked up for each frame: the generated hash, formats and all, costs ten times this.
        return hash(self.baud)

    @property
    def char_ns(self) -> int:
        """Length of one character in whole nanoseconds (1 041 667 at 9600 8N1)."""
        return round(self.format.bits * 1e9 / self.baud)

    def __str__(self) -> str:
        return f"{self.baud} {self.format}"
