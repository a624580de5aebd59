"""Check values that are written differently but never differ: told once, not as rivals."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace

from benchtool.explore.explained import CheckResult, Explanation
from benchtool.explore.fields import fixed_head, fixed_tail
from benchtool.frames.check_value import CheckValue

_TRIALS = 24


def merged(result: CheckResult, sound: Sequence[bytes]) -> CheckResult:
    """Only one of explanations that agree on every frame with this bus's fixed first and last octets."""
    if len(result.explanations) < 2 or not sound:
        return result
    head, tail = fixed_head(sound)[:2], fixed_tail(sound)
    kept: list[Explanation] = []
    same = 0
    for one in result.explanations:
        if any(_agree(one.check, other.check, head, tail) for other in kept):
            same += 1
        else:
            kept.append(one)
    notes = result.notes
    if same:
        notes = (*notes, f"{same} other way(s) to write the same check value for frames of this bus")
    return replace(result, explanations=tuple(kept), notes=notes)


def _agree(first: CheckValue, second: CheckValue, head: bytes, tail: bytes) -> bool:
    if (first.size, first.tail) != (second.size, second.tail):
        return False
    chooser = random.Random(1)
    end = tail[len(tail) - first.tail :] if first.tail else b""
    for size in range(6, 6 + _TRIALS):
        frame = head + chooser.randbytes(size) + bytes(first.size) + end
        frame = first.completed(frame)
        if not second.ok(frame):
            return False
    return True
