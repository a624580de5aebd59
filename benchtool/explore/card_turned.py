"""Published formats that reads keep only when their bits are turned round: swapped data lines, or the last bit first.

Reference sheet 6.5 to 6.7: inverting or reversing fails both groups of a published format in every read. Doing both
fails none, so that only printed numbers show it. An invented format may have the same groups of the other sense; a
printed number that is right as the bits came speaks against swapped lines.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from benchtool.explore.card_samples import CardSample
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.decode import decode_as
from benchtool.frames.card.formats import CardFormat
from benchtool.frames.card.hints import CHANGES, Change

_LEAST_READS = 4
"""Fewer different reads keep two groups by chance too often."""
_DAMAGED = 8
"""One read in so many may be damaged."""
_LEAST_PRINTED = 4
"""One printed number of so many may be wrong."""


@dataclass(frozen=True, slots=True)
class Turned:
    """A format of the table that the reads are in when their bits are turned back."""

    name: str
    change: Change
    proved: bool
    """Whether printed numbers bear it out; parity alone cannot choose between inverted and reversed."""


def turned_formats(rows: Sequence[CardFormat], cards: Sequence[CardSample]) -> tuple[Turned, ...]:
    """Formats among `rows` that different reads of one length keep turned round, and not as they came."""
    if len(cards) < _LEAST_READS:
        return ()
    printed = [card for card in cards if card.printed is not None]
    found = []
    for row in rows:
        if not row.parity:
            continue
        as_sent = _keeps(row, cards, _unchanged)
        if as_sent and (not printed or _gives(row, printed, _unchanged)):
            return ()
        for change, undo in CHANGES.items():
            if not _keeps(row, cards, undo) or (as_sent and change is not Change.BOTH):
                continue
            if not printed or _gives(row, printed, undo):
                found.append(Turned(row.name, change, bool(printed)))
    # As the bits came every group holds: without a number, nothing speaks for a change.
    return tuple(one for one in found if one.proved or one.change is not Change.BOTH)


def _unchanged(bits: Bits) -> Bits:
    return bits


def _keeps(row: CardFormat, cards: Sequence[CardSample], undo: Callable[[Bits], Bits]) -> bool:
    kept = sum(decode_as(row, undo(card.bits)).parity_ok for card in cards)
    return len(cards) - kept <= len(cards) // _DAMAGED


def _gives(row: CardFormat, printed: Sequence[CardSample], undo: Callable[[Bits], Bits]) -> bool:
    right = 0
    for card in printed:
        read = decode_as(row, undo(card.bits))
        shown = card.printed
        if shown is not None and shown.number == read.card_number:
            right += shown.site in (None, read.site_code)
    return len(printed) - right <= (1 if len(printed) >= _LEAST_PRINTED else 0)
