"""Readings to card bits: the frame that a reader sends for a site code and a card number, from the same table."""

from __future__ import annotations

from benchtool.frames.card.bits import Bits
from benchtool.frames.card.formats import FORMATS, SEEN, CardFormat, Sense


def _row(row: CardFormat | str) -> CardFormat:
    if isinstance(row, CardFormat):
        return row
    found = next((known for known in FORMATS + SEEN if known.name == row), None)
    if found is None:
        raise ValueError(f"no card format is called {row!r}")
    return found


def why_not(row: CardFormat, site_code: int | None, card_number: int) -> str | None:
    """Why the format cannot carry these, in words that name the range; None where it can."""
    site, number = row.site, row.number
    if site is None and site_code is not None:
        return f"{row.name} has no site code"
    if site is not None and site_code is None:
        return f"{row.name} needs a site code, 0 to {site.largest}"
    if site is not None and site_code is not None and not 0 <= site_code <= site.largest:
        return f"{row.name} carries site codes 0 to {site.largest}, not {site_code}"
    if not 0 <= card_number <= number.largest:
        return f"{row.name} carries card numbers 0 to {number.largest}, not {card_number}"
    return None


def build_bits(row: CardFormat | str, site_code: int | None, card_number: int) -> Bits:
    """The frame's bits with right parity. Raises ValueError, naming the range, where the format cannot carry them."""
    row = _row(row)
    problem = why_not(row, site_code, card_number)
    if problem:
        raise ValueError(problem)
    length = row.length
    value = card_number << (length - row.number.last)
    if row.site is not None and site_code is not None:
        value |= site_code << (length - row.site.last)
    for group in row.parity:
        # No group covers another's parity bit in these rows, so the order of filling does not matter.
        if (value & group.mask(length)).bit_count() & 1 != (group.sense is Sense.ODD):
            value |= 1 << (length - group.bit)
    return Bits(value, length)


def build(row: CardFormat | str, site_code: int | None, card_number: int) -> int:
    """The frame as a number, bit 1 the most significant. Raises ValueError as `build_bits` does."""
    return build_bits(row, site_code, card_number).value


def build_data(row: CardFormat | str, data: int) -> Bits:
    """The frame for all data bits as one number, as cards are printed. Raises ValueError where it does not fit."""
    row = _row(row)
    if data < 0 or data >> row.data_bits:
        raise ValueError(f"{row.name} carries data 0 to {(1 << row.data_bits) - 1}, not {data}")
    count = row.number.count
    return build_bits(row, data >> count if row.site else None, data & row.number.largest)
