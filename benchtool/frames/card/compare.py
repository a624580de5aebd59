"""Does the number printed on a card agree with the bits: as they came, undone, or written another way?

Which writings are tried: all data bits as one number, site code and card number (reference sheet 6.2), the card number
alone, all data bits as BCD (sheet 6.5: seen with 26 bits), and the data octets in reversed order (common practice, no
published source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchtool.frames.card.bits import Bits
from benchtool.frames.card.decode import CardReading, decode_in
from benchtool.frames.card.entry import Entry
from benchtool.frames.card.formats import FORMATS, CardFormat
from benchtool.frames.card.hints import CHANGES


@dataclass(frozen=True, slots=True)
class Agreement:
    """A reading of the bits that gives the printed number."""

    changed: str
    """"as given", or how the bits had to be changed."""
    read: CardReading
    how: str
    """How the printed number is written: which part of the frame it is."""


def _how(read: CardReading, printed: Entry) -> str | None:
    if printed.pair is not None:
        return "site code and card number" if printed.pair == (read.site_code, read.card_number) else None
    data, size = printed.data, read.format.data_bits
    if data == read.data:
        return "all data bits as one number"
    if data == read.card_number:
        return "the card number" if read.site_code is None else "the card number without the site code"
    if size % 4 == 0 and str(data) == f"{read.data:x}":
        return "all data bits as decimal digits of four bits each (BCD)"
    if size % 8 == 0 and data == int.from_bytes(read.data.to_bytes(size // 8, "big"), "little"):
        return "all data bits as one number, octets in reversed order"
    return None


def compare(bits: Bits, printed: Entry, rows: Sequence[CardFormat] = FORMATS) -> tuple[Agreement, ...]:
    """Readings in `rows` that give the printed number, right parity first, then bits as given before changed ones."""
    tried = [("as given", bits)] + [(change.value, undo(bits)) for change, undo in CHANGES.items()]
    found = [
        Agreement(changed, read, how)
        for changed, changed_bits in tried
        for read in decode_in(rows, changed_bits)
        if (how := _how(read, printed)) is not None
    ]
    return tuple(sorted(found, key=lambda agreement: not agreement.read.ok))
