"""Where a waveform changes between its two driven levels, whatever these are: edges, and the runs between them.

The two levels are looked for in what the record does away from its resting level, so that a short burst in a long
silence counts as much as a record full of traffic. A comparator with hysteresis about their middle finds the edges: an
idle level between the two changes nothing, as in a receiver.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchtool.measure.waveform_record import Floats, Waveform

_BINS = 2048
HYSTERESIS = 0.28
"""Half of it, as a share of half the swing: contention and idle lie inside, a talker of a third outside."""
_FREE = 0.75
"""A run of which more than this share lies between the levels is not driven."""
_LEAST_SWING_V = 0.03
_LEAST_SIGMAS = 8.0


class Slices(NamedTuple):
    """Edges of a waveform, in order of time."""

    high_v: float
    low_v: float
    """The two driven levels, roughly."""
    edge_s: Floats
    """When the voltage passes the middle between them."""
    rises: npt.NDArray[np.bool_]
    """Whether it rises there; edges alternate."""
    noise_v: float
    """Standard deviation about it, roughly."""

    @property
    def middle_v(self) -> float:
        """Between the two levels."""
        return (self.high_v + self.low_v) / 2

    @property
    def half_v(self) -> float:
        """Half the swing."""
        return (self.high_v - self.low_v) / 2


def time_weights(time_s: Floats) -> Floats:
    """How long each sample stands for: half way to both neighbours."""
    weights = np.empty(len(time_s))
    weights[0], weights[-1] = time_s[1] - time_s[0], time_s[-1] - time_s[-2]
    np.subtract(time_s[2:], time_s[:-2], out=weights[1:-1])
    weights /= 2
    return weights


def quantiles(volts: Floats, weights: Floats, shares: tuple[float, ...]) -> list[float]:
    """Weighted quantiles from a histogram of 2048 bins between the extremes."""
    low, high = float(volts.min()), float(volts.max())
    if high <= low:
        return [low] * len(shares)
    scale = _BINS / (high - low)
    held = np.bincount(np.minimum(((volts - low) * scale).astype(np.int64), _BINS - 1), weights, _BINS)
    run = np.cumsum(held)
    places = np.searchsorted(run, np.asarray(shares) * run[-1])
    return [low + (float(place) + 0.5) / scale for place in places]


def slice_waveform(waveform: Waveform) -> Slices:
    """Levels and edges. Without anything like two levels there are no edges, and both levels are the resting one."""
    time, volts = waveform.time_s, waveform.difference_v
    weights = time_weights(time)
    (rest,) = quantiles(volts, weights, (0.5,))
    span = float(volts.max() - volts.min())
    near = np.abs(volts - rest) < max(0.12 * span, 1e-9)
    calm = volts[near]
    noise = clipped_deviation(calm - np.median(calm))
    band = max(0.1 * span, min(_LEAST_SIGMAS * noise, 0.3 * span))
    away = np.abs(volts - rest) > band
    none = Slices(rest, rest, np.empty(0), np.empty(0, dtype=np.bool_), noise)
    if not away.any():
        return none
    above, below = away & (volts > rest), away & (volts < rest)
    tops = quantiles(volts[above], weights[above], (0.5,))[0] if above.any() else rest
    bottoms = quantiles(volts[below], weights[below], (0.5,))[0] if below.any() else rest
    if above.any() and below.any():
        # Ringing or impulses on one side of the rest are no level: what is held for long is.
        up, down = float(weights[above].sum()), float(weights[below].sum())
        if up < 0.04 * down:
            tops = rest
        elif down < 0.04 * up:
            bottoms = rest
    if tops - bottoms < max(_LEAST_SWING_V, _LEAST_SIGMAS * noise * 0.75):
        return none
    edges, rises = find_edges(time, volts, (tops + bottoms) / 2, HYSTERESIS * (tops - bottoms) / 2)
    return Slices(tops, bottoms, edges, rises, noise)


def clipped_deviation(values: Floats) -> float:
    """Root mean square without outliers: those beyond 4 of it, twice."""
    deviation = float(np.sqrt(np.mean(np.square(values)))) if len(values) else 0.0
    for _ in range(2):
        kept = values[np.abs(values) <= 4 * deviation]
        if not len(kept):
            break
        deviation = float(np.sqrt(np.mean(np.square(kept))))
    return deviation


def find_edges(
    time: Floats, volts: Floats, middle: float, half: float, *, let_go: bool = False
) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Instants at which the voltage passes `middle` on its way through both `middle - half` and `middle + half`.

    `let_go`: what is latched by an impulse ends when the impulse does (see `_let_go`).
    """
    offset = volts - middle
    up, down = offset > half, offset < -half
    decided = np.flatnonzero(up | down)
    if len(decided) < 2:
        return np.empty(0), np.empty(0, dtype=np.bool_)
    states = up[decided]
    turned = np.flatnonzero(states[1:] != states[:-1]) + 1
    rises = states[turned]
    # The last sample on the old side of the middle, before the one that decided.
    places = np.arange(len(volts))
    last_low = np.maximum.accumulate(np.where(offset <= 0, places, -1))
    last_high = np.maximum.accumulate(np.where(offset > 0, places, -1))
    after = decided[turned]
    before = np.where(rises, last_low[after], last_high[after])
    first, second = offset[before], offset[before + 1]
    share = np.where(second != first, -first / np.where(second != first, second - first, 1.0), 0.5)
    edges = time[before] + share * (time[before + 1] - time[before])
    if not let_go:
        return edges, rises
    held = decided[np.append(turned[1:], len(decided)) - 1]
    return _let_go(edges, rises, time[np.minimum(held + 1, len(time) - 1)], float(time[-1]))


def _let_go(
    edges: Floats, rises: npt.NDArray[np.bool_], held_s: Floats, end_s: float
) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """What an impulse latched, or the ringing of a driver that lets go, ends where it was left.

    `held_s`: until when each edge's level was really held. Where most of a run is spent between the levels, nobody
    drives it; bursts end at mark, so that the side on which most of these runs lie is mark.
    """
    if len(edges) < 2:
        return edges, rises
    ends = np.append(edges[1:], end_s)
    free = (ends - held_s) > _FREE * (ends - edges)
    if not free.any():
        return edges, rises
    mark = bool((free & rises).sum() >= (free & ~rises).sum())
    latched = free & (rises != mark)
    if not latched.any():
        return edges, rises
    # The edge that ends a latched run comes earlier; the last run has none, and gets one.
    moved = edges.copy()
    places = np.flatnonzero(latched[:-1])
    moved[places + 1] = np.maximum(held_s[places], edges[places])
    if latched[-1]:
        moved, rises = np.append(moved, max(held_s[-1], edges[-1])), np.append(rises, mark)
    return moved, rises


def without_glitches(
    edges: Floats, rises: npt.NDArray[np.bool_], least_s: float
) -> tuple[Floats, npt.NDArray[np.bool_], int]:
    """Edges without runs shorter than `least_s`, shortest first; and how many runs were taken out."""
    removed = 0
    while len(edges) > 1:
        lengths = np.diff(edges)
        around = np.concatenate(([np.inf], lengths, [np.inf]))
        # Those that are shorter than both neighbours, all at once: they share no edge.
        least = (lengths < least_s) & (lengths <= around[:-2]) & (lengths < around[2:])
        if not least.any():
            break
        kept = np.ones(len(edges), dtype=np.bool_)
        kept[:-1][least] = False
        kept[1:][least] = False
        edges, rises = edges[kept], rises[kept]
        removed += int(least.sum())
    return edges, rises, removed
