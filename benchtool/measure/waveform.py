"""An oscilloscope's view of the pair, measured: levels, edges, reflections, noise, bit rate, octets, limits.

`read_waveform` takes a CSV, `Waveform.of` arrays; `measure_waveform` does the rest, and needs no settings. Facts:
TIA-485 levels, sheet section 1.1; travelling time 1.5 and 1.6. What each figure means is in docs/waveforms.md.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchtool.capture.settings import LineSettings
from benchtool.measure.waveform_baud import MOST_BITS, Bits, find_bits
from benchtool.measure.waveform_conduct import between_states, lead_and_hold
from benchtool.measure.waveform_csv import read_waveform
from benchtool.measure.waveform_edges import Traffic, find_traffic, find_weak, with_starts
from benchtool.measure.waveform_eye import Eye, find_core, find_eye
from benchtool.measure.waveform_figures import TalkerFigures, WaveformFigures
from benchtool.measure.waveform_levels import Idle, Runs, Talker, find_idle, find_runs, find_talkers
from benchtool.measure.waveform_noise import Stray, find_stray
from benchtool.measure.waveform_octets import Burst, Polarity, find_frames, find_octets, polarity_of, split_bursts
from benchtool.measure.waveform_record import Waveform, WaveformError
from benchtool.measure.waveform_shape import find_shape
from benchtool.measure.waveform_slicing import Slices, quantiles, time_weights

__all__ = ["Eye", "Waveform", "WaveformError", "WaveformFigures", "find_eye", "measure_waveform", "read_waveform"]

_SHAPES = 4
"""So many talkers' edges are looked at."""
_IDLE_TELLS_V = 0.1
_SINGLE_BITS, _SINGLES, _LEAST_RUNS = 1.5, 0.05, 12
"""A record with fewer single bits than this share of at least so many runs was read at a multiple of its rate."""
_DOUBTFUL = 0.05
"""Share of octets with a line error from which on another rate is tried than the one that was given."""
_RATE_RUNS = 6
_RATE_WITHIN = 0.15
_LEAST_BAUD = 250
"""Slower is nothing of this trade: hum, or a lamp that blinks."""


def measure_waveform(waveform: Waveform, baud: int | None = None, *, velocity: float = 0.66) -> WaveformFigures:
    """Everything that one record says. `baud`: what the rate should be, if known. `velocity`: of the cable, share of c.

    A record without traffic still gives its idle level, noise and common mode.
    """
    if baud is None:
        return _free(waveform, velocity)
    found = find_traffic(waveform, 1.0 / baud)
    figures = _figures(waveform, found, baud, velocity)
    fraction = _a_fraction(found)
    if not fraction and not _doubtful(figures, baud):
        return figures
    # Bits of half the length fit any record, and impulses hide a rate that is looked for elsewhere.
    free = _free(waveform, velocity)
    slower = figures.baud is None or (fraction and free.baud is not None and free.baud < 0.7 * figures.baud)
    better = _sound(free) > _sound(figures) or (slower and free.baud is not None)
    return replace(free, baud_given=baud) if better else figures


def _a_fraction(found: Traffic) -> bool:
    """Whether the bit is only a fraction of the record's: octets are full of single bits, and there are hardly any."""
    if found.bits is None or len(found.edges) <= _LEAST_RUNS:
        return False
    lengths = np.diff(found.edges) / found.bits.bit_s
    inside = lengths[lengths < MOST_BITS]
    return float(np.mean(inside < _SINGLE_BITS)) < _SINGLES if len(inside) else False


def _free(waveform: Waveform, velocity: float) -> WaveformFigures:
    """Read without knowing the rate; where frames are damaged, once more at the usual rate next to what was found."""
    figures = _figures(waveform, find_traffic(waveform, None), None, velocity)
    if figures.usual_baud is None or _sound(figures) == len(figures.frames) > 0:
        return figures
    again = _figures(waveform, find_traffic(waveform, 1.0 / figures.usual_baud), figures.usual_baud, velocity)
    return replace(again, baud_given=None) if _sound(again) > _sound(figures) or _fewer(again, figures) else figures


def _fewer(one: WaveformFigures, other: WaveformFigures) -> bool:
    return _sound(one) == _sound(other) > 0 and len(one.frames) < len(other.frames)


def _sound(figures: WaveformFigures) -> int:
    return sum(frame.ok for frame in figures.frames)


def _doubtful(figures: WaveformFigures, baud: int) -> bool:
    """Whether the record may well run at another rate than it was read at."""
    wrong = sum(octet.marks != 0 for octet in figures.octets)
    if figures.baud is not None and abs(figures.baud / baud - 1) > _RATE_WITHIN:
        return True
    return not _sound(figures) and wrong >= _DOUBTFUL * len(figures.octets)


