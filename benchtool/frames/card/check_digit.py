"""Check digits in a card's bits: generic published methods, worked on decimal digits or on groups of bits.

Luhn: ISO/IEC 7812-1 annex B. Weighted modulo 10: the GS1 General Specifications weigh 3, 1, 3, … from the right.
Weighted modulo 11: ISBN-10 (ISO 2108) weighs 2, 3, 4, … from the right. Exclusive-or: the longitudinal check of
ISO 1155; two's complement of the sum: the Modbus serial line guide's LRC. The standards are named from memory; the
tests hold worked examples.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum


class CheckMethod(Enum):
    """How the check value is worked out; the value is what a table file says."""

    LUHN = "luhn"
    """Every second digit from the right doubled, its digits added; what is missing to a multiple of ten."""
    MOD10 = "mod10"
    """Digits times weights, added; what is missing to a multiple of ten."""
    MOD11 = "mod11"
    """Digits times weights, added; what is missing to a multiple of eleven: 0 to 10."""
    XOR = "xor"
    """Groups of bits, exclusive-or."""
    SUM = "sum"
    """Groups of bits, added, the lowest bits kept."""
    SUM_NEGATED = "sum negated"
    """The two's complement of that sum: all groups and the check value add up to 0."""


DECIMAL = frozenset((CheckMethod.LUHN, CheckMethod.MOD10, CheckMethod.MOD11))
"""Methods on the decimal digits of fields; the others work on bits."""
WEIGHTS: dict[CheckMethod, tuple[int, ...]] = {
    CheckMethod.MOD10: (3, 1),
    CheckMethod.MOD11: (2, 3, 4, 5, 6, 7, 8, 9, 10),
}
"""Weights where a table gives none, the rightmost digit's first; they begin again after the last."""


@dataclass(frozen=True, slots=True)
class CheckDigit:
    """Bits that are worked out from others, beside parity."""

    places: tuple[int, ...]
    """Places of the check value's bits, from 1, the most significant first."""
    method: CheckMethod
    fields: tuple[str, ...] = ()
    """Decimal methods: names of the fields whose digits are covered, the leftmost first."""
    covers: tuple[int, ...] = ()
    """Bit methods: places covered, in order, as sent; cut from the end into groups as wide as the check value."""
    weights: tuple[int, ...] = ()
    """Weighted methods: the rightmost digit's weight first, beginning again after the last; none: `WEIGHTS`."""
    name: str = "check"

    @property
    def largest(self) -> int:
        """The largest value that the method gives."""
        if self.method in DECIMAL:
            return 10 if self.method is CheckMethod.MOD11 else 9
        return (1 << len(self.places)) - 1


def of_digits(method: CheckMethod, digits: Sequence[int], weights: Sequence[int] = ()) -> int:
    """The check value of decimal digits, the leftmost first: 0 to 9, or to 10 for MOD11."""
    total = 0
    if method is CheckMethod.LUHN:
        for index, digit in enumerate(reversed(digits)):
            total += digit if index % 2 else (2 * digit - 9 if digit > 4 else 2 * digit)
        return -total % 10
    weights = weights or WEIGHTS[method]
    for index, digit in enumerate(reversed(digits)):
        total += digit * weights[index % len(weights)]
    return -total % (11 if method is CheckMethod.MOD11 else 10)


def of_bits(method: CheckMethod, covered: int, width: int) -> int:
    """The check value of covered bits as one number, in groups of `width` bits from the least significant."""
    total = 0
    keep = (1 << width) - 1
    while covered:
        group = covered & keep
        total = total ^ group if method is CheckMethod.XOR else total + group
        covered >>= width
    return (-total if method is CheckMethod.SUM_NEGATED else total) & keep
