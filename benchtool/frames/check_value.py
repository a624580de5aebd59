"""A frame's check value of any common kind: where it stands, over which octets, and how it is worked out.

CRCs by the parameters of the public catalogue (crc_catalogue.py), sums, exclusive or and Fletcher sums (common
practice). Values are sent as octets, either end first, or as hex characters. Pure; made from a protocol table.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from typing import Any

import fastcrc

from benchtool.frames.crc_catalogue import CATALOGUE


class CheckKind(Enum):
    """How the value is worked out; the value is what a protocol table says."""

    CRC = "crc"
    SUM = "sum"
    """All octets added, modulo 2 to the width."""
    XOR = "xor"
    """All octets, exclusive or."""
    SUM_END_AROUND = "sum-end-around"
    """All octets added, the carry added again (modulo 2 to the width less 1)."""
    WORDS_END_AROUND = "words-end-around"
    """The same over words of 16 bits, first octet high (as internet headers have)."""
    FLETCHER_255 = "fletcher-255"
    """Two running sums modulo 255, the second in the high octet."""
    FLETCHER_256 = "fletcher-256"
    """The same modulo 256."""


_SIXTEEN = (CheckKind.WORDS_END_AROUND, CheckKind.FLETCHER_255, CheckKind.FLETCHER_256)
"""Kinds that are made of two octets."""


@dataclass(frozen=True, slots=True)
class CheckValue:
    """One check value.

    `start` is the first octet covered, counted from the frame's first. The cover ends `gap` octets before the check
    field, which ends `tail` octets before the end of the frame. `width` is in bits, 3 to 64.
    """

    kind: CheckKind
    width: int
    start: int = 0
    gap: int = 0
    tail: int = 0
    little: bool = False
    """Low octet first."""
    text: bool = False
    """Sent as hex characters, two an octet."""
    negate: bool = False
    """Sums: minus the sum (two's complement), before the final xor."""
    poly: int = 0
    init: int = 0
    """Start value; sums and exclusive or begin with it."""
    refin: bool = False
    refout: bool = False
    xorout: int = 0
    name: str = ""
    """The catalogue's name of a CRC; empty where it has none."""

    def __post_init__(self) -> None:
        if not 3 <= self.width <= 64:
            raise ValueError(f"a check value has 3 to 64 bits, not {self.width}")
        if min(self.start, self.gap, self.tail, self.poly, self.init, self.xorout) < 0:
            raise ValueError("places and parameters of a check value are 0 or more")
        if max(self.poly, self.init, self.xorout) >> self.width:
            raise ValueError(f"the parameters of a {self.width}-bit check value have at most {self.width} bits")
        if self.kind is CheckKind.CRC and not self.poly & 1:
            raise ValueError("the polynomial of a CRC is odd")
        if self.kind in _SIXTEEN and self.width != 16:
            raise ValueError(f"a {self.kind.value} check value has 16 bits, not {self.width}")

    @property
    def size(self) -> int:
        """Octets that the check field takes."""
        octets = -(-self.width // 8)
        return 2 * octets if self.text else octets

    @property
    def least(self) -> int:
        """Octets of the shortest frame it can stand in: one octet covered."""
        return self.start + 1 + self.gap + self.size + self.tail

    def covered(self, octets: bytes) -> bytes:
        """The octets that the check value is worked out over."""
        return octets[self.start : len(octets) - self.tail - self.size - self.gap]

    def value(self, octets: bytes) -> int:
        """What the check value of a frame should be."""
        return worked_out(self)(self.covered(octets))

    def sent(self, octets: bytes) -> int | None:
        """What the frame's check field says; None where it is not hex characters but should be."""
        end = len(octets) - self.tail
        field = octets[end - self.size : end]
        if self.text:
            try:
                field = bytes.fromhex(field.decode("ascii"))
            except ValueError:
                return None
            if len(field) * 2 != self.size:
                return None
        return int.from_bytes(field, "little" if self.little else "big")

    def ok(self, octets: bytes) -> bool:
        """Whether the frame is long enough and its check value right."""
        return len(octets) >= self.least and self.sent(octets) == self.value(octets)

    def field(self, value: int) -> bytes:
        """The octets of the check field for a value."""
        raw = value.to_bytes(-(-self.width // 8), "little" if self.little else "big")
        return raw.hex().upper().encode("ascii") if self.text else raw

    def completed(self, octets: bytes) -> bytes:
        """The frame with its check field put right."""
        end = len(octets) - self.tail
        return octets[: end - self.size] + self.field(self.value(octets)) + octets[end:]


def reversed_bits(value: int, width: int) -> int:
    """The lowest `width` bits in the opposite order."""
    return int(f"{value:0{width}b}"[::-1], 2)


@lru_cache(maxsize=64)
def crc_table(width: int, poly: int, refin: bool) -> tuple[int, ...]:
    """256 entries. Reflected: for a register that shifts right. Else for one kept at the top of max(width, 8) bits."""
    table = []
    if refin:
        turned = reversed_bits(poly, width)
        for value in range(256):
            for _ in range(8):
                value = value >> 1 ^ turned if value & 1 else value >> 1
            table.append(value)
        return tuple(table)
    held = max(width, 8)
    top = 1 << (held - 1)
    mask = (1 << held) - 1
    shifted = poly << (held - width)
    for octet in range(256):
        value = octet << (held - 8)
        for _ in range(8):
            value = ((value << 1) ^ shifted if value & top else value << 1) & mask
        table.append(value)
    return tuple(table)


def _by_table(check: CheckValue) -> Callable[[bytes], int]:
    width, init, xorout = check.width, check.init, check.xorout
    table = crc_table(width, check.poly, check.refin)
    turn = check.refin is not check.refout
    if check.refin:
        first = reversed_bits(init, width)

        def reflected(octets: bytes) -> int:
            value = first
            for octet in octets:
                value = value >> 8 ^ table[(value ^ octet) & 0xFF]
            return (reversed_bits(value, width) if turn else value) ^ xorout

        return reflected
    held = max(width, 8)
    mask, down, spare = (1 << held) - 1, held - 8, held - width

    def plain(octets: bytes) -> int:
        value = init << spare
        for octet in octets:
            value = (value << 8 & mask) ^ table[(value >> down) ^ octet]
        value >>= spare
        return (reversed_bits(value, width) if turn else value) ^ xorout

    return plain


_PROBES = (b"123456789", b"\0", bytes(range(70)))
"""The first is what the catalogue's check values are over; two rows of a width may share one."""


@lru_cache(maxsize=16)
def _functions(width: int) -> dict[tuple[int, ...], Callable[[bytes], int]]:
    """fastcrc's functions of a width, by what they give for the probes."""
    module: Any = getattr(fastcrc, f"crc{width}", None)
    names = () if module is None else sorted(module.algorithms_available)
    functions: list[Callable[[bytes], int]] = [getattr(module, name) for name in names]
    return {tuple(map(function, _PROBES)): function for function in functions}


def _compiled(check: CheckValue) -> Callable[[bytes], int] | None:
    """The compiled function of a CRC of the catalogue, where fastcrc has one that gives the same for the probes."""
    parameters = (check.width, check.poly, check.init, check.refin, check.refout, check.xorout)
    if not any(row[1:7] == parameters for row in CATALOGUE):
        return None
    return _functions(check.width).get(tuple(map(_by_table(check), _PROBES)))


@lru_cache(maxsize=64)
def worked_out(check: CheckValue) -> Callable[[bytes], int]:
    """The function from covered octets to the value."""
    kind, width, init, xorout = check.kind, check.width, check.init, check.xorout
    mask = (1 << width) - 1
    sign = -1 if check.negate else 1
    if kind is CheckKind.CRC:
        return _compiled(check) or _by_table(check)
    if kind is CheckKind.SUM:
        return lambda octets: (sign * (sum(octets) + init) & mask) ^ xorout
    if kind is CheckKind.SUM_END_AROUND:
        return lambda octets: end_around(sum(octets) + init, mask) ^ xorout
    if kind is CheckKind.WORDS_END_AROUND:
        return lambda octets: end_around(_words(octets) + init, mask) ^ xorout
    if kind is CheckKind.XOR:

        def exclusive(octets: bytes) -> int:
            value = init
            for octet in octets:
                value ^= octet
            return value ^ xorout

        return exclusive
    modulus = 255 if kind is CheckKind.FLETCHER_255 else 256

    def fletcher(octets: bytes) -> int:
        low, high = init & 0xFF, init >> 8
        for octet in octets:
            low = (low + octet) % modulus
            high = (high + low) % modulus
        return (high << 8 | low) ^ xorout

    return fletcher


def end_around(total: int, mask: int) -> int:
    """A sum with its carries added again: 0 only for a sum of 0."""
    return (total - 1) % mask + 1 if total else 0


def _words(octets: bytes) -> int:
    return 256 * sum(octets[::2]) + sum(octets[1::2])
