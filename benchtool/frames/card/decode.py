"""Card bits to readings: one for every format that fits the length, with its parity judged.

Plain int shifts over masks made once from the table (`formats.py`); nothing here raises on bits of any length.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from typing import NamedTuple

from benchtool.frames.card.bits import Bits
from benchtool.frames.card.check_digit import DECIMAL, CheckDigit, of_bits, of_digits
from benchtool.frames.card.field_bits import FieldBits, field_bits, runs_of
from benchtool.frames.card.formats import FORMATS, SEEN, CardField, CardFormat, Constant, ParityGroup, Sense, Writing


class ParityCheck(NamedTuple):
    """One parity group of one reading."""

    group: ParityGroup
    ones: int
    """Ones counted in the covered bits and the parity bit together."""
    ok: bool
    """Whether that count is even or odd as it should be."""


class FieldValue(NamedTuple):
    """One field of one reading."""

    field: CardField
    number: int | None
    """None where a digit of BCD is above 9."""


class ConstantCheck(NamedTuple):
    """Bits that are the same on every card, in one reading."""

    constant: Constant
    found: int
    ok: bool


class DigitCheck(NamedTuple):
    """One check value of one reading."""

    check: CheckDigit
    found: int
    wanted: int | None
    """None where the digits it covers are no decimal digits."""
    ok: bool


class CardReading(NamedTuple):
    """One frame read in one format."""

    format: CardFormat
    bits: Bits
    site_code: int | None
    """None where the format has no site code, or its BCD digits are none."""
    card_number: int | None
    """None where the format writes it in BCD and a digit is above 9."""
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
    def values(self) -> tuple[FieldValue, ...]:
        """Every field with its number."""
        value = self.bits.value
        return tuple(
            FieldValue(field, ready.number(ready.taken(value)))
            for field, ready in zip(self.format.fields, plan(self.format).fields, strict=True)
        )

    @property
    def constants(self) -> tuple[ConstantCheck, ...]:
        """Each constant with what the bits hold."""
        found = [(constant, self._at(constant.places)) for constant in self.format.constants]
        return tuple(ConstantCheck(constant, bits, bits == constant.value) for constant, bits in found)

    @property
    def checks(self) -> tuple[DigitCheck, ...]:
        """Each check value with what it should be."""
        judged = []
        for check in self.format.checks:
            found, wanted = self._at(check.places), check_value(self.format, check, self.bits.value)
            judged.append(DigitCheck(check, found, wanted, found == wanted))
        return tuple(judged)

    @property
    def ok(self) -> bool:
        """Whether all that the format demands holds: parity, constants, check values, decimal digits."""
        row = self.format
        return (
            self.parity_ok
            and (not row.constants or all(one.ok for one in self.constants))
            and (not row.checks or all(one.ok for one in self.checks))
            and all(field.writing is Writing.BINARY or number is not None for field, number in self.values)
        )

    @property
    def data(self) -> int:
        """The bits of all fields as one number: the site code above the card number."""
        data = 0
        for field, ready in zip(self.format.fields, plan(self.format).fields, strict=True):
            data = data << field.count | ready.taken(self.bits.value)
        return data

    def _at(self, places: tuple[int, ...]) -> int:
        return bits_at(self.bits.value, places, self.bits.length)


def bits_at(value: int, places: tuple[int, ...], length: int) -> int:
    """The bits at `places` of a frame as one number, the first place the most significant."""
    return FieldBits(runs_of(places, length), 0, False, 0).taken(value)


def check_value(row: CardFormat, check: CheckDigit, value: int) -> int | None:
    """What a check value must be in the frame `value`; None where the digits it covers are no decimal digits."""
    if check.method not in DECIMAL:
        return of_bits(check.method, bits_at(value, check.covers, row.length), len(check.places))
    digits = ""
    ready = plan(row)
    for name in check.fields:
        index = next(index for index, field in enumerate(row.fields) if field.name == name)
        field, bits = row.fields[index], ready.fields[index]
        number = bits.number(bits.taken(value))
        if number is None or number < 0:
            return None
        digits += f"{number:0{len(str(max(field.highest, 0)))}d}"
    return of_digits(check.method, [int(digit) for digit in digits], check.weights)


class Plan(NamedTuple):
    """A format made ready for shifting and masking."""

    format: CardFormat
    site: FieldBits | None
    """None where the format has no site code."""
    number: FieldBits
    fields: tuple[FieldBits, ...]
    """Of all fields, in the table's order."""
    groups: tuple[tuple[int, int], ...]
    """(mask, 1 where the ones must be odd else 0) of each parity group."""
    plain: tuple[int, int, int, int] | None
    """Shift and mask of the site code (mask 0 without one) and of the card number, where both are one stretch of plain
    binary: the usual case, and half as fast again that way."""


def _plain(bits: FieldBits | None) -> tuple[int, int] | None:
    if bits is None:
        return 0, 0
    if len(bits.runs) > 1 or bits.flip or bits.bcd or bits.offset:
        return None
    return bits.runs[0][:2]


@lru_cache(maxsize=512)
def plan(row: CardFormat) -> Plan:
    """Shifts and masks of a row of the table."""
    site = field_bits(row.site, row.length) if row.site else None
    number = field_bits(row.number, row.length)
    plain_site, plain_number = _plain(site), _plain(number)
    return Plan(
        row,
        site,
        number,
        tuple(field_bits(field, row.length) for field in row.fields),
        tuple((group.mask(row.length), int(group.sense is Sense.ODD)) for group in row.parity),
        (*plain_site, *plain_number) if plain_site is not None and plain_number is not None else None,
    )


def _plans(rows: tuple[CardFormat, ...]) -> dict[int, tuple[Plan, ...]]:
    lengths = {row.length for row in rows}
    return {length: tuple(plan(row) for row in rows if row.length == length) for length in lengths}


_PLANS = _plans(FORMATS)
_SEEN_PLANS = _plans(SEEN)


def _read(value: int, length: int, plans: Iterable[Plan]) -> list[CardReading]:
    bits = Bits(value, length)
    reads = []
    for row, site, number, _, groups, plain in plans:
        parity_ok = True
        for mask, odd in groups:
            if (value & mask).bit_count() & 1 != odd:
                parity_ok = False
        card_number: int | None
        if plain is not None:
            site_shift, site_mask, number_shift, number_mask = plain
            site_code = value >> site_shift & site_mask if site_mask else None
            card_number = value >> number_shift & number_mask
        else:
            site_code = site.number(site.taken(value)) if site else None
            card_number = number.number(number.taken(value))
        reads.append(CardReading(row, bits, site_code, card_number, parity_ok))
    return reads


def _checked(bits: str | tuple[int, int]) -> tuple[int, int]:
    value, length = Bits.of(bits) if isinstance(bits, str) else bits
    if value < 0 or length < 0 or value >> length:
        raise ValueError(f"the value does not fit in {length} bits")
    return value, length


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
    return decode_int(*_checked(bits))


def decode_in(rows: Iterable[CardFormat], bits: str | tuple[int, int]) -> list[CardReading]:
    """The same among `rows` instead of the built-in formats, in their order."""
    value, length = _checked(bits)
    return _read(value, length, (plan(row) for row in rows if row.length == length))


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
