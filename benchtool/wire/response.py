"""What one edge of a driver makes of the voltage everywhere on the pair, reflections and all.

Method: at each complex frequency the admittances of the cable tree are folded up towards the driver, then the
voltages unfolded outwards (exact transmission lines, any tree); a numerical inverse Laplace transform (an inverse FFT
of the damped response) gives the step in time. Every reflection is in it, none is counted by hand.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchtool.wire.cable import Cable, Spectrum
from benchtool.wire.dc import Run

_SIGMA_STEPS = 3.0
"""Time steps to one standard deviation of the edge: straight lines between them are 0.4 % of the swing off at most."""
_LEAD_SIGMAS = 5.0
_WRAP = 1e-5
"""What is left, after one FFT length, of a response that wraps round."""
_MAX_POINTS = 1 << 17
_MAX_STRETCH = 5
_SETTLED = 5e-4
"""A response has settled when it stays this near to its end value, as a share of the driver's largest."""
_RISE_SIGMAS = 2.5631031
"""10 to 90 % of a Gaussian edge, in standard deviations."""

Floats = NDArray[np.floating[Any]]


class StepResponse(NamedTuple):
    """Volts at a point for a unit edge whose middle leaves the driver at time 0.

    `times_s` rises evenly from just before 0. Before it the response is 0, after it the last value holds.
    """

    times_s: Floats
    volts: Floats

    @property
    def settled_s(self) -> float:
        """From when on nothing changes any more."""
        return float(self.times_s[-1])

    def at(self, times_s: Floats) -> Floats:
        """Volts at any instants, straight lines between the points."""
        first = self.times_s[0]
        place = (times_s - first) * (1.0 / (self.times_s[1] - first))
        np.clip(place, 0.0, len(self.times_s) - 1.000001, out=place)
        lower = place.astype(np.intp)
        place -= lower
        start = self.volts[lower]
        return np.asarray(start + place * (self.volts[lower + 1] - start))

    def times(self, factor: float) -> StepResponse:
        """The same, `factor` times as high."""
        return StepResponse(self.times_s, self.volts * factor)


class Network(NamedTuple):
    """A tree of cable runs with a conductance across the pair at each joint."""

    cable: Cable
    joints: int
    runs: tuple[Run, ...]
    siemens: Floats

    def outward(self, root: int) -> Iterator[tuple[int, int, float]]:
        """(near joint, far joint, metres) of each run, every run after the one that leads to it."""
        reached = [root]
        seen = {root}
        for joint in reached:
            for run in self.runs:
                for near, far in ((run.start, run.end), (run.end, run.start)):
                    if near == joint and far not in seen:
                        seen.add(far)
                        reached.append(far)
                        yield near, far, run.length_m

    def spectra(self, root: int, source_ohm: float | None, laplace: Spectrum) -> list[Spectrum]:
        """Voltage at each joint for 1 V behind `source_ohm` at `root`; for 1 A into it where `source_ohm` is None."""
        gamma, impedance = self.cable.travel(laplace)
        order = list(self.outward(root))
        loads = [np.full(laplace.shape, value, dtype=np.complex128) for value in self.siemens]
        through: dict[int, Spectrum] = {}
        for near, far, metres in reversed(order):
            once = np.exp(-gamma * metres)
            seen = impedance * loads[far]
            reflection = (1 - seen) / (1 + seen)
            back = reflection * once * once
            through[far] = (1 + reflection) * once / (1 + back)
            loads[near] += (1 - back) / (impedance * (1 + back))
        volts: list[Spectrum] = [loads[root]] * self.joints
        volts[root] = 1 / loads[root] if source_ohm is None else 1 / (1 + source_ohm * loads[root])
        for near, far, _ in order:
            volts[far] = volts[near] * through[far]
        return volts


def step_responses(
    network: Network, root: int, source_ohm: float | None, rise_s: float, finals: Floats
) -> list[StepResponse]:
    """The step response at each joint. `finals` are the direct-current levels on which they end (volts).

    Where nothing damps the pair, the response is cut at the longest time that is computed and then holds its end value.
    """
    reach = sum(run.length_m for run in network.runs) * network.cable.delay_s_per_m
    sigma = rise_s / _RISE_SIGMAS
    scale = float(np.max(np.abs(finals)))
    points, stretch = 512, 0
    while points * sigma / _SIGMA_STEPS < 2 * (12 * reach + 20 * sigma) and points < _MAX_POINTS:
        points *= 2
    while True:
        step = sigma / _SIGMA_STEPS
        curves = _invert(network, root, source_ohm, sigma, points)
        tail = slice(int(points * 0.4), points // 2)
        unsettled = max(float(np.max(np.abs(c[tail] - f))) for c, f in zip(curves, finals, strict=True))
        if unsettled <= _SETTLED * scale or (points == _MAX_POINTS and stretch == _MAX_STRETCH):
            break
        if points < _MAX_POINTS:
            points *= 2
        else:
            # A pair that rings for so long has lost its steep edges: coarser time steps lose nothing of it.
            sigma *= 2
            stretch += 1
    return [
        _trimmed(curve[: points // 2], final, step, -_LEAD_SIGMAS * sigma, _SETTLED * scale)
        for curve, final in zip(curves, finals, strict=True)
    ]


def plain_edge(rise_s: float, delay_s: float) -> StepResponse:
    """A Gaussian edge to 1 V whose middle comes after `delay_s`, without loss or reflections."""
    places = np.arange(-_LEAD_SIGMAS * _SIGMA_STEPS, _LEAD_SIGMAS * _SIGMA_STEPS + 1) / _SIGMA_STEPS
    volts = np.array([0.5 * math.erfc(-place / math.sqrt(2)) for place in places])
    volts[0], volts[-1] = 0.0, 1.0
    return StepResponse(delay_s + places * (rise_s / _RISE_SIGMAS), volts)


def _invert(network: Network, root: int, source_ohm: float | None, sigma: float, points: int) -> list[Floats]:
    step = sigma / _SIGMA_STEPS
    length = points * step
    damping = -np.log(_WRAP) / length
    laplace = damping + 2j * np.pi * np.fft.rfftfreq(points, step)
    edge = np.exp((laplace * sigma) ** 2 / 2 - laplace * (_LEAD_SIGMAS * sigma)) / laplace
    grow = np.exp(damping * step * np.arange(points)) / step
    return [np.fft.irfft(edge * one, points) * grow for one in network.spectra(root, source_ohm, laplace)]


def _trimmed(curve: Floats, final: float, step: float, start: float, near: float) -> StepResponse:
    moving = np.flatnonzero(np.abs(curve - final) > near)
    size = min(len(curve) - 1, int(moving[-1]) + 2 if len(moving) else 1)
    volts = np.append(curve[:size], final)
    volts[0] = 0.0
    return StepResponse(start + step * np.arange(size + 1), volts)