def _figures(waveform: Waveform, found: Traffic, baud: int | None, velocity: float) -> WaveformFigures:
    if found.bits is not None and found.bits.baud >= _LEAST_BAUD:
        figures = _measured(waveform, found, found.bits, baud, velocity)
        if _believable(figures):
            return figures
    return _quiet(waveform, found.slices, baud, velocity)


def _believable(figures: WaveformFigures) -> bool:
    """Whether these are characters: noise has edges too, and some of them fit."""
    if any(frame.ok for frame in figures.frames):
        return True
    wrong = sum(octet.marks != 0 for octet in figures.octets)
    swing, noise = figures.swing_v, figures.noise_idle_v or figures.noise_driven_v or 0.0
    if swing is None or not figures.octets:
        return False
    return swing > 8 * noise or (wrong <= 0.1 * len(figures.octets) and len(figures.octets) >= 3)


def _measured(
    waveform: Waveform,
    found: Traffic,
    bits: Bits,
    baud: int | None,
    velocity: float,
) -> WaveformFigures:
    edges, rises, bit_s = found.edges, found.rises, bits.bit_s
    calm = waveform if found.calm_v is waveform.difference_v else replace(waveform, difference_v=found.calm_v)
    spans = [Burst(first, end, False, (), False) for first, end in split_bursts(edges, bit_s)]
    idle = find_idle(waveform, spans, edges, bit_s, whole=True)
    edges, rises = with_starts(found, waveform.time_s, idle, bit_s)
    if len(edges) > len(found.edges):
        spans = [Burst(first, end, False, (), False) for first, end in split_bursts(edges, bit_s)]
        idle = find_idle(waveform, spans, edges, bit_s, whole=True)
    idle_reversed = None
    if idle.level_v is not None and abs(idle.level_v) > _IDLE_TELLS_V + 3 * (idle.noise_v or 0.0):
        idle_reversed = idle.level_v < 0
    weak, weak_rises = find_weak(waveform, idle, bit_s)
    if len(weak):
        edges, rises = np.concatenate((edges, weak)), np.concatenate((rises, weak_rises))
        order = np.argsort(edges)
        edges, rises = edges[order], rises[order]
        spans = [Burst(first, end, False, (), False) for first, end in split_bursts(edges, bit_s)]
    idle = find_idle(waveform, spans, edges, bit_s)
    form, bursts = find_octets(edges, rises, bit_s, idle_reversed)
    polarity = polarity_of(bursts, idle_reversed)
    runs = find_runs(waveform, edges, rises, bursts, bit_s)
    talkers = find_talkers(
        runs, bursts, max(found.slices.noise_v if idle.noise_v is None else idle.noise_v, 0.0), bit_s
    )
    own = _own_bits(runs, talkers, bits)
    bits, bit_s = own, own.bit_s
    stray = find_stray(waveform, runs, idle, bit_s)
    told = tuple(
        _talker(waveform, runs, talker, bit_s, stray.driven_v or 0.0, shaped=number < _SHAPES)
        for number, talker in enumerate(talkers)
    )
    first = told[0] if told else None
    common = _common(waveform, runs, talkers)
    octets = tuple(octet for burst in bursts for octet in burst.octets)
    settings = LineSettings(max(50, min(20_000_000, round(bits.baud))), form)
    core = find_core(waveform, bursts, form, bit_s)
    around = [lead_and_hold(calm, bursts, talker, edges, idle, bit_s, form.bits) for talker in talkers]
    lead = around[0][0] if around else None
    hold = max((held for _, held in around if held is not None), default=None)
    return replace(
        _without_talk(waveform, idle, stray, common[:2], baud, velocity),
        polarity=polarity,
        mark_v=None if first is None else first.mark_v,
        space_v=None if first is None else first.space_v,
        common_driven_v=None if first is None else first.common_v,
        common_step_v=common[2],
        wire_swing_v=common[3],
        noise_driven_v=stray.driven_v,
        baud=bits.baud,
        jitter_s=bits.jitter_s,
        jitter_peak_s=bits.jitter_peak_s,
        lengthened_s=bits.lengthened_s,
        glitches=found.glitches,
        format=form,
        octets=octets,
        octet_reversed=tuple(burst.reversed_pair for burst in bursts for _ in burst.octets),
        lowest_mark_v=None if core is None else core.lowest_mark_v,
        highest_space_v=None if core is None else core.highest_space_v,
        undefined_share=None if core is None else core.undefined,
        frames=find_frames(bursts, settings, float(waveform.time_s[0])),
        talkers=told,
        shape=None if first is None else first.shape,
        contention_share=between_states(calm, bursts, talkers, edges, bit_s),
        lead_s=lead,
        hold_s=hold,
    )


