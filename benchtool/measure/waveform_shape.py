"""The shape of an edge: many edges laid over each other, and what follows them.

A step travels to every mismatch and back, so the mean edge holds them all: a second step of the same sign after the way
there and back (an open far end seen at the driver), or ringing that turns its sign every such time. With velocity v,
an echo after t lies v * t / 2 away, and ringing of period T has a mismatch v * T / 4 away (sheet sections 1.5, 1.6).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchtool.measure.waveform_levels import Runs
from benchtool.measure.waveform_record import Floats, Waveform

LIGHT_M_PER_S = 299_792_458.0
_EDGES = 12
_POINTS = 1536
_LEAD = 48
"""Points before the edge."""
_SEEN = 0.035
"""Least share of the swing for an echo or a swing of the ringing."""
_SETTLED = 0.05
_STRETCHES = (1, 4, 12)
_SLOW_CLEAR = 1.3
_LONGEST_S = 16e-6
"""There and back on 1200 m, the longest pair (sheet 1.3), at half the speed of light."""
_LEAST_SAMPLES = 1.6
_REAL_STEP = 0.5
"""An edge of less than this share of the greatest one is none."""
_NOISY = 0.01
_NOISY_SAMPLES = 0.015


class Echo(NamedTuple):
    """A later step of the edge."""

    delay_s: float
    """After the edge itself."""
    share: float
    """Of the swing; negative: against the edge."""


class Shape(NamedTuple):
    """One talker's edge. Times in seconds, shares of the swing."""

    edge_s: float
    """10 to 90 % of the swing, the median edge."""
    limited: bool
    """The samples lie too far apart to say that it is not shorter."""
    overshoot: float
    """How far it goes beyond the level on which it settles."""
    undershoot: float
    """How far it comes back, after it first reached that level."""
    step_share: float
    """What comes with a later step of the same sign: 0.3 is a first step that stops at 70 %."""
    step_s: float | None
    """How much later."""
    ring_s: float | None
    """Period of the ringing."""
    settle_s: float
    """From the edge until it stays within 5 % of the swing."""
    echoes: tuple[Echo, ...]
    time_s: Floats
    """The mean edge: instants …"""
    level: Floats
    """… and its level, 0 before and 1 when settled."""


def edge_times(waveform: Waveform, starts: Floats, before: Floats, after: Floats, reach_s: Floats) -> Floats:
    """10 to 90 % time of each edge, in seconds: last passage of 10 % before the middle to first of 90 % after it.

    `starts`: when it passes the middle; `before`, `after`: its levels; `reach_s`: how far to look on both sides.
    NaN where a passage is not found.
    """
    time, volts = waveform.time_s, waveform.difference_v
    result = np.full(len(starts), np.nan)
    for place, at in enumerate(starts):
        low, high = np.searchsorted(time, (at - reach_s[place], at + reach_s[place]))
        middle = int(np.searchsorted(time, at))
        low, high = max(0, int(low) - 1), min(len(time), int(high) + 1)
        if not low < middle < high:
            continue
        share = (volts[low:high] - before[place]) / (after[place] - before[place])
        here = middle - low
        early = np.flatnonzero(share[:here] <= 0.1)
        late = np.flatnonzero(share[here:] >= 0.9)
        if len(early) and len(late):
            first, last = int(early[-1]), here + int(late[0])
            start = _passage(time[low + first : low + first + 2], share[first : first + 2], 0.1)
            end = _passage(time[low + last - 1 : low + last + 1], share[last - 1 : last + 1], 0.9)
            result[place] = end - start
    return result


def _passage(time: Floats, share: Floats, level: float) -> float:
    rise = float(share[1] - share[0])
    return float(time[0]) + (level - float(share[0])) / rise * float(time[1] - time[0]) if rise else float(time[0])


