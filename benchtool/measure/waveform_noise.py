"""What lies on a waveform's levels: noise, impulses, mains hum.

It is looked for where the level should stand still: in the silences, and late in each bit.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchtool.measure.waveform_levels import Idle, Runs
from benchtool.measure.waveform_record import Floats, Waveform
from benchtool.measure.waveform_slicing import clipped_deviation

_IMPULSE_SIGMAS = 7.0
_LEAST_IMPULSE_V = 0.12
_RINGING = 0.12
_MAINS_HZ = (50.0, 60.0)
_HUM_POINTS = 4000
_LEAST_PERIODS = 0.9
_LEAST_WINDOW = 6
"""With fewer samples in it, every excursion reaches an end."""
_LEAST_LOCKED = 8
_LEAST_LOCKED_S = 0.04
"""Four half periods of 50 Hz: in less, what comes a few times at even distances seems locked to anything."""


class Stray(NamedTuple):
    """Noise figures. Volts, seconds, hertz; None where the record cannot tell."""

    driven_v: float | None
    """Root mean square late in the bits, about each run's own level."""
    impulses: int
    """Excursions beyond 7 of that, or of the idle noise."""
    impulse_v: float
    """The highest, as a magnitude above the level."""
    impulse_s: float
    """Median length."""
    watched_s: float
    """Time in which impulses could be seen."""
    mains_hz: float | None
    """50 or 60, whichever is stronger."""
    hum_v: float | None
    """Amplitude at that frequency between the wires, in the silences."""
    hum_common_v: float | None
    """The same of both wires against ground."""
    mains_locked: float | None
    """How far the impulses keep to the phase of 100 or 120 a second: 0 chance, 1 locked.

    None where that cannot be told: fewer than 8 impulses, or less than 4 half periods from the first to the last.
    """


def find_stray(waveform: Waveform, runs: Runs | None, idle: Idle, bit_s: float | None) -> Stray:
    """All of it."""
    time, volts = waveform.time_s, waveform.difference_v
    off, places, driven, windows = _driven(time, volts, runs, bit_s)
    watched = idle.seconds
    deviation = None
    if len(off):
        deviation = driven
        watched += 0.37 * (bit_s or 0.0) * (0 if runs is None else len(runs.start_s))
    idle_places = _inside(time, idle.spans)
    idle_off = volts[idle_places] - (idle.level_v or 0.0)
    loudest = max(idle.noise_v or 0.0, deviation or 0.0)
    least = max(_IMPULSE_SIGMAS * loudest, _LEAST_IMPULSE_V)
    # Late in a bit, ringing may be left.
    driven_hits = _within(np.abs(off) > max(least, _RINGING * _swing(runs)), windows)
    idle_hits = np.abs(idle_off) > least
    hits = np.concatenate((places[driven_hits], idle_places[idle_hits]))
    heights = np.concatenate((np.abs(off)[driven_hits], np.abs(idle_off)[idle_hits]))
    order = np.argsort(hits)
    hits, heights = hits[order], heights[order]
    count, lengths, instants = _clusters(time, hits)
    hum = _hum(time[idle_places], volts[idle_places])
    both = None
    if waveform.common_v is not None:
        # Talkers shift the common mode too: the silences are better, if they are long enough.
        both = _hum(time[idle_places], waveform.common_v[idle_places]) or _hum(time, waveform.common_v)
    strongest = both if both is not None and (hum is None or both[1] > hum[1]) else hum
    return Stray(
        deviation,
        count,
        float(heights.max()) if len(heights) else 0.0,
        float(np.median(lengths)) if len(lengths) else 0.0,
        watched,
        None if strongest is None else strongest[0],
        None if hum is None else hum[1],
        None if both is None else both[1],
        _locked(instants),
    )


def _swing(runs: Runs | None) -> float:
    if runs is None or not runs.high.any() or runs.high.all():
        return 0.0
    return float(np.median(runs.level_v[runs.high]) - np.median(runs.level_v[~runs.high]))


