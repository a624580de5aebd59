"""Levels out of a waveform: each run's plateau, the talkers that these belong to, idle and what surrounds a burst.

A plateau is read late in the run's last bit, when reflections have died down as far as they will. Two talkers are told
apart by their levels: a far driver comes lower, and with another common mode; else by their clocks.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchtool.measure.waveform_baud import find_bits
from benchtool.measure.waveform_octets import Burst
from benchtool.measure.waveform_record import Floats, Waveform
from benchtool.measure.waveform_slicing import clipped_deviation, quantiles, time_weights

_INSTANTS = np.linspace(-0.45, -0.08, 8)
"""Where a plateau is read, in bits from the end of the run."""
_EARLY = np.linspace(0.5, 0.9, 8)
"""The same for a run whose end nobody knows: in bits from its start."""
_MOST_BITS = 9.5
_TRIMMED = 0.12
"""Noise of the idle level lies within this share of the record's whole range."""
_NEAR_REST = 0.05
"""So near to the idle level, as a share of the record's whole range, it still is that level."""
_HELD_MOSTLY = 0.9
_HELD_SHARE = 0.1
_REST_BINS = 48
_AFTER_RELEASE = 1.0
_LEAST_REST_BITS = 6.0
_REST_BITS = 11.0
"""From the last edge of a burst on, a character may still last so long."""


class Runs(NamedTuple):
    """What lies between edges inside bursts, and after each burst's last edge. Arrays of one length."""

    start_s: Floats
    end_s: Floats
    high: npt.NDArray[np.bool_]
    """As the leads give it."""
    bits: Floats
    """Length in bits; infinite after a burst's last edge."""
    level_v: Floats
    common_v: Floats
    """NaN where it was not recorded."""
    burst: npt.NDArray[np.int64]


def find_runs(
    waveform: Waveform, edges: Floats, rises: npt.NDArray[np.bool_], bursts: list[Burst], bit_s: float
) -> Runs:
    """Runs with their plateaus."""
    ends = np.append(edges[1:], np.inf)
    burst_of = np.full(len(edges), -1, dtype=np.int64)
    for place, burst in enumerate(bursts):
        burst_of[burst.first : burst.end] = place
        ends[burst.end - 1] = np.inf
    held = burst_of >= 0
    edges, ends, rises, burst_of = edges[held], ends[held], rises[held], burst_of[held]
    bits = (ends - edges) / bit_s
    known = bits < _MOST_BITS
    instants = np.where(
        known[:, None],
        np.where(known, ends, 0.0)[:, None] + _INSTANTS * bit_s,
        edges[:, None] + _EARLY * bit_s,
    )
    # Bits so short that the window lies before the run: its middle.
    instants = np.maximum(instants, edges[:, None] + 0.4 * np.minimum(bits, 1.0)[:, None] * bit_s)
    flat = instants.ravel()
    level = np.median(np.interp(flat, waveform.time_s, waveform.difference_v).reshape(instants.shape), axis=1)
    common = np.full(len(edges), np.nan)
    if waveform.common_v is not None:
        common = np.median(np.interp(flat, waveform.time_s, waveform.common_v).reshape(instants.shape), axis=1)
    return Runs(edges, ends, rises, bits, level, common, burst_of)


class Talker(NamedTuple):
    """Bursts of like levels: most probably one driver."""

    mark_v: float
    space_v: float
    common_v: float | None
    """Mean of mark and space against the probes' ground."""
    reversed_pair: bool
    bursts: tuple[int, ...]
    octets: int

    @property
    def swing_v(self) -> float:
        """From space to mark; never negative."""
        return abs(self.mark_v - self.space_v)


class _Rate(NamedTuple):
    bit_s: float
    error_s: float
    """Standard deviation of it."""


_SAME_RATE = 0.012
"""Two bursts whose rates differ by more than this, and by five standard deviations, come from two clocks."""
_LEAST_RATE_RUNS = 8


def _rate(runs: Runs, part: slice, bit_s: float) -> _Rate | None:
    """The bit length of one burst; None where it has too few runs."""
    held = np.isfinite(runs.bits[part])
    bits = find_bits((runs.end_s - runs.start_s)[part][held], runs.high[part][held], bit_s)
    if bits is None or bits.runs < _LEAST_RATE_RUNS:
        return None
    # Each run is at least a bit long, and two edges make its error.
    return _Rate(bits.bit_s, max(bits.jitter_s, 1e-12) * np.sqrt(2 / bits.runs))


