"""Direct current on the pair: node voltages of a network of resistances, by nodal analysis.

`solve` knows the difference between the wires only: joints (numbers from 0), cable between joints, resistors across
the pair, and currents fed in. `Circuit` knows every terminal by itself, and ground. Any shape is allowed in both.
"""

from __future__ import annotations

import math
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


class Circuit:
    """Terminals 0 … `count - 1` and ground, resistors between them, sources behind resistors.

    Terminals without resistance between them are one. What is joined to neither ground nor a source has 0 V.
    """

    def __init__(self, count: int) -> None:
        self.ground = count
        self._one = list(range(count + 1))
        self._joined = list(range(count + 1))
        self._resistors: list[tuple[int, int, float]] = []
        self._amperes = [0.0] * (count + 1)

    def join(self, one: int, other: int, ohm: float) -> None:
        """A resistor between two terminals; `self.ground` is the ground."""
        _unite(self._joined, one, other)
        if ohm <= _NO_OHM:
            _unite(self._one, one, other)
        else:
            self._resistors.append((one, other, 1.0 / ohm))

    def source(self, terminal: int, volts: float, ohm: float) -> None:
        """A voltage against ground, behind a resistor, at a terminal."""
        ohm = max(ohm, 2 * _NO_OHM)
        self.join(terminal, self.ground, ohm)
        self._amperes[terminal] += volts / ohm

    def volts(self) -> list[float]:
        """Voltage of each terminal against ground."""
        return self._solve(self._amperes)

    def resistance_ohm(self, one: int, other: int) -> float:
        """Between two terminals, all sources dead; infinite where nothing joins them."""
        if _root(self._joined, one) != _root(self._joined, other):
            return math.inf
        probe = [0.0] * len(self._one)
        probe[one] += 1.0
        probe[other] -= 1.0
        volts = [*self._solve(probe), 0.0]
        return volts[one] - volts[other]

    def _solve(self, amperes: list[float]) -> list[float]:
        count = len(self._one)
        roots = [_root(self._one, terminal) for terminal in range(count)]
        matrix = np.zeros((count, count))
        for one, other, siemens in self._resistors:
            first, second = roots[one], roots[other]
            matrix[first, first] += siemens
            matrix[second, second] += siemens
            matrix[first, second] -= siemens
            matrix[second, first] -= siemens
        fed = np.zeros(count)
        for terminal, current in enumerate(amperes):
            fed[roots[terminal]] += current
        # One terminal of each part that hangs together is held at 0 V: ground where it is in it, else any.
        fixed = {_root(self._joined, self.ground): roots[self.ground]}
        for terminal in range(count):
            fixed.setdefault(_root(self._joined, terminal), roots[terminal])
        still = set(fixed.values())
        free = [terminal for terminal in range(count) if roots[terminal] == terminal and terminal not in still]
        found = np.zeros(count)
        if free:
            found[free] = np.linalg.solve(matrix[np.ix_(free, free)], fed[free])
        return [float(found[root]) for root in roots[:-1]]


def _root(parents: list[int], terminal: int) -> int:
    while parents[terminal] != terminal:
        parents[terminal] = parents[parents[terminal]]
        terminal = parents[terminal]
    return terminal


def _unite(parents: list[int], one: int, other: int) -> None:
    parents[_root(parents, one)] = _root(parents, other)
