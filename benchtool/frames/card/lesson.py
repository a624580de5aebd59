"""What a frame can teach: which groups a wrong bit breaks, what stays unseen, what a fault of the lines leaves of it.

All of it is counted from the format's row, so it holds for a user's own formats as well. Faults: reference sheet 6.7.
"""

from __future__ import annotations

from itertools import combinations
from typing import NamedTuple

from benchtool.frames.card.bits import Bits
from benchtool.frames.card.decode import CardReading, decode_as
from benchtool.frames.card.formats import CardFormat
from benchtool.frames.card.hints import CHANGES, Change


class Fails(NamedTuple):
    """Bits that break the same parity groups when one of them is wrong."""

    groups: tuple[int, ...]
    """The parity bits of these groups, rising; empty where no parity sees it."""
    places: tuple[int, ...]


def single_errors(row: CardFormat) -> tuple[Fails, ...]:
    """What one wrong bit breaks, for every place of the frame, in the order in which it first happens."""
    found: dict[tuple[int, ...], list[int]] = {}
    for place in range(1, row.length + 1):
        broken = tuple(sorted(group.bit for group in row.parity if place in group.members))
        found.setdefault(broken, []).append(place)
    return tuple(Fails(groups, tuple(places)) for groups, places in found.items())


class Unseen(NamedTuple):
    """Two wrong bits that every parity group misses, and what the frame then reads as."""

    places: tuple[int, int]
    read: CardReading


def double_error(read: CardReading) -> Unseen | None:
    """Two wrong bits in a field that no parity sees and that give another number; None where there are none."""
    row = read.format
    broken = {place: fails.groups for fails in single_errors(row) for place in fails.places}
    for field in reversed(row.fields):
        for first, second in combinations(sorted(field.places, reverse=True), 2):
            if broken[first] == broken[second] != ():
                other = flipped(read.bits, first, second)
                then = decode_as(row, other)
                if then.parity_ok == read.parity_ok:
                    return Unseen((min(first, second), max(first, second)), then)
    return None


def flipped(bits: Bits, *places: int) -> Bits:
    """The bits with these places the other way round."""
    value = bits.value
    for place in places:
        value ^= 1 << (bits.length - place)
    return Bits(value, bits.length)


def changed(read: CardReading) -> tuple[tuple[Change, CardReading], ...]:
    """What the frame would read as with all its bits changed in each known way."""
    return tuple((change, decode_as(read.format, undo(read.bits))) for change, undo in CHANGES.items())


def suspects(read: CardReading) -> tuple[int, ...]:
    """Bits of which one, wrong alone, explains the parity groups that fail; empty where no single bit does."""
    broken = tuple(sorted(check.group.bit for check in read.parity if not check.ok))
    if not broken:
        return ()
    return next((fails.places for fails in single_errors(read.format) if fails.groups == broken), ())


def left_by_open_line(bits: Bits, line: int) -> Bits:
    """What arrives while one line, 0 or 1, is broken: the pulses of the other, all alike."""
    ones = bits.value.bit_count()
    count = ones if line == 0 else bits.length - ones
    return Bits((1 << count) - 1 if line == 0 else 0, count)
