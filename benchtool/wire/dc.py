"""Direct current on the pair: node voltages of a network of resistances, by nodal analysis.

The network is a list of joints (numbers from 0), resistors between joints, resistors across the pair, and currents
fed in. Any shape is allowed, so stubs and stars need nothing new here.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

_NO_OHM = 1e-6


class Run(NamedTuple):
    """A piece of cable between two joints."""

    start: int
    end: int
    length_m: float


def solve(
    count: int,
    runs: tuple[Run, ...],
    ohm_per_m: float,
    siemens: NDArray[np.floating[Any]],
    amperes: NDArray[np.floating[Any]],
) -> NDArray[np.floating[Any]]:
    """Voltage at each joint, given the conductance across the pair and the current fed in at each.

    A pair on which nothing conducts has 0 V if nothing is fed in, and infinite volts of the current's sign if it is.
    """
    if not siemens.any():
        total = float(amperes.sum())
        return np.full(count, np.copysign(np.inf, total) if total else 0.0)
    matrix = np.diag(siemens).astype(np.float64)
    for run in runs:
        through = 1.0 / max(run.length_m * ohm_per_m, _NO_OHM)
        matrix[run.start, run.start] += through
        matrix[run.end, run.end] += through
        matrix[run.start, run.end] -= through
        matrix[run.end, run.start] -= through
    return np.asarray(np.linalg.solve(matrix, amperes))
