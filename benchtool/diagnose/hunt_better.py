"""Whether what was tried made things better, by listening before and after."""

from __future__ import annotations

from benchtool.diagnose.observed import Observed
from benchtool.diagnose.places import AtAddress

_LESS = 0.35
"""Better is when so little of what went wrong before still does (judgement)."""
LEAST = 0.01
"""Less that goes wrong is nothing to improve."""
_ANSWERS = 0.5


def better(before: Observed, after: Observed, unplugged: int | None = None) -> bool:
    """Compare two listenings; `unplugged`: the address of a device taken off between them, which may be silent now."""
    skipped = unplugged
    if unplugged is not None and any(one.address == unplugged and _answered(one) for one in after.addresses):
        skipped = None  # another one has its address
    was, now = wrong(before, skipped), wrong(after, skipped)
    return was - now >= LEAST and now <= _LESS * was


def wrong(observed: Observed, skipped: int | None = None) -> float:
    """Share of exchanges that went wrong, 0 to 1; 1 where none was understood."""
    rows = [one for one in observed.addresses if one.address != skipped and one.requests]
    asked = sum(one.requests for one in rows)
    if not asked:
        return 1.0
    failed = sum(min(one.requests, one.silent + one.damaged + one.unasked + one.collisions) for one in rows)
    return failed / asked


def answering(observed: Observed) -> dict[int, float]:
    """How often each address that is asked answers, 0 to 1."""
    return {one.address: one.answered / one.requests for one in observed.addresses if one.requests}


def _answered(one: AtAddress) -> bool:
    return one.requests > 0 and one.answered >= _ANSWERS * one.requests
