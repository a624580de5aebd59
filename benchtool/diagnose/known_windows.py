"""Finds well-known frames, as a wrongly set receiver hears them, anywhere in a long span.

Where times are coarse, whole conversations run into one span. A match counts where chance could hardly have made it:
odds are taken from how often each octet comes in the spans themselves, since wrong settings leave few values.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from math import prod

MOST_OCTETS = 2048
"""So much of a span is looked through."""
_MOST_NAMESAKES = 32
_LEAST_OCTETS = 3
_BLANK = 32
"""Octets of unknown value that are thought to have come beside: a few octets say little of what is likely."""


def odds_of(spans: Iterable[bytes]) -> dict[int, float]:
    """How probable each octet value is, from distinct spans."""
    counts: Counter[int] = Counter()
    for octets in spans:
        counts.update(octets)
    total = counts.total() + _BLANK
    return {value: (count + 1) / total for value, count in counts.items()}


def frames_in(
    octets: bytes, known: dict[bytes, tuple[bytes, ...]], odds: dict[int, float], most_chance: float
) -> list[tuple[bytes, ...]]:
    """What lies in a span, in order: for each match the frames that sound like it.

    `known`: octets as heard → frames. `odds`: see `odds_of`, of spans of which this is one. A match counts where at
    most `most_chance` like it are to be expected by chance.
    """
    octets = octets[:MOST_OCTETS]
    if not octets:
        return []
    size = len(octets)
    sizes = Counter(map(len, known))
    lengths = sorted((length for length in sizes if _LEAST_OCTETS <= length <= size), reverse=True)
    found = []
    at = 0
    while at < size:
        for length in lengths:
            piece = octets[at : at + length]
            frames = known.get(piece)
            if (
                frames is None
                or len(piece) < length
                or len(frames) > _MOST_NAMESAKES
                or size * sizes[length] * prod(odds[value] for value in piece) > most_chance
            ):
                continue
            found.append(frames)
            at += length
            break
        else:
            at += 1
    return found