def _same_clock(one: _Rate | None, other: _Rate | None) -> bool:
    if one is None or other is None:
        return True
    apart = abs(one.bit_s - other.bit_s)
    return apart < _SAME_RATE * one.bit_s or apart < 5 * float(np.hypot(one.error_s, other.error_s))


class _Group(NamedTuple):
    mark: float
    space: float
    common: float
    reversed_pair: bool
    rate: _Rate | None
    members: list[int]


def find_talkers(runs: Runs, bursts: list[Burst], noise_v: float, bit_s: float) -> tuple[Talker, ...]:
    """Talkers, the one with most octets first. Bursts of one edge belong to nobody."""
    groups: list[_Group] = []
    marks = runs.high != np.array([burst.reversed_pair for burst in bursts], dtype=np.bool_)[runs.burst]
    inner = np.isfinite(runs.bits)
    cuts = np.searchsorted(runs.burst, np.arange(len(bursts) + 1))
    bounds = [slice(int(start), int(end)) for start, end in pairwise(cuts)]
    for place, burst in enumerate(bursts):
        part = bounds[place]
        mark, held = marks[part], inner[part]
        level, common = runs.level_v[part], runs.common_v[part]
        steady = held if (mark & held).any() else np.ones_like(held)
        if not (mark & steady).any() or mark.all():
            continue
        mark_v, space_v = float(np.median(level[mark & steady])), float(np.median(level[~mark]))
        common_v = (float(np.median(common[mark & steady])) + float(np.median(common[~mark]))) / 2
        count = max(1, min(int((mark & steady).sum()), int((~mark).sum())))
        slack = 0.03 * abs(mark_v - space_v) + 0.02 + 4 * noise_v / np.sqrt(count)
        rate = _rate(runs, part, bit_s)
        for group in groups:
            if (
                group.reversed_pair == burst.reversed_pair
                and abs(group.mark - mark_v) < slack
                and abs(group.space - space_v) < slack
                and not abs(group.common - common_v) > 2 * slack
                and _same_clock(group.rate, rate)
            ):
                group.members.append(place)
                break
        else:
            groups.append(_Group(mark_v, space_v, common_v, burst.reversed_pair, rate, [place]))
    talkers = []
    for group in groups:
        mine = np.isin(runs.burst, group.members)
        mark_runs, space_runs = mine & marks & inner, mine & ~marks
        if not mark_runs.any():
            mark_runs = mine & marks
        mark_v, space_v = float(np.median(runs.level_v[mark_runs])), float(np.median(runs.level_v[space_runs]))
        common_v = (float(np.median(runs.common_v[mark_runs])) + float(np.median(runs.common_v[space_runs]))) / 2
        octets = sum(len(bursts[member].octets) for member in group.members)
        talkers.append(
            Talker(
                mark_v,
                space_v,
                None if np.isnan(common_v) else common_v,
                group.reversed_pair,
                tuple(group.members),
                octets,
            )
        )
    return tuple(sorted(talkers, key=lambda talker: (-talker.octets, -talker.swing_v)))


class Idle(NamedTuple):
    """The pair with nobody talking. Volts; None where the record has no such time (or no common mode)."""

    level_v: float | None
    noise_v: float | None
    common_v: float | None
    seconds: float
    spans: tuple[tuple[float, float], ...]
    """When, in seconds of the record."""


def find_idle(
    waveform: Waveform, bursts: list[Burst], edges: Floats, bit_s: float | None, *, whole: bool = False
) -> Idle:
    """Level and noise of the silences, each without its first 11 bits and its last one, and without what is driven.

    `whole`: the spans are the silences as they are, with whatever weak talk or held mark there is in them.
    """
    time, volts = waveform.time_s, waveform.difference_v
    spans = []
    if bit_s is None or not bursts:
        spans = [(float(time[0]), float(time[-1]))]
    else:
        begun = float(time[0])
        for burst in bursts:
            spans.append((begun, float(edges[burst.first]) - bit_s))
            begun = float(edges[burst.end - 1]) + _REST_BITS * bit_s
        spans.append((begun, float(time[-1])))
        # In a shorter pause the driver may well hold mark.
        spans = [(start, end) for start, end in spans if end - start > _LEAST_REST_BITS * bit_s]
    if not spans:
        return Idle(None, None, None, 0.0, ())
    silences = spans
    spans = _at_rest(time, volts, spans, bit_s)
    bounds = np.searchsorted(time, np.array(spans))
    chosen = _ranges(bounds[:, 0], bounds[:, 1])
    seconds = sum(end - start for start, end in spans)
    shown = tuple(silences if whole else spans)
    if len(chosen) < 3:
        middles = np.array([(start + end) / 2 for start, end in spans])
        level = float(np.median(np.interp(middles, time, volts)))
        common = None if waveform.common_v is None else float(np.median(np.interp(middles, time, waveform.common_v)))
        return Idle(level, None, common, seconds, shown)
    weights = time_weights(time)[chosen]
    held = volts[chosen]
    level = _level(held, weights)
    noise = clipped_deviation(held - level)
    common = None
    if waveform.common_v is not None:
        common = _level(waveform.common_v[chosen], weights)
    return Idle(level, noise, common, seconds, shown)


