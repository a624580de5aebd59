"""Places of bits as people write them: "2-9, 14, 20-17", from 1, in the order in which the bits make a number."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

LONGEST = 256
"""Bits in the longest frame that is read."""


def places_text(places: Sequence[int], separator: str = ",") -> str:
    """Places with neighbours joined, rising or falling: "2-9,14,20-17"."""
    runs: list[list[int]] = []
    for place in places:
        if runs and abs(place - runs[-1][-1]) == 1 and (len(runs[-1]) == 1 or place - runs[-1][-1] == _step(runs[-1])):
            runs[-1].append(place)
        else:
            runs.append([place])
    return separator.join(str(run[0]) if len(run) == 1 else f"{run[0]}-{run[-1]}" for run in runs)


def _step(run: list[int]) -> int:
    return run[1] - run[0]


def places_of(written: object) -> tuple[int, ...]:
    """Places written as a text, a number, or a list of either. Raises ValueError that says what is wanted."""
    parts: Iterable[object] = written if isinstance(written, list) else [written]
    found: list[int] = []
    for part in parts:
        if isinstance(part, int) and not isinstance(part, bool):
            found.append(part)
            continue
        if not isinstance(part, str) or not part.strip():
            raise ValueError(f'places of bits are wanted, as "2-9, 14" or [2, 3, 4], not {part!r}')
        for piece in part.split(","):
            match = re.fullmatch(r"\s*([0-9]{1,4})\s*(?:[-–]\s*([0-9]{1,4})\s*)?", piece)
            if match is None:
                raise ValueError(f'places of bits are wanted, as "2-9, 14" or [2, 3, 4], not {piece.strip()!r}')
            first, last = int(match[1]), int(match[2] or match[1])
            step = 1 if last >= first else -1
            found += range(first, last + step, step)
    return tuple(found)
