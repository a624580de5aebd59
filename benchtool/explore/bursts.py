"""Octets between silences, and how long a silence must be to part frames."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence

from benchtool.capture.chunk import Chunk, Item, LineCounts, Mark, TapInfo


def chunks_of(items: Iterable[Item]) -> list[Chunk]:
    """The chunks with octets; a gap leaves a silence between those around it."""
    return [item for item in items if isinstance(item, Chunk) and item.octets]


def line_errors_of(items: Iterable[Item]) -> int:
    """Octets with a framing error, a parity error or a break, marked or counted."""
    bad = Mark.FRAMING | Mark.PARITY | Mark.BREAK
    count = 0
    for item in items:
        if isinstance(item, Chunk):
            count += sum(1 for mark in item.marks if mark & bad)
        elif isinstance(item, LineCounts):
            count += item.framing + item.parity + item.breaks
    return count


def bursts(chunks: Sequence[Chunk], pause_ns: int) -> list[bytes]:
    """The octets cut at every silence of `pause_ns` or longer."""
    found: list[bytes] = []
    held = bytearray()
    ended = 0
    for chunk in chunks:
        if held and chunk.t_ns - ended >= pause_ns:
            found.append(bytes(held))
            held.clear()
        held += chunk.octets
        ended = chunk.end_ns
    if held:
        found.append(bytes(held))
    return found


def pauses(chunks: Sequence[Chunk], info: TapInfo) -> list[int]:
    """Silences (ns) worth trying as the least between frames, the likeliest first.

    The widest step in the sorted silences parts those inside frames from those between; 3.5 characters (sheet 3.1)
    and a few round times are the others.
    """
    char_ns = info.settings.char_ns
    usual = round(3.5 * char_ns) + info.resolution_ns
    found = [usual]
    silences = sorted(
        max(1, after.t_ns - before.end_ns) for before, after in itertools.pairwise(chunks) if after.t_ns > before.end_ns
    )
    silences = silences[len(silences) // 50 : len(silences) - len(silences) // 50]
    if len(silences) >= 8:
        steps = [(after / before, before, after) for before, after in itertools.pairwise(silences)]
        ratio, before, after = max(steps)
        if ratio >= 1.5:
            found.append(round((before * after) ** 0.5))
    found += [char_ns + info.resolution_ns // 2, usual * 3, 20_000_000 + info.resolution_ns, max(1, info.resolution_ns)]
    if info.resolution_ns:
        # Lumps of a coarse tap: each hand-over apart.
        found.insert(1, max(1, char_ns // 2))
    kept: list[int] = []
    for pause in found:
        if pause > 0 and all(abs(pause - other) > 0.1 * other for other in kept):
            kept.append(pause)
    return kept
