"""How often each action makes things better, by what is wrong: judgements of this project, no published source."""

from __future__ import annotations

from benchtool.diagnose.finding import Cause

MENDS: dict[str, dict[Cause, float]] = {
    "swap-clip": {Cause.REVERSED_AT_TAP: 0.96},
    "swap-wires@": {Cause.REVERSED_AT_DEVICE: 0.96},
    "unplug@": {
        Cause.ADDRESS_DUPLICATE: 0.8,
        Cause.DRIVER_HELD_LATE: 0.9,
        Cause.CLOCK_OFF: 0.8,
        Cause.STUB_TOO_LONG: 0.4,
        Cause.PAIR_SHORTED: 0.3,
        Cause.CONDUCTOR_TO_GROUND: 0.3,
        Cause.BUS_OVERLOADED: 0.3,
        Cause.GROUND_OFFSET: 0.5,
    },
    "lower-baud": {
        Cause.LINE_TOO_LONG: 0.9,
        Cause.STUB_TOO_LONG: 0.85,
        Cause.TERMINATOR_MISSING_ONE: 0.6,
        Cause.TERMINATOR_MISSING_BOTH: 0.7,
        Cause.TERMINATOR_MISPLACED: 0.6,
        Cause.NOISE_IMPULSIVE: 0.15,
    },
}
"""How often an action mends each cause that shows at all (judgements); others it mends by chance."""
MENDED_BY_CHANCE = 0.03
