"""Readings to card bits: the frame that a reader sends for a site code and a card number, from the same table."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

from benchtool.frames.card.bits import Bits
from benchtool.frames.card.decode import check_value, plan
from benchtool.frames.card.field_bits import FieldBits, runs_of
from benchtool.frames.card.formats import FORMATS, SEEN, CardField, CardFormat, Writing
from benchtool.frames.card.parity import ParityRule, parity_rules

_WORDS = {"site_code": ("a site code", "site codes"), "card_number": ("a card number", "card numbers")}


def _row(row: CardFormat | str) -> CardFormat:
    if isinstance(row, CardFormat):
        return row
    found = next((known for known in FORMATS + SEEN if known.name == row), None)
    if found is None:
        raise ValueError(f"no card format is called {row!r}")
    return found


@lru_cache(maxsize=512)
def _rules(row: CardFormat) -> tuple[ParityRule, ...]:
    return parity_rules(row)


def why_not_values(row: CardFormat, values: Mapping[str, int]) -> str | None:
    """Why the format cannot carry these fields by name, in words that name the range, never the number; else None.

    Only ranges: a check value that cannot be written, or parity that cannot be worked out, is found by building.
    """
    for field in row.fields:
        one, many = _WORDS.get(field.name, (field.name, f"{field.name} of"))
        if field.name not in values:
            return f"{row.name} needs {one}, {field.lowest} to {field.highest}"
        if not field.lowest <= values[field.name] <= field.highest:
            return f"{row.name} carries {many} {field.lowest} to {field.highest}"
    for name in values:
        if row.field(name) is None:
            return f"{row.name} has no {_WORDS.get(name, ('a ' + name, ''))[0].removeprefix('a ')}"
    return None


def _values(
    row: CardFormat, site_code: int | None, card_number: int, others: Mapping[str, int] | None
) -> dict[str, int]:
    values = {**(others or {}), row.number.name: card_number}
    if site_code is not None:
        values["site_code"] = site_code
    return values


def why_not(
    row: CardFormat, site_code: int | None, card_number: int, others: Mapping[str, int] | None = None
) -> str | None:
    """Why the format cannot carry these, in words; None where it can. `others` are further fields by name."""
    return why_not_values(row, _values(row, site_code, card_number, others))


def build_values(row: CardFormat | str, values: Mapping[str, int]) -> Bits:
    """The frame for a number in every field, by name, with right constants, check values and parity.

    Bits that belong to nothing are 0. Raises ValueError, naming the range, where the format cannot carry the numbers,
    or where the parity bits cannot be worked out.
    """
    row = _row(row)
    problem = why_not_values(row, values)
    if problem:
        raise ValueError(problem)
    value = 0
    for field, ready in zip(row.fields, plan(row).fields, strict=True):
        value |= ready.placed(ready.bits_of(values[field.name]))
    return _finished(row, value)


def _finished(row: CardFormat, value: int) -> Bits:
    """Constants, check values and parity bits added to a frame that holds its fields."""
    for constant in row.constants:
        value |= FieldBits(runs_of(constant.places, row.length), 0, False, 0).placed(constant.value)
    for check in row.checks:
        wanted = check_value(row, check, value)
        if wanted is None:
            raise ValueError(f"{row.name} cannot carry this: its {check.name} covers digits that are none")
        value |= FieldBits(runs_of(check.places, row.length), 0, False, 0).placed(wanted)
    parity = 0
    for place, mask, turned in _rules(row):
        if (value & mask).bit_count() & 1 ^ turned:
            parity |= 1 << (row.length - place)
    return Bits(value | parity, row.length)


def build_bits(
    row: CardFormat | str, site_code: int | None, card_number: int, others: Mapping[str, int] | None = None
) -> Bits:
    """The frame's bits with right parity. Raises ValueError as `build_values` does."""
    row = _row(row)
    return build_values(row, _values(row, site_code, card_number, others))


def build(row: CardFormat | str, site_code: int | None, card_number: int) -> int:
    """The frame as a number, bit 1 the most significant. Raises ValueError as `build_bits` does."""
    return build_bits(row, site_code, card_number).value


def build_data(row: CardFormat | str, data: int) -> Bits:
    """The frame for the bits of all fields as one number, as cards are printed. Raises ValueError if it cannot be."""
    row = _row(row)
    if data < 0 or data >> row.data_bits:
        raise ValueError(f"{row.name} carries data 0 to {(1 << row.data_bits) - 1}")
    value = 0
    for field, ready in reversed(list(zip(row.fields, plan(row).fields, strict=True))):
        taken = data & ((1 << field.count) - 1)
        if ready.number(taken) is None:
            raise ValueError(f"{row.name} writes its {field.name} in BCD, and these bits are no decimal digits")
        value |= ready.placed(taken)
        data >>= field.count
    return _finished(row, value)


def why_not_printed(row: CardFormat, printed: int) -> str | None:
    """Why the number printed on a card cannot be in a frame of this format; None where it can."""
    if len(row.fields) == 1:
        field = row.fields[0]
        fits = field.lowest <= printed <= field.highest
        return None if fits else f"{row.name} carries {field.lowest} to {field.highest}"
    if not all(field.name in _WORDS and _is_plain(field) for field in row.fields):
        return f"{row.name} is made of fields that a single number does not say: give each"
    return f"{row.name} carries 0 to {(1 << row.data_bits) - 1}" if printed >> row.data_bits else None


def _is_plain(field: CardField) -> bool:
    return field.writing is Writing.BINARY and not field.inverted and not field.offset


def build_printed(row: CardFormat, printed: int) -> Bits:
    """The frame for the number printed on a card: the number of the only field, else the bits of all fields.

    Raises ValueError where it cannot be.
    """
    if len(row.fields) == 1:
        return build_values(row, {row.fields[0].name: printed})
    return build_data(row, printed)
