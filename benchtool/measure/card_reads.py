"""Several reads of one card together: what most of them say, and where the others differ from it.

No bits stand in what is answered but places, so that it may be shown where card numbers are hidden.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

from benchtool.frames.card.bits import Bits

_FAR = 6
"""A vote is believed where each read is wrong in no more than one bit of so many. Our choice."""


class SameCard(NamedTuple):
    """Reads of one card, compared."""

    bits: Bits | None
    """What most reads say; None where no frame came more often than another, and bits do not settle it either."""
    agree: tuple[int, ...]
    """Which reads are exactly that, from 0."""
    differ: tuple[tuple[int, str], ...]
    """The others, and how they differ, in words without their bits."""
    voted: bool
    """Whether no frame had a majority, and the bits of reads of one length were voted on one by one."""


def compare_reads(frames: Sequence[Bits]) -> SameCard:
    """Reads that are all of one card. Two reads or more make a comparison; one is its own majority."""
    most = Counter(frames).most_common(2)
    if not most:
        return SameCard(None, (), (), False)
    if len(most) == 1 or most[0][1] > most[1][1]:
        return _against(most[0][0], frames, voted=False)
    lengths = Counter(bits.length for bits in frames).most_common(2)
    alike = [bits for bits in frames if bits.length == lengths[0][0]]
    if (len(lengths) > 1 and lengths[0][1] == lengths[1][1]) or len(alike) < 3:
        return SameCard(None, (), tuple((place, f"{bits.length} bits") for place, bits in enumerate(frames)), False)
    value = 0
    for place in range(1, lengths[0][0] + 1):
        ones = sum(bits.bit(place) for bits in alike)
        if 2 * ones == len(alike):
            return SameCard(None, (), tuple((i, f"{bits.length} bits") for i, bits in enumerate(frames)), False)
        value = value << 1 | int(2 * ones > len(alike))
    whole = Bits(value, lengths[0][0])
    if any((bits.value ^ value).bit_count() * _FAR > whole.length for bits in alike):
        # Damage changes few bits; these are other cards.
        return SameCard(None, (), tuple((i, f"{bits.length} bits") for i, bits in enumerate(frames)), False)
    return _against(whole, frames, voted=True)


def _against(whole: Bits, frames: Sequence[Bits], *, voted: bool) -> SameCard:
    agree = tuple(place for place, bits in enumerate(frames) if bits == whole)
    differ = tuple((place, difference(whole, bits)) for place, bits in enumerate(frames) if bits != whole)
    return SameCard(whole, agree, differ, voted)


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
