"""Several reads of one card together: what most of them say, and where the others differ from it.

No bits stand in what is answered but places, so that it may be shown where card numbers are hidden.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from enum import Enum
from typing import NamedTuple

from benchtool.frames.card.bits import Bits

_FAR = 6
"""Most reads must be wrong in no more than one bit of so many. Our choice."""
_MOST_TRIED = 24
"""Different frames that are tried as the nearest one."""


class How(Enum):
    """How the frame that reads of one card should be was found; the value is what `--json` prints."""

    MAJORITY = "majority"
    """More than half of the reads are the same."""
    NEAREST = "nearest"
    """The read from which all others differ least, bits lost and doubled counted as changes."""
    VOTED = "voted"
    """Bit by bit, what most reads of the commonest length say; no read need be that frame."""
    NOT = "not found"


class SameCard(NamedTuple):
    """Reads of one card, compared."""

    bits: Bits | None
    """What most reads say; None where no frame came more often than another, and bits do not settle it either."""
    agree: tuple[int, ...]
    """Which reads are exactly that, from 0."""
    differ: tuple[tuple[int, str], ...]
    """The others, and how they differ, in words without their bits."""
    how: How
    """How that was found."""


def compare_reads(frames: Sequence[Bits]) -> SameCard:
    """Reads that are all of one card. Two reads or more make a comparison; one is its own majority."""
    if not frames:
        return SameCard(None, (), (), How.NOT)
    counts = Counter(frames)
    top, times = counts.most_common(1)[0]
    if 2 * times > len(frames):
        return _against(top, frames, How.MAJORITY)
    whole, how = _nearest(counts), How.NEAREST
    if whole is None:
        whole, how = _voted(frames), How.VOTED
    # Damage changes few bits; where many differ these are other cards.
    if whole is None or 2 * sum(_far(whole, bits) for bits in frames) > len(frames):
        return SameCard(None, (), tuple((place, f"{bits.length} bits") for place, bits in enumerate(frames)), How.NOT)
    return _against(whole, frames, how)


def _far(whole: Bits, bits: Bits) -> bool:
    return changes(whole.text, bits.text) * _FAR > whole.length


def _nearest(counts: Counter[Bits]) -> Bits | None:
    """The frame with the fewest changes to all others; None where two are as near."""
    tried = [bits for bits, _ in counts.most_common(_MOST_TRIED)]
    sums = [sum(changes(one.text, other.text) * times for other, times in counts.items()) for one in tried]
    least = min(sums)
    return tried[sums.index(least)] if sums.count(least) == 1 else None


def _voted(frames: Sequence[Bits]) -> Bits | None:
    """Bit by bit among reads of the commonest length; None where fewer than three have it, or a bit is even."""
    lengths = Counter(bits.length for bits in frames).most_common(2)
    alike = [bits for bits in frames if bits.length == lengths[0][0]]
    if (len(lengths) > 1 and lengths[0][1] == lengths[1][1]) or len(alike) < 3:
        return None
    value = 0
    for place in range(1, lengths[0][0] + 1):
        ones = sum(bits.bit(place) for bits in alike)
        if 2 * ones == len(alike):
            return None
        value = value << 1 | int(2 * ones > len(alike))
    return Bits(value, lengths[0][0])


def changes(one: str, other: str) -> int:
    """The fewest bits to change, leave out or put in that make one frame the other."""
    row = list(range(len(other) + 1))
    for place, mine in enumerate(one, 1):
        before, row[0] = row[0], place
        for at, theirs in enumerate(other, 1):
            before, row[at] = row[at], min(row[at] + 1, row[at - 1] + 1, before + (mine != theirs))
    return row[-1]


def _against(whole: Bits, frames: Sequence[Bits], how: How) -> SameCard:
    agree = tuple(place for place, bits in enumerate(frames) if bits == whole)
    differ = tuple((place, difference(whole, bits)) for place, bits in enumerate(frames) if bits != whole)
    return SameCard(whole, agree, differ, how)


def difference(whole: Bits, bits: Bits) -> str:
    """How a frame differs from another, in words: places and counts only."""
    if bits.length == whole.length:
        places = [place for place in range(1, whole.length + 1) if bits.bit(place) != whole.bit(place)]
        if len(places) == whole.length:
            return "every bit the other way round"
        if bits == whole.reversed():
            return "the bits in reversed order"
        if len(places) > 6:
            return f"{len(places)} of {whole.length} bits"
        return f"bit{'s' if len(places) > 1 else ''} {', '.join(map(str, places))}"
    fewer = whole.length - bits.length
    if fewer > 0:
        text = whole.text
        for line, left in (("D0", "1"), ("D1", "0")):
            if bits.length and bits.text == text.replace("0" if left == "1" else "1", ""):
                return f"{bits.length} bits: all those of D{left}, none of {line}"
        if _within(bits.text, text):
            return f"{fewer} bit{'s' if fewer > 1 else ''} fewer, the others in order"
        return f"{fewer} fewer and others changed"
    if _within(whole.text, bits.text):
        return f"{-fewer} bit{'s' if fewer < -1 else ''} more, the others in order"
    return f"{-fewer} more and others changed"


def _within(part: str, whole: str) -> bool:
    """Whether `part` is `whole` with some characters left out."""
    there = iter(whole)
    return all(character in there for character in part)
