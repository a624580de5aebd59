"""A scope's record of D0 and D1 against ground: where the levels lie, when the lines cross, how edges look.

Levels are found from the record (a line rests at the level that it holds longest), a comparator with hysteresis about
their middle finds the edges. Published is only that lines rest high and that pulses are low (reference sheet 6.1): no
level is judged against a number that nobody published.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchtool.measure.waveform_record import Floats
from benchtool.measure.waveform_slicing import clipped_deviation, find_edges, quantiles, time_weights

_HALF_HYSTERESIS = 0.15
"""Of the swing, either way."""
_LOW_SHARE = 0.125
_LEAST_SWING_V = 0.4
_LEAST_SIGMAS = 10.0
_UNKNOWN_V = 1.5
"""A line that never moves is taken as high above this, where the other line gives no better middle: from memory,
between what simple logic inputs take as low and as high."""


@dataclass(frozen=True, slots=True)
class CardWaveform:
    """Times (seconds, rising) and volts of both lines against ground, of equal length."""

    time_s: Floats
    d0_v: Floats
    d1_v: Floats

    def line(self, line: int) -> Floats:
        """Volts of D0 (0) or D1 (1)."""
        return self.d1_v if line else self.d0_v


class LineSlices(NamedTuple):
    """Levels and edges of one line."""

    rest_v: float
    pulse_v: float | None
    """The level of its pulses; None where it never pulses."""
    edge_s: Floats
    """When it crosses the middle, in the unit of the times given."""
    rises: npt.NDArray[np.bool_]
    high_at_begin: bool
    noise_v: float
    """Standard deviation at rest."""

    @property
    def pulses_up(self) -> bool:
        """Whether it pulses, and rests below its pulses."""
        return self.pulse_v is not None and self.pulse_v > self.rest_v

    @property
    def middle_v(self) -> float | None:
        """Between its two levels; None where it has one only."""
        return None if self.pulse_v is None else (self.rest_v + self.pulse_v) / 2


class LineFigures(NamedTuple):
    """How one line looks; volts and seconds, None where it could not be seen."""

    rest_v: float
    pulse_v: float | None
    fall_s: float | None
    """90 to 10 %, median."""
    rise_s: float | None
    """10 to 90 %, median."""
    overshoot_v: float
    """Above the resting level after a rise, the greatest."""
    undershoot_v: float
    """Below the level of the pulses, the greatest."""
    noise_v: float


def slice_lines(waveform: CardWaveform) -> tuple[tuple[LineSlices, LineSlices], tuple[str, ...]]:
    """Levels and edges of both lines, and what was assumed, in words."""
    weights = time_weights(waveform.time_s)
    lines = [_slice(waveform.time_s, waveform.line(line), weights) for line in (0, 1)]
    notes = []
    if all(one.pulses_up for one in lines):
        notes.append(
            "both lines rest low and pulse high: levels were turned over to read them; "
            "a scope does not invert by itself"
        )
        lines = [one._replace(rises=~one.rises, high_at_begin=not one.high_at_begin) for one in lines]
    middles = [one.middle_v for one in lines if one.middle_v is not None]
    limit = middles[0] if middles else _UNKNOWN_V
    for line, one in enumerate(lines):
        if one.pulse_v is None:
            lines[line] = one._replace(high_at_begin=one.rest_v > limit)
            level = "high" if one.rest_v > limit else "low"
            notes.append(f"D{line} never moves: it rests at {one.rest_v:.2f} V, taken as {level}")
    return (lines[0], lines[1]), tuple(notes)


def _slice(time: Floats, volts: Floats, weights: Floats) -> LineSlices:
    (rest,) = quantiles(volts, weights, (0.5,))
    near = np.abs(volts - rest) < max(0.1 * float(np.ptp(volts)), 1e-9)
    calm = volts[near]
    rest = float(np.median(calm)) if len(calm) else rest
    noise = clipped_deviation(calm - rest)
    # The other level is what is held away from rest for longest; an overshoot is short.
    below, above = volts < rest - 0.25 * _reach(volts, rest, -1), volts > rest + 0.25 * _reach(volts, rest, 1)
    down, up = (float((weights[part] * np.abs(volts[part] - rest)).sum()) for part in (below, above))
    part = below if down >= up else above
    none = LineSlices(rest, None, np.empty(0), np.empty(0, dtype=np.bool_), True, noise)
    if not part.any():
        return none
    (pulse,) = quantiles(volts[part], weights[part], (0.5,))
    swing = abs(pulse - rest)
    if swing < max(_LEAST_SWING_V, _LEAST_SIGMAS * noise):
        return none
    edges, rises = find_edges(time, volts, (pulse + rest) / 2, _HALF_HYSTERESIS * swing)
    first = not bool(rises[0]) if len(rises) else rest > pulse
    return LineSlices(rest, pulse, edges, rises, first, noise)


def _reach(volts: Floats, rest: float, side: int) -> float:
    return max(0.0, float((side * (volts - rest)).max()))


def line_figures(waveform: CardWaveform) -> tuple[LineFigures, LineFigures]:
    """How both lines look. Edge times shorter than a sample are not seen."""
    sliced, _ = slice_lines(waveform)
    return _figures(waveform.time_s, waveform.d0_v, sliced[0]), _figures(waveform.time_s, waveform.d1_v, sliced[1])


def lowest_v(waveform: CardWaveform, line: int) -> float | None:
    """How low pulses of a line get: the level below which it is for an eighth of its time beyond the middle.

    Below ringing and noise nothing is counted, nor a slow rise; None where it never pulses, or pulses upwards.
    """
    sliced = slice_lines(waveform)[0][line]
    if sliced.pulse_v is None or sliced.pulses_up:
        return None
    volts = waveform.line(line)
    return float(np.quantile(volts[volts < (sliced.rest_v + sliced.pulse_v) / 2], _LOW_SHARE))


def _figures(time: Floats, volts: Floats, line: LineSlices) -> LineFigures:
    if line.pulse_v is None or not len(line.edge_s):
        return LineFigures(line.rest_v, line.pulse_v, None, None, 0.0, 0.0, line.noise_v)
    top, bottom = max(line.rest_v, line.pulse_v), min(line.rest_v, line.pulse_v)
    share = (volts - bottom) / (top - bottom)
    places = np.searchsorted(time, line.edge_s)
    times: dict[bool, list[float]] = {True: [], False: []}
    # Where both lines rest low edges were turned over; what counts here is the way the voltage goes.
    for place in places:
        rising = bool(share[min(place, len(share) - 1)] > share[max(0, place - 1)])
        span = _edge_span(time, share, int(place), rising)
        if span is not None:
            times[rising].append(span)
    fall, rise = (float(np.median(times[way])) if times[way] else None for way in (False, True))
    over, under = float(volts.max()) - top, bottom - float(volts.min())
    # Noise alone reaches 5 of its deviations in a long record.
    least = 6 * line.noise_v
    return LineFigures(
        line.rest_v,
        line.pulse_v,
        fall,
        rise,
        over if over > least else 0.0,
        under if under > least else 0.0,
        line.noise_v,
    )


def _edge_span(time: Floats, share: Floats, place: int, rising: bool) -> float | None:
    """From 10 to 90 % (or back) around a crossing; None where the record does not hold both."""
    before, after = (0.1, 0.9) if rising else (0.9, 0.1)
    sign = 1 if rising else -1
    low = place - 1
    while low >= 0 and sign * (share[low] - before) > 0:
        low -= 1
    high = place
    while high < len(share) and sign * (share[high] - after) < 0:
        high += 1
    if low < 0 or high >= len(share) or high == 0:
        return None
    begin = _cross(time, share, low, before)
    end = _cross(time, share, high - 1, after)
    return max(0.0, end - begin)


def _cross(time: Floats, share: Floats, place: int, level: float) -> float:
    step = float(share[place + 1] - share[place])
    part = (level - float(share[place])) / step if step else 0.0
    return float(time[place] + min(1.0, max(0.0, part)) * (time[place + 1] - time[place]))