def _quiet(waveform: Waveform, slices: Slices, baud: int | None, velocity: float) -> WaveformFigures:
    """A record in which no characters are seen."""
    idle = find_idle(waveform, [], slices.edge_s, None)
    stray = find_stray(waveform, None, idle, None)
    low, high, _, _ = _common(waveform, None, ())
    quiet = _without_talk(waveform, idle, stray, (low, high), baud, velocity)
    return replace(quiet, notes=(*waveform.notes, "no characters were found in this record"))


def _without_talk(
    waveform: Waveform,
    idle: Idle,
    stray: Stray,
    common: tuple[float | None, float | None],
    baud: int | None,
    velocity: float,
) -> WaveformFigures:
    """What any record gives, and nothing of characters. `common`: its lowest and highest."""
    return WaveformFigures(
        duration_s=waveform.duration_s,
        samples=len(waveform.time_s),
        velocity=velocity,
        polarity=Polarity.UNKNOWN,
        idle_v=idle.level_v,
        idle_s=idle.seconds,
        mark_v=None,
        space_v=None,
        common_idle_v=idle.common_v,
        common_driven_v=None,
        common_low_v=common[0],
        common_high_v=common[1],
        common_step_v=None,
        wire_swing_v=None,
        noise_idle_v=_without_hum(idle.noise_v, stray.hum_v),
        noise_driven_v=None,
        impulses=stray.impulses,
        impulse_v=stray.impulse_v,
        impulse_s=stray.impulse_s,
        impulses_per_s=stray.impulses / stray.watched_s if stray.watched_s > 0 else None,
        mains_locked=stray.mains_locked,
        mains_hz=stray.mains_hz,
        hum_v=stray.hum_v,
        hum_common_v=stray.hum_common_v,
        baud=None,
        baud_given=baud,
        jitter_s=None,
        jitter_peak_s=None,
        lengthened_s=None,
        glitches=0,
        format=None,
        octets=(),
        octet_reversed=(),
        lowest_mark_v=None,
        highest_space_v=None,
        undefined_share=None,
        frames=(),
        start_s=float(waveform.time_s[0]),
        talkers=(),
        shape=None,
        contention_share=None,
        lead_s=None,
        hold_s=None,
        notes=waveform.notes,
    )


def _without_hum(noise_v: float | None, hum_v: float | None) -> float | None:
    """Noise without the part that is hum, where this is a good part of it."""
    if noise_v is None or hum_v is None or hum_v**2 / 2 < 0.25 * noise_v**2:
        return noise_v
    return float(np.sqrt(max(0.0, noise_v**2 - hum_v**2 / 2)))


def _own_bits(runs: Runs, talkers: tuple[Talker, ...], rough: Bits) -> Bits:
    """Bit length of the main talker, from its characters only."""
    if not talkers:
        return rough
    inner = np.isin(runs.burst, talkers[0].bursts) & np.isfinite(runs.bits)
    return find_bits((runs.end_s - runs.start_s)[inner], runs.high[inner], rough.bit_s) or rough


def _talker(
    waveform: Waveform, runs: Runs, talker: Talker, bit_s: float, noise_v: float, *, shaped: bool
) -> TalkerFigures:
    mine = np.isin(runs.burst, talker.bursts)
    inner = mine & np.isfinite(runs.bits)
    own = find_bits((runs.end_s - runs.start_s)[inner], runs.high[inner], bit_s) if inner.sum() > 2 else None
    if own is not None and (own.runs < _RATE_RUNS or abs(own.bit_s / bit_s - 1) > _RATE_WITHIN):
        # Scraps fit any rate.
        own = None
    return TalkerFigures(
        talker.mark_v,
        talker.space_v,
        talker.common_v,
        talker.reversed_pair,
        talker.octets,
        len(talker.bursts),
        None if own is None else own.baud,
        find_shape(waveform, runs, mine, bit_s, noise_v) if shaped else None,
    )


def _common(
    waveform: Waveform, runs: Runs | None, talkers: tuple[Talker, ...]
) -> tuple[float | None, float | None, float | None, tuple[float, float] | None]:
    """Lowest, highest, step from space to mark, and the swing of each wire."""
    if waveform.common_v is None:
        return None, None, None, None
    low, high = quantiles(waveform.common_v, time_weights(waveform.time_s), (0.001, 0.999))
    # A short reply in a long silence is less than a thousandth.
    held = [talker.common_v for talker in talkers if talker.common_v is not None]
    low, high = min([low, *held]), max([high, *held])
    if runs is None or not talkers:
        return low, high, None, None
    mine = np.isin(runs.burst, talkers[0].bursts) & np.isfinite(runs.bits)
    up, down = mine & runs.high, mine & ~runs.high
    if not up.any() or not down.any():
        return low, high, None, None
    step = float(np.median(runs.common_v[up]) - np.median(runs.common_v[down]))
    swing = float(np.median(runs.level_v[up]) - np.median(runs.level_v[down]))
    turned = -step if talkers[0].reversed_pair else step
    return low, high, turned, (abs(swing / 2 + step), abs(swing / 2 - step))