def _at_rest(
    time: Floats, volts: Floats, spans: list[tuple[float, float]], bit_s: float | None
) -> list[tuple[float, float]]:
    """Spans without what is driven in them: a driver held after its burst, enabled before the next, or weak talk."""
    if bit_s is None:
        return spans
    bounds = np.searchsorted(time, np.array(spans))
    chosen = _ranges(bounds[:, 0], bounds[:, 1])
    if len(chosen) < 3:
        return spans
    span_v = float(np.ptp(volts))
    level = _rest_level(volts[chosen], time_weights(time)[chosen], span_v)
    off = volts[chosen] - level
    reach = max(6 * clipped_deviation(off[np.abs(off) < _TRIMMED * span_v]), _NEAR_REST * span_v)
    kept = []
    for (start, end), (low, high) in zip(spans, bounds, strict=True):
        near = np.flatnonzero(np.abs(volts[low:high] - level) < reach)
        if not len(near):
            continue
        # An impulse is shorter than what is driven; and samples may lie far apart.
        cuts = np.flatnonzero((np.diff(near) > 1) & (np.diff(time[low + near]) > _LEAST_REST_BITS * bit_s))
        firsts, lasts = [0, *(cuts + 1).tolist()], [*cuts.tolist(), len(near) - 1]
        for first, last in zip(firsts, lasts, strict=True):
            # Where it was near to the level all along, the span stays as it is.
            begun = start if near[first] == 0 else float(time[low + near[first]]) + _AFTER_RELEASE * bit_s
            ended = end if near[last] == high - low - 1 else float(time[low + near[last]]) - 0.1 * bit_s
            if ended > begun and (ended - begun > _LEAST_REST_BITS * bit_s / 2 or len(cuts) == 0):
                kept.append((begun, ended))
    return kept or spans


def _rest_level(held: Floats, weights: Floats, span_v: float) -> float:
    """The level of the silences: the one that is held, or of several the one next to 0 V.

    A driver that holds mark for long would else be taken for silence.
    """
    (level,) = quantiles(held, weights, (0.5,))
    total = float(weights.sum())
    if float(weights[np.abs(held - level) < _NEAR_REST * span_v].sum()) > _HELD_MOSTLY * total:
        return level
    low, high = float(held.min()), float(held.max())
    shares, bounds = np.histogram(held, bins=_REST_BINS, range=(low, high), weights=weights)
    several = np.convolve(shares, np.ones(3), mode="same") > _HELD_SHARE * total
    if not several.any() or high <= low:
        return level
    middles = (bounds[1:] + bounds[:-1]) / 2
    places = np.flatnonzero(several & (shares > 0))
    inner = places[np.argmin(np.abs(middles[places]))]
    near = np.abs(held - middles[inner]) < 1.5 * (bounds[1] - bounds[0])
    return quantiles(held[near], weights[near], (0.5,))[0]


def _level(volts: Floats, weights: Floats) -> float:
    """The level that is held longest: median, then the mean of what lies near it."""
    (middle,) = quantiles(volts, weights, (0.5,))
    reach = max(3 * clipped_deviation(volts - middle), 1e-3)
    near = np.abs(volts - middle) <= reach
    total = float(weights[near].sum())
    return float(volts[near] @ weights[near]) / total if total > 0 else middle


def _ranges(starts: npt.NDArray[np.int64], ends: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """All places from each start up to before its end, in one array."""
    return np.concatenate([np.arange(start, end) for start, end in zip(starts, ends, strict=True)])
