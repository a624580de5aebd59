"""Edges and bit length together, also under noise: what is too noisy is averaged over a part of a bit first.

The averaging is over time, not over samples: uneven samples and a circuit simulator's straight lines count right.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchtool.measure.waveform_baud import Bits, find_bits
from benchtool.measure.waveform_levels import Idle
from benchtool.measure.waveform_record import Floats, Waveform
from benchtool.measure.waveform_slicing import Slices, find_edges, slice_waveform, without_glitches

_Bools = npt.NDArray[np.bool_]

GLITCH_BITS = 0.3
"""Runs shorter than this are none."""
_HYSTERESIS = 0.28
_NOISY = 0.04
"""Noise beyond this share of half the swing is averaged out before edges are looked for."""
_WINDOW_BITS = 1 / 6
_WIDTHS = (2, 4, 8, 16, 32, 64, 128)
"""Windows that are tried where the bit is unknown, in samples."""
_GOOD = 0.95
_NOISE_SAMPLES = 5000
_DEVIATION = 1.4826
"""From the median magnitude to the standard deviation of Gaussian noise."""
_WEAK_V = 0.03


class Traffic(NamedTuple):
    """What was found."""

    slices: Slices
    edges: Floats
    rises: _Bools
    bits: Bits | None
    glitches: int
    """Runs that were too short and were taken out."""
    calm_v: Floats
    """The voltage that the edges were read from: the record's, or its average over a part of a bit."""


def averaged(time: Floats, volts: Floats, width_s: float) -> Floats:
    """Mean over `width_s` around each sample, of the straight lines between the samples; less at the two ends."""
    area = np.concatenate(([0.0], np.cumsum((volts[1:] + volts[:-1]) / 2 * np.diff(time))))
    low = np.maximum(time - width_s / 2, time[0])
    high = np.minimum(time + width_s / 2, time[-1])
    # Between samples the area is no straight line, but within a window of several samples that is little.
    return np.asarray((np.interp(high, time, area) - np.interp(low, time, area)) / (high - low))


def find_traffic(waveform: Waveform, hint_s: float | None) -> Traffic:
    """Edges, and the bit that they fit; `hint_s`: how long a bit should be, if known."""
    slices = slice_waveform(waveform)
    plain = _try(waveform, slices, waveform.difference_v, hint_s)
    if slices.half_v <= 0:
        return plain
    if _score(plain) >= _GOOD and _local_noise(waveform) <= _NOISY * slices.half_v:
        return plain
    time = waveform.time_s
    step = float(np.median(np.diff(time)))
    widths = [hint_s * _WINDOW_BITS] if hint_s else [step * count for count in _WIDTHS]
    best, best_score, best_width = plain, _score(plain), 0.0
    for width in widths:
        if best_score >= _GOOD or width > waveform.duration_s / 20:
            break
        found = _try(waveform, slices, averaged(time, waveform.difference_v, width), hint_s)
        if _score(found) > best_score:
            best, best_score, best_width = found, _score(found), width
    if best.bits is not None and best_width < best.bits.bit_s * _WINDOW_BITS:
        width = best.bits.bit_s * _WINDOW_BITS
        if width > 1.5 * step:
            found = _try(waveform, slices, averaged(time, waveform.difference_v, width), best.bits.bit_s)
            best = found if found.bits is not None else best
    return best


def _local_noise(waveform: Waveform) -> float:
    """How far samples lie off the straight line between their neighbours, as the standard deviation of one sample.

    Levels and ringing do not count, and of noise only what changes from sample to sample.
    """
    time, volts = waveform.time_s, waveform.difference_v
    thin = max(1, len(time) // _NOISE_SAMPLES)
    before, here, after = (slice(start, len(time) - 2 + start, thin) for start in range(3))
    share = (time[here] - time[before]) / (time[after] - time[before])
    off = volts[here] - volts[before] - share * (volts[after] - volts[before])
    off /= np.sqrt(1 + share**2 + (1 - share) ** 2)
    return float(np.median(np.abs(off))) * _DEVIATION


def _score(traffic: Traffic) -> float:
    """How well runs are whole bits: 1 at best."""
    if traffic.bits is None:
        return 0.0
    runs = max(1, len(traffic.edges) + 2 * traffic.glitches)
    return traffic.bits.fits * (1 - 2 * traffic.glitches / runs)


def _try(waveform: Waveform, slices: Slices, volts: Floats, hint_s: float | None) -> Traffic:
    edges, rises, glitches = slices.edge_s, slices.rises, 0
    if volts is not waveform.difference_v:
        edges, rises = find_edges(waveform.time_s, volts, slices.middle_v, _HYSTERESIS * slices.half_v)
    bits = bits_of(edges, rises, hint_s)
    if bits is not None:
        edges, rises, glitches = without_glitches(edges, rises, GLITCH_BITS * bits.bit_s)
        bits = bits_of(edges, rises, bits.bit_s)
    return Traffic(slices, edges, rises, bits, glitches, volts)


def bits_of(edges: Floats, rises: _Bools, hint_s: float | None) -> Bits | None:
    """The bit that all runs fit, silences included."""
    return find_bits(np.diff(edges), rises[:-1], hint_s) if len(edges) > 2 else None


def find_weak(waveform: Waveform, idle: Idle, bit_s: float) -> tuple[Floats, _Bools]:
    """Edges of talkers that stay inside the hysteresis of the stronger ones: they are looked for in the silences."""
    none = np.empty(0), np.empty(0, dtype=np.bool_)
    if idle.level_v is None or idle.noise_v is None:
        return none
    time, volts = waveform.time_s, waveform.difference_v
    least = max(_WEAK_V, 7 * idle.noise_v)
    found, states = [], []
    for start, end in idle.spans:
        low, high = np.searchsorted(time, (start, end))
        if end - start < 12 * bit_s or high - low < 12:
            continue
        away = np.abs(volts[low:high] - idle.level_v) > least
        if not away.any() or float(np.diff(time[low:high])[away[1:]].sum()) < 3 * bit_s:
            continue
        again = slice_waveform(Waveform(time[low:high], volts[low:high]))
        edges, rises, _ = without_glitches(again.edge_s, again.rises, GLITCH_BITS * bit_s)
        bits = bits_of(edges, rises, bit_s)
        if bits is not None and len(edges) >= 4 and abs(bits.bit_s / bit_s - 1) < 0.06 and bits.fits > 0.8:
            found.append(edges)
            states.append(rises)
    return (np.concatenate(found), np.concatenate(states)) if found else none