def _driven(
    time: Floats, volts: Floats, runs: Runs | None, bit_s: float | None
) -> tuple[Floats, npt.NDArray[np.int64], float, npt.NDArray[np.int64]]:
    """Samples late in each run's last bit (or first, where the end is unknown), less the run's level.

    And their places, their deviation, the number of samples of each run.
    """
    empty = np.empty(0), np.empty(0, dtype=np.int64), 0.0, np.empty(0, dtype=np.int64)
    if runs is None or bit_s is None or not len(runs.start_s):
        return empty
    known = runs.bits < 9.5
    ends = np.where(known, np.nan_to_num(runs.end_s, posinf=0.0) - 0.08 * bit_s, runs.start_s + 0.8 * bit_s)
    starts = np.maximum(ends - 0.37 * bit_s, runs.start_s + 0.4 * bit_s * np.minimum(runs.bits, 1.0))
    first, last = np.searchsorted(time, starts), np.searchsorted(time, ends)
    counts = np.maximum(0, last - first)
    if not counts.sum():
        return empty
    places = np.repeat(first - np.concatenate(([0], np.cumsum(counts)[:-1])), counts) + np.arange(int(counts.sum()))
    off = volts[places] - np.repeat(runs.level_v, counts)
    return off, places, clipped_deviation(off), counts[counts > 0]


def _within(hits: npt.NDArray[np.bool_], windows: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Hits without those that go on to an end of their window: that is an edge, slow or of somebody else's talk."""
    ends = np.cumsum(windows)
    found = hits.copy()
    for place in np.unique(np.searchsorted(ends, np.flatnonzero(hits), side="right")):
        size = int(windows[place])
        if size < _LEAST_WINDOW:
            continue
        part = found[int(ends[place]) - size : int(ends[place])]
        quiet = np.flatnonzero(~part)
        first, last = (int(quiet[0]), int(quiet[-1])) if len(quiet) else (size, -1)
        part[:first] = False
        part[last + 1 :] = False
    return found


def _inside(time: Floats, spans: tuple[tuple[float, float], ...]) -> npt.NDArray[np.int64]:
    """Places of the samples in the spans."""
    if not spans:
        return np.empty(0, dtype=np.int64)
    bounds = np.searchsorted(time, np.array(spans))
    return np.concatenate([np.arange(start, end) for start, end in bounds])


def _clusters(time: Floats, hits: npt.NDArray[np.int64]) -> tuple[int, Floats, Floats]:
    """How many separate excursions, their lengths, when they began. Those closer than 5 samples are one."""
    if not len(hits):
        return 0, np.empty(0), np.empty(0)
    cuts = np.flatnonzero(np.diff(hits) > 5) + 1
    firsts = hits[np.concatenate(([0], cuts))]
    lasts = hits[np.concatenate((cuts - 1, [len(hits) - 1]))]
    following = np.minimum(lasts + 1, len(time) - 1)
    return len(firsts), time[following] - time[firsts], time[firsts]


def _hum(time: Floats, volts: Floats) -> tuple[float, float] | None:
    """Frequency and amplitude of the stronger of 50 and 60 Hz, by least squares; None if it lasts under a period."""
    if len(time) < 32 or time[-1] - time[0] < _LEAST_PERIODS / _MAINS_HZ[0]:
        return None
    thin = max(1, len(time) // _HUM_POINTS)
    instants, level = time[::thin] - time[0], volts[::thin]
    best = (0.0, -1.0)
    for frequency in _MAINS_HZ:
        angle = 2 * np.pi * frequency * instants
        basis = np.stack((np.cos(angle), np.sin(angle), np.ones_like(angle)), axis=1)
        fitted = np.linalg.lstsq(basis, level, rcond=None)[0]
        best = max(best, (float(np.hypot(fitted[0], fitted[1])), frequency))
    return best[1], best[0]


def _locked(instants: Floats) -> float | None:
    """Resultant length of the phases at 100 or 120 a second, the longer."""
    if len(instants) < _LEAST_LOCKED or instants[-1] - instants[0] < _LEAST_LOCKED_S:
        return None
    return max(float(abs(np.exp(4j * np.pi * frequency * instants).mean())) for frequency in _MAINS_HZ)
