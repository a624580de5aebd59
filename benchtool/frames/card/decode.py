"""Card bits to readings: one for every format that fits the length, with its parity judged.

Plain int shifts over masks made once from the table (`formats.py`); nothing here raises on bits of any length.
"""

from __future__ import annotations

from typing import NamedTuple

from benchtool.frames.card.bits import Bits
from benchtool.frames.card.formats import FORMATS, SEEN, CardFormat, ParityGroup, Sense


class ParityCheck(NamedTuple):
    """One parity group of one reading."""

    group: ParityGroup
    ones: int
    """Ones counted in the covered bits and the parity bit together."""
    ok: bool
    """Whether that count is even or odd as it should be."""


class CardReading(NamedTuple):
    """One frame read in one format."""

    format: CardFormat
    bits: Bits
    site_code: int | None
    """None where the format has no site code."""
    card_number: int
    parity_ok: bool
    """Whether every parity group is right."""

    @property
    def parity(self) -> tuple[ParityCheck, ...]:
        """Each parity group with its count of ones."""
        value, length = self.bits
        checks = []
        for group in self.format.parity:
            ones = (value & group.mask(length)).bit_count()
            checks.append(ParityCheck(group, ones, ones & 1 == (group.sense is Sense.ODD)))
        return tuple(checks)

    @property
    def data(self) -> int:
        """All data bits as one number: the site code above the card number."""
        return (self.site_code or 0) << self.format.number.count | self.card_number


class Plan(NamedTuple):
    """A format made ready for shifting and masking."""

    format: CardFormat
    site_shift: int
    site_mask: int
    """0 where the format has no site code."""
    number_shift: int
    number_mask: int
    groups: tuple[tuple[int, int], ...]
    """(mask, 1 where the ones must be odd else 0) of each parity group."""


def plan(row: CardFormat) -> Plan:
    """Shifts and masks of a row of the table."""
    site, number, length = row.site, row.number, row.length
    return Plan(
        row,
        length - site.last if site else 0,
        site.largest if site else 0,
        length - number.last,
        number.largest,
        tuple((group.mask(length), int(group.sense is Sense.ODD)) for group in row.parity),
    )


def _plans(rows: tuple[CardFormat, ...]) -> dict[int, tuple[Plan, ...]]:
    lengths = {row.length for row in rows}
    return {length: tuple(plan(row) for row in rows if row.length == length) for length in lengths}


_PLANS = _plans(FORMATS)
_SEEN_PLANS = _plans(SEEN)


def _read(value: int, length: int, plans: tuple[Plan, ...]) -> list[CardReading]:
    bits = Bits(value, length)
    reads = []
    for row, site_shift, site_mask, number_shift, number_mask, groups in plans:
        parity_ok = True
        for mask, odd in groups:
            if (value & mask).bit_count() & 1 != odd:
                parity_ok = False
        site = value >> site_shift & site_mask if site_mask else None
        reads.append(CardReading(row, bits, site, value >> number_shift & number_mask, parity_ok))
    return reads


def decode_int(value: int, length: int) -> list[CardReading]:
    """Read `length` bits, bit 1 the most significant, in every format of that length; empty where there is none.

    Raises ValueError where `value` does not fit in `length` bits.
    """
    if value < 0 or length < 0 or value >> length:
        raise ValueError(f"the value does not fit in {length} bits")
    return _read(value, length, _PLANS.get(length, ()))


def decode(bits: str | tuple[int, int]) -> list[CardReading]:
    """Read bits, given as a string of 0 and 1 or as (value, length), in every format of that length.

    Raises ValueError on a string that is not bits, or a value that does not fit.
    """
    value, length = Bits.of(bits) if isinstance(bits, str) else bits
    return decode_int(value, length)


def decode_seen(bits: tuple[int, int]) -> list[CardReading]:
    """Read bits in the layouts that were seen in one place only (`formats.SEEN`): for hints."""
    value, length = bits
    return _read(value, length, _SEEN_PLANS.get(length, ()))


def decode_as(row: CardFormat, bits: tuple[int, int]) -> CardReading:
    """Read bits in one format. Raises ValueError where the length is not the format's or the value does not fit."""
    value, length = bits
    if length != row.length or value < 0 or value >> length:
        raise ValueError(f"{row.name} has {row.length} bits")
    return _read(value, length, (plan(row),))[0]
