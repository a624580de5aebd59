"""How often each cause is met before anything is measured: judgements of this project, no published source.

Somebody who connects a tester has a reason to, so a sound bus is less than half of it.
"""

from __future__ import annotations

from benchtool.diagnose.finding import Cause

PRIORS: dict[Cause, float] = {
    Cause.HEALTHY: 0.32,
    Cause.REVERSED_AT_TAP: 0.04,
    Cause.REVERSED_AT_DEVICE: 0.035,
    Cause.CONDUCTOR_OPEN: 0.035,
    Cause.PAIR_SHORTED: 0.015,
    Cause.CONDUCTOR_TO_GROUND: 0.02,
    Cause.TERMINATOR_MISSING_ONE: 0.03,
    Cause.TERMINATOR_MISSING_BOTH: 0.03,
    Cause.TERMINATOR_EXCESS: 0.025,
    Cause.TERMINATOR_MISPLACED: 0.015,
    Cause.BIAS_MISSING: 0.03,
    Cause.BIAS_WEAK: 0.02,
    Cause.STUB_TOO_LONG: 0.015,
    Cause.BUS_OVERLOADED: 0.01,
    Cause.LINE_TOO_LONG: 0.01,
    Cause.GROUND_OFFSET: 0.015,
    Cause.NOISE_BROADBAND: 0.02,
    Cause.NOISE_IMPULSIVE: 0.025,
    Cause.NOISE_MAINS: 0.02,
    Cause.BAUD_WRONG: 0.04,
    Cause.FORMAT_WRONG: 0.02,
    Cause.CLOCK_OFF: 0.01,
    Cause.ADDRESS_DUPLICATE: 0.035,
    Cause.TWO_CONTROLLERS: 0.015,
    Cause.DEVICE_SILENT: 0.07,
    Cause.DEVICE_SLOW: 0.015,
    Cause.DEVICE_RESETTING: 0.025,
    Cause.DRIVER_HELD_LATE: 0.015,
    Cause.SEQUENCE_FAULTS: 0.015,
    Cause.NONE_OF_THESE: 0.02,
}
"""Of one cause at a time; relative to each other."""

PAIRS = 0.08
"""Share of buses with two causes at once."""

_TERMINATORS = {
    Cause.TERMINATOR_MISSING_ONE,
    Cause.TERMINATOR_MISSING_BOTH,
    Cause.TERMINATOR_EXCESS,
    Cause.TERMINATOR_MISPLACED,
}
EXCLUSIVE: tuple[frozenset[Cause], ...] = (
    frozenset(_TERMINATORS),
    frozenset((Cause.BIAS_MISSING, Cause.BIAS_WEAK)),
    *(frozenset((Cause.NONE_OF_THESE, cause)) for cause in Cause if cause is not Cause.NONE_OF_THESE),
    # A shorted pair, a wrong rate and a reversed clip leave nothing of most other causes to be heard at the tap.
    *(frozenset((Cause.PAIR_SHORTED, cause)) for cause in Cause if cause is not Cause.PAIR_SHORTED),
)
"""Causes of which no two are weighed together."""