def find_shape(
    waveform: Waveform, runs: Runs, mine: npt.NDArray[np.bool_], bit_s: float, noise_v: float = 0.0
) -> Shape | None:
    """The mean edge that the runs `mine` begin with, and its figures; None with fewer than 2 edges."""
    follows = np.zeros_like(mine)
    follows[1:] = mine[1:] & (runs.burst[1:] == runs.burst[:-1]) & (runs.bits[1:] > 0.7) & (runs.bits[:-1] > 0.7)
    steps = np.abs(runs.level_v - np.roll(runs.level_v, 1))
    # Where two talk at once, levels change that are hardly apart: shares of those say nothing.
    least = _REAL_STEP * float(np.max(steps[follows], initial=0.0))
    chosen = np.flatnonzero(follows & (steps > max(1e-6, least)))
    if len(chosen) < 2:
        return None
    room = np.minimum(runs.bits[chosen - 1], 4) + 2 * np.minimum(np.nan_to_num(runs.bits[chosen], posinf=0.9), 4)
    swing = float(np.median(np.abs(runs.level_v[chosen] - runs.level_v[chosen - 1])))
    most = _EDGES if noise_v < _NOISY_SAMPLES * swing else 4 * _EDGES
    picked = np.sort(chosen[np.argsort(-room, kind="stable")[:most]])
    starts, before, after = runs.start_s[picked], runs.level_v[picked - 1], runs.level_v[picked]
    # After a burst's last edge only one bit is certain: then the driver may let go.
    ends = np.where(np.isfinite(runs.bits[picked]), np.minimum(runs.bits[picked], 9.0), 1.0) * bit_s
    widths = edge_times(
        waveform, starts, before, after, 0.9 * np.minimum(np.minimum(ends, runs.bits[picked - 1] * bit_s), bit_s)
    )
    known = widths[np.isfinite(widths)]
    edge = float(np.median(known)) if len(known) else bit_s
    sample = _local_step(waveform.time_s, starts)
    quick = _first_width(waveform, starts, before, after, min(edge, bit_s / 2))
    step = max(quick / 6, sample / 2, bit_s / 4096)
    grid = np.asarray((np.arange(_POINTS) - _LEAD) * step, dtype=np.float64)
    instants = starts[:, None] + grid
    share = np.interp(instants.ravel(), waveform.time_s, waveform.difference_v).reshape(instants.shape)
    share = (share - before[:, None]) / (after - before)[:, None]
    inside = grid[None, :] < ends[:, None] - max(0.08 * bit_s, quick)
    count = inside.sum(axis=0)
    # Where few edges still hold, the mean jumps as they drop out.
    usable = count >= max(1, min(3, len(picked)))
    usable[: _LEAD + 4] = True
    size = int(np.argmin(usable)) if not usable.all() else len(grid)
    mean = np.where(inside, share, 0.0)[:, :size].sum(axis=0) / np.maximum(1, count[:size])
    level = np.asarray(mean, dtype=np.float64)
    noise = _noise(level[:size], max(1, round(quick / step)))
    if noise > _NOISY:
        # Each edge by itself is lost in noise: take the mean one.
        edge = _mean_edge(grid[:size], _smoothed(level, max(1, round(quick / step / 2.563)))) or edge
    return _figures(grid[:size], level, step, quick, edge, sample, noise)


