"""How often each action makes things better, by what is wrong: judgements of this project, no published source."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.model import Sets
from benchtool.diagnose.places import PLACED, share_at
from benchtool.diagnose.readings import action_of

Floats = npt.NDArray[np.float64]

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


def action_chance(action: str, address: int | None, sets: Sets, at: Mapping[Cause, Mapping[int, float]]) -> Floats:
    """How probable it is, under each set, that an action makes things better; shape (sets,)."""
    mends = MENDS[action]
    heard = {one for where in at.values() for one in where}
    placed = action_of(action).at_device
    chances = []
    for members in sets.members:
        best = MENDED_BY_CHANCE
        for cause in members:
            share = mends.get(cause, 0.0)
            if placed and (cause in at or cause in PLACED):
                share *= share_at(at, cause, address)
            elif placed:  # at any of the devices alike, such as a short inside one
                share /= max(1, len(heard))
            # With a second cause left, things get better all the same, but less visibly.
            best = max(best, share if len(members) == 1 else 0.7 * share)
        chances.append(best)
    return np.array(chances)
