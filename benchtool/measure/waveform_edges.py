"""Edges and bit length together, also under noise: what is too noisy is averaged over a part of a bit first.

The averaging is over time, not over samples: uneven samples and a circuit simulator's straight lines count right.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchtool.capture.rates import MEASURED_RATES
from benchtool.capture.settings import LineSettings
from benchtool.measure.waveform_baud import Bits, find_bits
from benchtool.measure.waveform_levels import Idle
from benchtool.measure.waveform_octets import find_frames, find_octets, split_bursts
from benchtool.measure.waveform_record import Floats, Waveform
from benchtool.measure.waveform_slicing import HYSTERESIS, Slices, find_edges, slice_waveform, without_glitches

_Bools = npt.NDArray[np.bool_]

GLITCH_BITS = 0.3
"""Runs shorter than this are none."""
_NOISY = 0.04
"""Noise beyond this share of half the swing is averaged out before edges are looked for."""
_WINDOW_BITS = 1 / 6
_WIDTHS = (2, 4, 8, 16, 32, 64, 128)
"""Windows that are tried where the bit is unknown, in samples."""
_GOOD = 0.95
_NOISE_SAMPLES = 5000
_GLITCH_COST = 0.5
_SENSE_EDGES = 1500
_LEAST_FITS = 0.6
_PART = 200_000
_FRAMED = 4
_LOOSE = -0.5
_DEVIATION = 1.4826
"""From the median magnitude to the standard deviation of Gaussian noise."""
_WEAK_V = 0.06
_WEAK_SIGMAS = 12.0
_LEFT_SHARE = 0.2
"""An idle level nearer to a driven one than this share of half the swing does not show when it is left."""
_LEFT_BITS = (0.6, 10.4)
_LEFT_WHOLE = 0.25


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


class _Way(NamedTuple):
    """One way to read edges."""

    average_s: float = 0.0
    """Averaged over this first."""
    clean_s: float = 0.0
    """Runs shorter than this taken out first."""
    let_go: bool = False
    """What impulses latched is let go."""
    hint_s: float | None = None


def find_traffic(waveform: Waveform, hint_s: float | None) -> Traffic:
    """Edges, and the bit that they fit; `hint_s`: how long a bit should be, if known.

    Where noise or impulses disturb the edges, several ways to read them are tried; the one whose octets make most sense
    is taken.
    """
    slices = slice_waveform(waveform)
    plain = _fitted(slices, slices.edge_s, slices.rises, hint_s, waveform.difference_v)
    if slices.half_v <= 0:
        return plain
    if _fits(plain) >= _GOOD and _local_noise(waveform) <= _NOISY * slices.half_v:
        return plain
    part = _part(waveform, slices)
    best = _Way(hint_s=hint_s)
    best_sense = _sense(_read(part, slices, best))
    for way in _other_ways(part, hint_s):
        if best_sense.perfect:
            break
        sense = _sense(_read(part, slices, way))
        if sense.seconds > best_sense.seconds:
            best, best_sense = way, sense
    found = _read(part, slices, best)
    if found.bits is not None:
        bit_s = found.bits.bit_s
        finest = _Way(average_s=bit_s * _WINDOW_BITS, hint_s=bit_s)
        if _sense(_read(part, slices, finest)).seconds >= best_sense.seconds:
            best = finest
    return _read(waveform, slices, best)


def _part(waveform: Waveform, slices: Slices) -> Waveform:
    """As much as the trials need: a stretch from a little before the first edge."""
    time = waveform.time_s
    first = int(np.searchsorted(time, slices.edge_s[0])) if len(slices.edge_s) else 0
    start = max(0, min(first - _PART // 20, len(time) - _PART))
    end = start + _PART
    return waveform if end - start >= len(time) else Waveform(time[start:end], waveform.difference_v[start:end])


def _read(waveform: Waveform, slices: Slices, way: _Way) -> Traffic:
    time, volts = waveform.time_s, waveform.difference_v
    if way.average_s:
        volts = averaged(time, volts, way.average_s)
    edges, rises = find_edges(time, volts, slices.middle_v, HYSTERESIS * slices.half_v, let_go=way.let_go)
    edges, rises, gone = without_glitches(edges, rises, way.clean_s)
    found = _fitted(slices, edges, rises, way.hint_s, volts)
    return found._replace(glitches=found.glitches + gone)


def _other_ways(waveform: Waveform, hint_s: float | None) -> Iterator[_Way]:
    """Averaged over wider and wider windows; then without short runs, for each usual rate."""
    step = float(np.median(np.diff(waveform.time_s)))
    for width in [hint_s * _WINDOW_BITS] if hint_s else [step * count for count in _WIDTHS]:
        if width <= waveform.duration_s / 20:
            yield _Way(average_s=width, hint_s=hint_s)
    for let_go in (True, False):
        for bit_s in [hint_s] if hint_s else [1.0 / rate for rate in MEASURED_RATES]:
            yield _Way(clean_s=GLITCH_BITS * bit_s, let_go=let_go, hint_s=bit_s)


class _Sense(NamedTuple):
    seconds: float
    """Time in octets without line errors, that in sound frames four times, less that in damaged ones."""
    perfect: bool


def _sense(traffic: Traffic) -> _Sense:
    """How much sense the octets make; of its first 1500 edges."""
    if traffic.bits is None or traffic.bits.fits < _LEAST_FITS:
        return _Sense(0.0, False)
    bit_s = traffic.bits.bit_s
    edges, rises = traffic.edges[:_SENSE_EDGES], traffic.rises[:_SENSE_EDGES]
    form, bursts = find_octets(edges, rises, bit_s, None)
    octets = [octet for burst in bursts for octet in burst.octets]
    wrong = sum(octet.marks != 0 for octet in octets)
    settings = LineSettings(max(50, min(20_000_000, round(1 / bit_s))), form)
    framed = sum(len(f.octets) + len(f.lead) for f in find_frames(bursts, settings, float(edges[0])) if f.ok)
    # Beside sound frames, single octets are rather noise than talk.
    loose = len(octets) - wrong - framed
    seconds = (_FRAMED * framed + (_LOOSE if framed else 1.0) * loose - wrong) * form.bits * bit_s
    if not framed and seconds > 0:
        # Nothing proves that what was taken out was not the talk.
        seconds *= len(traffic.edges) / (len(traffic.edges) + 2 * traffic.glitches)
    return _Sense(seconds, wrong == 0 and framed > 0 and framed == len(octets))


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


def _fits(traffic: Traffic) -> float:
    """How well runs are whole bits: 1 at best."""
    if traffic.bits is None:
        return 0.0
    runs = max(1, len(traffic.edges) + 2 * traffic.glitches)
    return traffic.bits.fits * (1 - _GLITCH_COST * traffic.glitches / runs)


def _fitted(slices: Slices, edges: Floats, rises: _Bools, hint_s: float | None, volts: Floats) -> Traffic:
    glitches = 0
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
    if idle.level_v is None:
        return none
    time, volts = waveform.time_s, waveform.difference_v
    found, states = [], []
    for start, end in idle.spans:
        low, high = np.searchsorted(time, (start, end))
        if end - start < 12 * bit_s or high - low < 12:
            continue
        part = Waveform(time[low:high], volts[low:high])
        # A Gaussian stays within 4 to 5 deviations either way.
        if float(np.ptp(part.difference_v)) < max(_WEAK_V, _WEAK_SIGMAS * _local_noise(part)):
            continue
        again = slice_waveform(part)
        edges, rises, _ = without_glitches(again.edge_s, again.rises, GLITCH_BITS * bit_s)
        bits = bits_of(edges, rises, bit_s)
        if bits is not None and len(edges) >= 4 and abs(bits.bit_s / bit_s - 1) < 0.06 and bits.fits > 0.8:
            seen = Traffic(again, edges, rises, bits, 0, part.difference_v)
            edges, rises = with_starts(seen, part.time_s, idle, bit_s)
            found.append(edges)
            states.append(rises)
    return (np.concatenate(found), np.concatenate(states)) if found else none


def with_starts(traffic: Traffic, time: Floats, idle: Idle, bit_s: float) -> tuple[Floats, _Bools]:
    """Edges with those that bursts begin with where the comparator saw none.

    It stays as the last talker left it: a start bit to the side on which it rests already is no edge. That is so for
    the first burst of a record whose idle level lies between the states, and for a talker with exchanged wires, whose
    space is on the side of idle. The voltage itself shows when idle was left.
    """
    edges, rises, volts = traffic.edges, traffic.rises, traffic.calm_v
    if idle.level_v is None or not len(edges):
        return edges, rises
    least = max(_LEFT_SHARE * traffic.slices.half_v, 6 * (idle.noise_v or 0.0))
    places, instants = [], []
    for first, _ in split_bursts(edges, bit_s):
        at = float(edges[first])
        low, high = np.searchsorted(time, (at - 0.4 * bit_s, at - 0.15 * bit_s))
        here = float(np.median(volts[low:high])) if high > low else float(np.interp(at - 0.25 * bit_s, time, volts))
        apart = here - idle.level_v
        if abs(apart) < least or (apart < 0) != bool(rises[first]):
            continue
        earliest = at - (_LEFT_BITS[1] + 0.2) * bit_s
        begin, end = np.searchsorted(time, (max(earliest, edges[first - 1]) if first else earliest, at - 0.3 * bit_s))
        share = (volts[begin:end] - idle.level_v) / apart - 0.5
        resting = np.flatnonzero(share < 0)
        if not len(resting) or int(resting[-1]) + 1 >= len(share):
            continue
        last = int(resting[-1])
        part = -share[last] / (share[last + 1] - share[last])
        left = float(time[begin + last] + part * (time[begin + last + 1] - time[begin + last]))
        bits = (at - left) / bit_s
        # A driver enabled before its start bit leaves idle at any time, a start bit whole bits before the next edge.
        if _LEFT_BITS[0] <= bits <= _LEFT_BITS[1] and abs(bits - round(bits)) < _LEFT_WHOLE:
            places.append(first)
            instants.append(left)
    return np.insert(edges, places, instants), np.insert(rises, places, ~rises[places])
