"""Reads of an unknown card format, as the inference takes them: bits, and what is printed on the card where known."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from benchtool.explore.gf2 import solve
from benchtool.frames.card.bits import Bits

_FEW_MORE = 3
"""Values beyond the bits that change, up to which neighbours are called tied: so few prove no group among them."""

_MOST_PASSED = 3
"""Places with other values that may lie among tied ones."""

_MOST_SUMMED = 8
"""Relations left over up to which each of their sums is looked at."""

_STRETCH, _FREE, _LEAST_FREE = 8, 0.7, 2
"""Neighbours looked at together; the part of the values to be expected of free ones; bits that must be free."""


@dataclass(frozen=True, slots=True)
class Printed:
    """The number printed on a card."""

    number: int
    site: int | None = None
    """None where no site code is printed, or where it is not known to be one."""
    digits: int = 0
    """Digits of the number as printed, leading zeros counted; 0 where they are not known."""


@dataclass(frozen=True, slots=True)
class CardSample:
    """One read of one card."""

    bits: Bits
    printed: Printed | None = None
    where: str = ""
    """Which read this is, in words: "line 7"."""


def distinct(samples: Iterable[CardSample]) -> list[CardSample]:
    """The samples without repeats of the same bits; what is printed is kept from whichever repeat has it."""
    kept: dict[Bits, CardSample] = {}
    for sample in samples:
        held = kept.get(sample.bits)
        if held is None or (held.printed is None and sample.printed is not None):
            kept[sample.bits] = sample
    return list(kept.values())


def by_length(samples: Iterable[CardSample]) -> dict[int, list[CardSample]]:
    """The samples of each length, the most frequent length first."""
    groups: dict[int, list[CardSample]] = {}
    for sample in samples:
        groups.setdefault(sample.bits.length, []).append(sample)
    return dict(sorted(groups.items(), key=lambda item: (-len(item[1]), item[0])))


def annihilator(values: list[int], length: int) -> list[int]:
    """A basis of all masks over the frame whose parity is the same in every value: all relations that hold.

    Bit 1 of the frame is the most significant bit of a mask. A place that never changes is a relation of one bit.
    """
    _, basis = solve(((value ^ values[0], 0) for value in values[1:]), length) or (0, [])
    return basis


def changing(values: list[int]) -> int:
    """A mask of the places that are not the same in all values."""
    care = 0
    for value in values:
        care |= value ^ values[0]
    return care


def members(mask: int, length: int) -> tuple[int, ...]:
    """The places (from 1) of a mask."""
    return tuple(place for place in range(1, length + 1) if mask >> (length - place) & 1)


def different(values: Iterable[int], mask: int) -> int:
    """How many different values the bits of a mask have."""
    return len({value & mask for value in values})


def free_bits(values: Sequence[int], length: int) -> int:
    """A mask of bits that vary freely with their neighbours, on both sides, as those of a number do.

    Bits of a site code do not: of eight of them that forty cards of four sites have, four values are seen. The two
    outermost bits at either end, where parity bits lie, are left out: their neighbours say nothing of them.
    """
    care = changing(list(values))
    places = [bit for at in range(length - 1, -1, -1) if care >> at & 1 and (bit := 1 << at)]
    starts = range(max(1, len(places) - _STRETCH + 1))
    good = []
    for start in starts:
        stretch = places[start : start + _STRETCH]
        # One of them may be a parity bit of the others.
        room = 1 << (len(stretch) - 1)
        wanted = room * (1 - (1 - 1 / room) ** len(values))
        good.append(different(values, sum(stretch)) >= _FREE * wanted)
    free = 0
    for at, bit in enumerate(places):
        left, right = max(0, min(at - _STRETCH + 1, starts[-1])), min(at, starts[-1])
        if 2 <= at < len(places) - 2 and good[left] and good[right]:
            free |= bit
    return free


def evidence(values: Sequence[int], mask: int, free: int) -> int:
    """How many independent tests of a relation the reads are: bits by which it is no chance.

    Fifty cards of two sites say of the bits of the site code what two cards say: each different value of the bits
    counts once. Where two of the bits or more are `free` (`free_bits`), each read is a test.
    """
    if (mask & free).bit_count() >= _LEAST_FREE:
        return len(values) - 1
    return different(values, mask) - 1 if mask else 0


class Span:
    """Masks and all their sums over GF(2); grows by `add`."""

    def __init__(self, masks: Iterable[int] = ()) -> None:
        self._pivots: dict[int, int] = {}
        for mask in masks:
            self.add(mask)

    def __len__(self) -> int:
        return len(self._pivots)

    def rest(self, mask: int) -> int:
        """What is left of a mask when sums of the span are taken out: 0 where it is such a sum itself."""
        for top in sorted(self._pivots, reverse=True):
            if mask >> top & 1:
                mask ^= self._pivots[top]
        return mask

    def __contains__(self, mask: int) -> bool:
        return self.rest(mask) == 0

    def add(self, mask: int) -> bool:
        """Take a mask in; False where it was a sum of the others already."""
        rest = self.rest(mask)
        if not rest:
            return False
        self._pivots[rest.bit_length() - 1] = rest
        return True

    def basis(self) -> list[int]:
        """Independent masks of which all others are sums."""
        return list(self._pivots.values())

    def sums(self) -> list[int]:
        """All sums but the empty one: 2**len - 1 masks."""
        made = [0]
        for mask in self._pivots.values():
            made += [one ^ mask for one in made]
        return made[1:]


def ties(values: list[int], length: int) -> Span:
    """Relations that say nothing of parity: places that never change, and neighbours that took few values.

    Of a site code of twelve bits that had four values in all reads, six relations or more hold whatever the format is.
    """
    care = changing(values)
    span = Span(1 << at for at in range(length) if not care >> at & 1)
    for first in range(length):
        if not care >> (length - 1 - first) & 1:
            continue
        window, seen, passed = 0, 1, 0
        for place in range(first, length):
            bit = 1 << (length - 1 - place)
            if not care & bit:
                continue
            values_here = len({value & (window | bit) for value in values})
            changed = (window | bit).bit_count()
            if 2 * values_here <= len(values) and values_here <= changed + _FEW_MORE:
                window, seen = window | bit, values_here
                continue
            # So many values would show a parity group among them, if there were one. A parity bit in the midst of a
            # site code is passed over.
            passed += 1
            if passed > _MOST_PASSED:
                break
        if seen > 1:
            for mask in annihilator(sorted({value & window for value in values}), length):
                span.add(mask & window)
    left = Span(core for mask in annihilator(values, length) if (core := span.rest(mask)))
    if 0 < len(left) <= _MOST_SUMMED:
        free = free_bits(values, length)
        # Bits of a site code that lie apart: what few values have in common is no parity either.
        for mask in left.sums():
            values_here = different(values, mask)
            few = 2 * values_here <= len(values) and values_here <= mask.bit_count() + _FEW_MORE
            if few and (mask & free).bit_count() < _LEAST_FREE:
                span.add(mask)
    return span
