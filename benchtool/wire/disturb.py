"""Noise as a receiver's input has it: drawn for a row of its ticks, Gaussian, in bursts at random, and with the mains.

A mains' zero crossings are at multiples of half a period of its clock.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from benchtool.wire.parts import Noise
from benchtool.wire.response import Floats

_JITTERS = 5.0


class Bursts(NamedTuple):
    """Starts in order, in seconds from the first of a row of ticks, and heights, of one sort of bursts."""

    starts_s: Floats
    heights_v: Sequence[float] | Floats
    lasts_s: float

    def add(self, volts: Floats, from_s: float, tick_s: float) -> None:
        """Add what lies on a row of ticks whose first is at `from_s`."""
        first, last = np.searchsorted(self.starts_s, (from_s - self.lasts_s, from_s + len(volts) * tick_s))
        for place in range(int(first), int(last)):
            start = float(self.starts_s[place]) - from_s
            begin, end = math.ceil(start / tick_s), math.ceil((start + self.lasts_s) / tick_s)
            volts[max(0, begin) : max(0, end)] += self.heights_v[place]


_NONE = Bursts(np.empty(0), (), 0.0)


def signs(count: int, height_v: float, rng: np.random.Generator) -> list[float]:
    """Heights of either sign."""
    return [height_v if rng.random() < 0.5 else -height_v for _ in range(count)]


def mains_bursts(noise: Noise, t_s: float, lasts_s: float, rng: np.random.Generator) -> Bursts:
    """The mains' bursts that reach into a stretch which begins at `t_s` of the mains' clock and lasts `lasts_s`.

    Half waves are of either sign in turn, and so are the bursts at their ends.
    """
    if not noise.has_mains:
        return _NONE
    half_s = 0.5 / noise.mains_hz
    slack = _JITTERS * noise.mains_jitter_s
    first = math.ceil((t_s - noise.mains_s - slack) / half_s)
    after = math.floor((t_s + lasts_s + slack) / half_s) + 1
    if first >= after:
        return _NONE
    crossings = np.arange(first, after)
    starts = crossings * half_s - t_s + rng.standard_normal(len(crossings)) * noise.mains_jitter_s
    order = np.argsort(starts)
    inside = order[(starts[order] > -noise.mains_s) & (starts[order] < lasts_s)]
    heights = np.where(crossings % 2, -noise.mains_v, noise.mains_v)
    return Bursts(starts[inside], heights[inside], noise.mains_s)


class Disturbance(NamedTuple):
    """The bursts that were drawn for a row of ticks."""

    impulses: int
    mains: Bursts

    def onto(self, volts: Floats, noise: Noise, tick_s: float, rng: np.random.Generator) -> Floats:
        """The voltages with Gaussian noise and these bursts."""
        result = volts + rng.standard_normal(len(volts)) * noise.rms_v if noise.rms_v else volts.copy()
        starts = rng.uniform(-noise.impulse_s, len(volts) * tick_s, self.impulses)
        heights = signs(self.impulses, noise.impulse_v, rng)
        order = np.argsort(starts)
        Bursts(starts[order], [heights[place] for place in order], noise.impulse_s).add(result, 0.0, tick_s)
        self.mains.add(result, 0.0, tick_s)
        return result


def draw(noise: Noise, t_s: float, lasts_s: float, rng: np.random.Generator) -> Disturbance:
    """How many bursts fall on a row of ticks that begins at `t_s` of the mains' clock, and those of the mains."""
    impulses = int(rng.poisson(noise.impulse_rate_hz * (lasts_s + noise.impulse_s))) if noise.has_impulses else 0
    return Disturbance(impulses, mains_bursts(noise, t_s, lasts_s, rng))