def _noise(level: Floats, lag: int) -> float:
    """Noise of the mean edge: before it, and by differences over its tail, whichever is more."""
    tail = level[_LEAD + 8 * lag :: lag]
    late = float(np.median(np.abs(np.diff(tail)))) / 0.954 if len(tail) > 8 else 0.0
    return max(float(np.std(level[: _LEAD // 2])), late)


def _mean_edge(grid: Floats, level: Floats) -> float | None:
    """10 to 90 % of the mean edge: the last 10 % before its middle, the first 90 % after it."""
    early = np.flatnonzero(level[:_LEAD] <= 0.1)
    late = np.flatnonzero(level[_LEAD:] >= 0.9)
    return float(grid[_LEAD + late[0]] - grid[early[-1]]) if len(early) and len(late) else None


def _local_step(time: Floats, starts: Floats) -> float:
    """Distance of the samples around the edges: the median over edges."""
    places = np.clip(np.searchsorted(time, starts), 1, len(time) - 1)
    return float(np.median(time[places] - time[places - 1]))


def _first_width(waveform: Waveform, starts: Floats, before: Floats, after: Floats, most_s: float) -> float:
    """How steep the edge is in its middle, as the 10 to 90 % time of a bell-shaped edge that steep."""
    time, volts = waveform.time_s, waveform.difference_v
    places = np.clip(np.searchsorted(time, starts), 1, len(time) - 1)
    slope = (volts[places] - volts[places - 1]) / (after - before) / (time[places] - time[places - 1])
    # With its sign: noise must not make an edge steeper.
    steep = float(np.median(slope))
    # The slope in the middle of a Gauss edge is 1 / (sigma sqrt(2 pi)), and 10 to 90 % takes 2.563 sigma.
    return min(most_s, 2.563 / (steep * np.sqrt(2 * np.pi))) if steep > 0 else most_s


def _figures(grid: Floats, level: Floats, step: float, quick: float, edge: float, sample: float, noise: float) -> Shape:
    width = max(1, round(quick / step / 2.563))
    smooth = _smoothed(level, width)
    seen = max(_SEEN, 4.5 * noise / np.sqrt(width))
    least = max(_SEEN / 4, 1.3 * seen if noise > _NOISY / 3 else 0.0)
    after = smooth[_LEAD:]
    overshoot = max(0.0, float(after.max()) - 1.0)
    reached = int(np.argmax(after >= 0.97))
    undershoot = max(0.0, 1.0 - float(after[reached:].min())) if after[reached] >= 0.97 else 0.0
    off = np.flatnonzero(np.abs(after - 1.0) > _SETTLED)
    settle = float(grid[_LEAD + int(off[-1])]) if len(off) else 0.0
    # Between samples too far apart, straight lines look like steps.
    clear = max(_SEEN, 7 * noise / np.sqrt(width))
    echoes: list[Echo] = []
    for stretch in _STRETCHES:
        # What comes back from far away has lost its steepness: look for slower steps where there are no quick ones.
        found = _echoes(grid, smooth, step, stretch * quick, clear * (1.0 if stretch == 1 else _SLOW_CLEAR))
        if found and found[0].delay_s < _LEAST_SAMPLES * sample:
            # The first is lost between the samples; a later one would give a wrong distance.
            break
        # Nearer than the stretch that slopes are taken over is the edge's own slow tail.
        least_s = 1.5 * stretch * quick if stretch > 1 else 0.0
        echoes = [echo for echo in found if least_s < echo.delay_s < _LONGEST_S]
        if echoes:
            break
    step_share = 0.0
    step_s: float | None = None
    ring: float | None = None
    # A small echo may come before the one that matters.
    least_echo = 0.5 * max((abs(echo.share) for echo in echoes), default=0.0)
    first = next((echo for echo in echoes if abs(echo.share) >= least_echo), None)
    if first is not None and first.share > 0:
        flat = smooth[(grid > quick) & (grid < first.delay_s - quick / 2)]
        stand = float(np.median(flat)) if len(flat) else 1.0 - first.share
        if stand < 1.0 - seen:
            step_share, step_s = 1.0 - stand, first.delay_s
    if first is not None:
        # A matched driver sends nothing back: one echo against the edge still tells how far, but nothing rings.
        ring = 2 * first.delay_s if first.share < 0 else None
    elif overshoot > 2 * seen:
        ring = _ring(grid[_LEAD:], after - 1.0, seen, quick)
        # What is as long as the view is a slope, and no ringing.
        ring = None if ring is None or ring > min(2 * _LONGEST_S, 0.5 * float(grid[-1])) else ring
    return Shape(
        edge,
        edge < 2.2 * sample,
        overshoot if overshoot > least else 0.0,
        undershoot if undershoot > least else 0.0,
        step_share,
        step_s,
        ring,
        settle,
        tuple(echoes),
        grid,
        level,
    )


def _smoothed(values: Floats, width: int) -> Floats:
    if width < 2:
        return values
    padded = np.concatenate((np.full(width, values[0]), values, np.full(width, values[-1])))
    run = np.cumsum(padded)
    mean = (run[width:] - run[:-width]) / width
    start = width - (width + 1) // 2
    return np.asarray(mean[start : start + len(values)])


def _echoes(grid: Floats, smooth: Floats, step: float, quick: float, seen: float) -> list[Echo]:
    """Later steps: lobes of the slope, cut where it turns its sign or falls to half of the lower neighbour."""
    lag = max(1, round(quick / step))
    slope = np.zeros(len(smooth))
    slope[lag // 2 : lag // 2 + len(smooth) - lag] = smooth[lag:] - smooth[:-lag]
    peaks = _peaks(np.abs(slope), seen * 0.7)
    main = min(peaks, key=lambda place: abs(place - _LEAD), default=_LEAD)
    found = []
    for number, place in enumerate(peaks):
        if place <= main:
            continue
        left = (peaks[number - 1] + place) // 2 if number else 0
        right = (place + peaks[number + 1]) // 2 if number + 1 < len(peaks) else min(len(smooth) - 1, place + 2 * lag)
        share = float(smooth[min(right, place + 3 * lag)] - smooth[max(left, place - 3 * lag)])
        if abs(share) >= seen and share * slope[place] > 0:
            found.append(Echo(float(grid[place] - grid[main]), share))
    return found[:8]


def _peaks(height: Floats, least: float) -> list[int]:
    """Places of separate peaks: between two, the height falls below half of the lower."""
    over = height > least
    found: list[int] = []
    bounds = np.flatnonzero(np.diff(np.concatenate(([0], over.view(np.int8), [0]))))
    for start, end in zip(bounds[::2], bounds[1::2], strict=True):
        _split(height, int(start), int(end), found, 4)
    return found


def _split(height: Floats, start: int, end: int, found: list[int], depth: int) -> None:
    """Add the peaks of one stretch in order."""
    if end <= start:
        return
    top = start + int(np.argmax(height[start:end]))
    before, after = _other(height, start, top, True), _other(height, top + 1, end, False)
    if before is not None and depth:
        _split(height, start, before, found, depth - 1)
    found.append(top)
    if after is not None and depth:
        _split(height, after, end, found, depth - 1)


def _other(height: Floats, start: int, end: int, left: bool) -> int | None:
    """Where a second peak is cut off on one side of the top; None where there is none."""
    part = height[start:end]
    if len(part) < 3:
        return None
    # Running least from the top outwards; a peak beyond must rise to twice that.
    outwards = part[::-1] if left else part
    least = np.minimum.accumulate(outwards)
    rise = outwards > 2 * least
    if not rise.any():
        return None
    beyond = int(np.argmax(rise))
    cut = int(np.argmin(outwards[: beyond + 1]))
    return end - cut if left else start + cut


def _ring(time: Floats, off: Floats, seen: float, quick: float) -> float | None:
    """Period of a swinging about 0: twice the median time between swings of alternate sign; None with fewer than 2."""
    begun = int(np.argmax(off > -seen)) if (off > -seen).any() else len(off)
    signs = np.where(off > seen, 1, np.where(off < -seen, -1, 0))
    signs[:begun] = 0
    places = np.flatnonzero(signs)
    if len(places) < 2:
        return None
    turned = np.flatnonzero(np.diff(signs[places])) + 1
    swings = np.split(places, turned)
    if len(swings) < 2 or signs[swings[0][0]] < 0:
        return None
    # A swing's place is where its area has its middle: plateaus have no peak.
    middles = []
    for swing in swings[:8]:
        weight = np.abs(off[swing])
        middles.append(float(time[swing] @ weight / weight.sum()))
    halves = np.diff(middles)
    halves = halves[halves > quick / 4]
    return 2 * float(np.median(halves[:4])) if len(halves) else None
