"""The dead reader that was named stays what a hunt is about: whether what leads accounts for it, and what else may.

A missing terminator found beside a dead reader is told, but it is no answer where the others on the bus work. Which
cause can silence one device follows from where it acts; the shares are judgements of this project.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.hunt_retune import OWN
from benchtool.diagnose.model import all_sets
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.places import LEAST_REQUESTS, PLACED, AtAddress
from benchtool.diagnose.sensible import CERTAIN
from benchtool.diagnose.state import State
from benchtool.diagnose.weigh import Belief, levelled

SILENT_FAULTS = (
    Cause.TERMINATOR_MISSING_ONE,
    Cause.TERMINATOR_MISSING_BOTH,
    Cause.TERMINATOR_EXCESS,
    Cause.TERMINATOR_MISPLACED,
    Cause.BIAS_MISSING,
    Cause.BIAS_WEAK,
    Cause.STUB_TOO_LONG,
    Cause.BUS_OVERLOADED,
    Cause.LINE_TOO_LONG,
)
"""Causes that can be there while every octet is right."""
_FAILS, _HARMED = 0.5, 0.02
"""A device fails that leaves so many requests without a sound reply; a fault of the whole bus that silences it harms
the others so much at least."""
_LEFT = 0.02
"""A cause less probable than that is not worth a question about the dead reader."""
_AS_SUSPECT = 0.5
"""A cause with a device is here where it is at least so probable here as where it is likeliest."""


def row_of(observed: Observed, address: int | None) -> AtAddress | None:
    """What was counted at the dead reader's address; None where it was asked too seldom to tell."""
    rows = [one for one in observed.addresses if one.address == address and one.requests >= LEAST_REQUESTS]
    return max(rows, key=lambda one: one.requests, default=None)


def heard_dead(observed: Observed, address: int | None) -> AtAddress | None:
    """The dead reader's counts, where it was heard to fail; else None."""
    row = row_of(observed, address)
    return row if row is not None and row.share(row.silent + row.damaged) >= _FAILS else None


def accounts(cause: Cause, observed: Observed, state: State, address: int) -> bool:
    """Whether a cause can be what keeps the reader at the address dead."""
    if cause is Cause.HEALTHY:
        return False
    if cause in OWN or cause is Cause.NONE_OF_THESE:
        return True
    row = heard_dead(observed, address)
    if row is None:
        return observed.symptoms is not None or cause not in SILENT_FAULTS
    if cause in PLACED:
        where = state.at.get(cause, {})
        return where.get(address, 0.0) >= _AS_SUSPECT * max(where.values(), default=1.0)
    others = [one for one in observed.addresses if one.address != address and one.requests >= LEAST_REQUESTS]
    if row.silent > row.damaged and len(others) > 1:
        # A second device in trouble has its own, unless more of them are: what spoils replies silences none alone.
        others.remove(max(others, key=lambda one: one.share(one.silent + one.damaged)))
    asked, failed = sum(one.requests for one in others), sum(one.silent + one.damaged for one in others)
    return not (row.never_answers and asked and failed < _HARMED * asked)


def focus(observed: Observed, state: State, address: int | None) -> State | None:
    """The state for the dead reader alone, where what leads does not account for it; None where it does, or where
    nobody knows whether the reader is dead.
    """
    if address is None or state.leader is Cause.HEALTHY or accounts(state.leader, observed, state, address):
        return None
    if observed.symptoms is not None and heard_dead(observed, address) is None:
        return None
    can = {cause for cause in state.shown if accounts(cause, observed, state, address)}
    kept = np.array([any(one in can for one in members) for members in all_sets().members])
    probability = np.where(kept, state.belief.probability, 0.0)
    total = float(probability.sum())
    if total <= 0:
        return None
    left = replace(state.belief, probability=probability / total)
    return state._replace(belief=left, shown=levelled(left, left.present())[0], group=_open(left, can))


def _open(belief: Belief, can: Collection[Cause]) -> tuple[Cause, ...]:
    """What of that is to be told apart still, the likeliest first; nothing where one is practically certain."""
    present = belief.present()
    ranked = sorted(can, key=lambda one: -present[one])
    alike = set(belief.group(ranked[0]))
    if present[ranked[0]] >= CERTAIN and not alike & set(can):
        return ()
    return tuple(one for one in ranked if one is ranked[0] or one in alike or present[one] >= _LEFT)


def subject(observed: Observed, state: State, address: int) -> tuple[tuple[Cause, float], ...]:
    """What can keep the reader at the address dead, with how probable it is by `state`; the likeliest first."""
    can = [(cause, share) for cause, share in state.shown.items() if accounts(cause, observed, state, address)]
    return tuple(sorted(can, key=lambda one: -one[1]))
