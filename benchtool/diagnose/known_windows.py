"""Finds well-known frames, as a wrongly set receiver hears them, anywhere in a long span.

Where times are coarse, whole conversations run into one span. A match counts where chance could hardly have made it:
odds are taken from how often each octet comes in the span itself, since wrong settings leave few values.
"""

from __future__ import annotations

from collections import Counter
from math import prod

MOST_OCTETS = 2048
"""So much of a span is looked through."""
_MOST_NAMESAKES = 32
_LEAST_OCTETS = 3


def frames_in(octets: bytes, known: dict[bytes, tuple[bytes, ...]], most_chance: float) -> list[tuple[bytes, ...]]:
    """What lies in a span, in order: for each match the frames that sound like it.

    `known`: octets as heard → frames. At most `most_chance` matches are to be expected by chance, each.
    """
    octets = octets[:MOST_OCTETS]
    if not octets:
        return []
    size = len(octets)
    counts = Counter(octets)
    odds = {value: (count + 1) / (size + 16) for value, count in counts.items()}
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
