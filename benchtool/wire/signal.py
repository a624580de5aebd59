"""A logic signal as a driver is given it: steps between mark and space.

Piecewise constant, so that it costs one entry an edge and knows no sample rate. Mark is the idle state, logic 1.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Times = NDArray[np.floating[Any]]
"""Instants in seconds."""
Bools = NDArray[np.bool_]
"""Comparator outputs, True is mark."""

MARK = 1
SPACE = -1


class Signal(NamedTuple):
    """`levels[i]` (+1 mark, -1 space) holds from `times_s[i]` until `times_s[i + 1]`, the last for ever.

    `times_s` rises and begins at the first change away from the idle mark. `duration_s` is when the sender has done,
    its last stop bit included; the line is at mark by then.
    """

    times_s: Times
    levels: NDArray[np.int8]
    duration_s: float = 0.0

    def marks_at(self, times_s: Times) -> Bools:
        """What an ideal wire shows at any instants: True is mark; mark before the first entry."""
        places = np.searchsorted(self.times_s, times_s, side="right")
        padded = np.concatenate((np.array([MARK], dtype=np.int8), self.levels))
        return np.asarray(padded[places] > 0)
