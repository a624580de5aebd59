"""Which causes a meter, or a scope, shows at all: lines that differ in others only read alike."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.model import INDEX, all_sets

METER_SHOWS = frozenset(
    {
        Cause.REVERSED_AT_TAP,
        Cause.REVERSED_AT_DEVICE,
        Cause.CONDUCTOR_OPEN,
        Cause.PAIR_SHORTED,
        Cause.CONDUCTOR_TO_GROUND,
        Cause.TERMINATOR_MISSING_ONE,
        Cause.TERMINATOR_MISSING_BOTH,
        Cause.TERMINATOR_EXCESS,
        Cause.TERMINATOR_MISPLACED,
        Cause.BIAS_MISSING,
        Cause.BIAS_WEAK,
        Cause.BUS_OVERLOADED,
        Cause.LINE_TOO_LONG,
        Cause.GROUND_OFFSET,
        Cause.DEVICE_RESETTING,
        Cause.DEVICE_SILENT,
    }
)
"""Causes that change what a meter reads. Whatever else is wrong, it reads as without that."""
SCOPE_SHOWS = frozenset(INDEX) - {
    Cause.BAUD_WRONG,
    Cause.FORMAT_WRONG,
    Cause.DEVICE_SLOW,
    Cause.DEVICE_RESETTING,
    Cause.SEQUENCE_FAULTS,
    Cause.NONE_OF_THESE,
}
"""The same for one shot of a scope."""


def like_rows(shows: frozenset[Cause]) -> npt.NDArray[np.int64]:
    """For each set, the row of the set without what is not shown: both look alike, so one speaks for both."""
    members = all_sets().members
    rows = {frozenset(one): row for row, one in enumerate(members)}
    return np.array([rows[shows.intersection(one)] for one in members], dtype=np.int64)
