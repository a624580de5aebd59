"""Waveforms as they really come: noisy, coarse, with holes, with impulses, with nothing on them, or with nonsense."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.measure.waveform import Waveform, WaveformError, WaveformFigures, find_eye, measure_waveform
from benchtool.measure.waveform_baud import find_bits, usual_baud
from benchtool.measure.waveform_limits import Verdict
from benchtool.measure.waveform_octets import Polarity
from benchtool.measure.waveform_record import Floats
from benchtool.wire.pair import Bias, Cable, Node, Pair, Terminator
from benchtool.wire.uart import encode

REQUEST = bytes.fromhex("1103006B00037687")
"""sheet 3.3 (READ)"""
REPLY = bytes.fromhex("110306AE415652434049AD")
"""sheet 3.3 (MEMORY, CRC verified)"""


def pair(*, bias: bool) -> Pair:
    ends = (Terminator(0.0), Terminator(100.0))
    return Pair(Cable(), 100.0, (Node("near", 0.0), Node("far", 100.0)), ends, (Bias(0.0, 560),) if bias else ())


PAIRS = {True: pair(bias=True), False: pair(bias=False)}


def values(figures: WaveformFigures) -> bytes:
    return bytes(octet.value for octet in figures.octets)


def flat(time: Floats, octets: bytes, start_s: float, baud: int = 9600, form: str = "8N1", **levels: float) -> Floats:
    """A burst without edges' shape, on an idle level; mark and space given or 2.3 V."""
    signal = encode(octets, LineSettings(baud, CharFormat.parse(form)))
    mark, space = levels.get("mark", 2.3), levels.get("space", -2.3)
    driven = (time > start_s - 5e-4) & (time < start_s + signal.duration_s + levels.get("hold", 1e-4))
    return np.where(driven, np.where(signal.marks_at(time - start_s), mark, space), levels.get("idle", 0.25))


@pytest.mark.parametrize("bias", [True, False], ids=["bias", "no bias"])
@pytest.mark.parametrize("baud", [9600, 115200])
@pytest.mark.parametrize(
    ("per_bit", "noise_v"), [(8, 0.0), (8, 0.2), (16, 0.4), (50, 0.05), (50, 0.4), (200, 0.2), (500, 0.4)]
)
def test_an_eight_bit_scope_with_noise_and_lost_samples(bias: bool, baud: int, per_bit: int, noise_v: float) -> None:
    random = np.random.default_rng(7)
    signal = encode(REQUEST, LineSettings(baud))
    time = np.arange(-8 / baud, signal.duration_s + 30 / baud, 1 / baud / per_bit)
    volts = PAIRS[bias].volts("near", "far", signal, time) + random.normal(0, noise_v, len(time))
    code = 16 / 256
    kept = random.random(len(time)) > 0.01
    figures = measure_waveform(Waveform.of(time[kept], (np.round(volts / code) * code)[kept]))
    assert values(figures) == REQUEST
    assert figures.polarity is Polarity.NORMAL
    assert figures.usual_baud == baud
    assert figures.mark_v == pytest.approx(PAIRS[bias].driven_volts("near", "far"), abs=0.04 + 0.25 * noise_v)
    assert figures.idle_v == pytest.approx(PAIRS[bias].idle_volts("far"), abs=0.04 + 0.05 * noise_v)
    assert figures.noise_idle_v == pytest.approx(noise_v, rel=0.35, abs=0.03)
    # Noise alone must not look like a mismatch.
    assert figures.ring_m is None or figures.ring_m > 3 * 100
    assert figures.step_share is not None
    assert figures.step_share < 0.08


def record(seconds: float = 0.1, step: float = 2e-6) -> tuple[Floats, np.random.Generator]:
    return np.arange(0, seconds, step), np.random.default_rng(11)


def test_noise_alone_is_no_talk() -> None:
    time, random = record()
    figures = measure_waveform(
        Waveform.of(time, 0.25 + random.normal(0, 0.05, len(time)), random.normal(2.5, 0.1, len(time)))
    )
    assert (figures.octets, figures.talkers, figures.mark_v, figures.baud) == ((), (), None, None)
    assert figures.idle_v == pytest.approx(0.25, abs=0.005)
    assert figures.noise_idle_v == pytest.approx(0.05, rel=0.05)
    assert figures.polarity is Polarity.UNKNOWN
    assert find_eye(Waveform.of(time, time * 0), figures) is None
    assert any("no characters" in note for note in figures.notes)
    readings = figures.as_readings()
    assert readings["scope-idle-v"] == figures.idle_v
    assert "scope-mark-v" not in readings


def test_hum_alone_is_hum() -> None:
    time, random = record()
    swing = np.sin(2 * np.pi * 50 * time)
    figures = measure_waveform(
        Waveform.of(time, 0.25 + 0.3 * swing + random.normal(0, 0.02, len(time)), 2.5 + 1.5 * swing)
    )
    assert figures.octets == ()
    assert figures.mains_hz == 50
    assert figures.hum_v == pytest.approx(0.3, rel=0.03)
    assert figures.hum_common_v == pytest.approx(1.5, rel=0.03)
    assert figures.noise_idle_v == pytest.approx(0.02, rel=0.4)


def test_impulses_are_counted_and_those_of_the_mains_are_locked() -> None:
    time, random = record()
    free, locked = (0.25 + random.normal(0, 0.02, len(time)) for _ in range(2))
    for start in random.choice(len(time) // 100 - 1, 40, replace=False) * 100:
        free[start : start + 10] += random.choice([-3, 3])
    for half_wave in range(1, 10):
        start = int(half_wave * 0.01 / 2e-6) + int(random.integers(0, 10))
        locked[start : start + 15] += 2.0
    loose, bound = (measure_waveform(Waveform.of(time, volts)) for volts in (free, locked))
    assert (loose.impulses, loose.octets) == (40, ())
    assert loose.impulse_v == pytest.approx(3, abs=0.2)
    assert loose.impulse_s == pytest.approx(20e-6, rel=0.2)
    assert loose.impulses_per_s == pytest.approx(400, rel=0.05)
    assert bound.impulses == 9
    assert bound.mains_locked == pytest.approx(1, abs=0.02)
    assert loose.mains_locked is not None
    assert loose.mains_locked < 0.5


@pytest.mark.parametrize(("count", "samples", "height"), [(30, 3, 5.0), (60, 10, 3.0), (20, 30, 3.0)])
def test_a_frame_is_found_among_impulses(count: int, samples: int, height: float) -> None:
    time, random = record()
    volts = flat(time, REQUEST, 0.02) + random.normal(0, 0.02, len(time))
    clear = (time < 0.018) | (time > 0.03)
    for start in random.choice(np.flatnonzero(clear)[:-100], count, replace=False):
        volts[start : start + samples] += random.choice([-height, height])
    figures = measure_waveform(Waveform.of(time, volts))
    assert REQUEST in values(figures)
    assert figures.usual_baud == 9600
    assert figures.mark_v == pytest.approx(2.3, abs=0.02)


@pytest.mark.parametrize("form", ["8N1", "8E1", "8O1"])
def test_the_character_format_is_found_out(form: str) -> None:
    time, _ = record(0.03)
    figures = measure_waveform(Waveform.of(time, flat(time, REPLY, 0.005, 19200, form)))
    assert str(figures.format) == form
    assert values(figures) == REPLY


def test_a_long_silence_with_one_short_burst() -> None:
    """Uneven samples, as a circuit simulator keeps them: many at edges, hardly any in between."""
    signal = encode(REQUEST, LineSettings(115200))
    edges = 4.0 + signal.times_s
    time = np.unique(
        np.concatenate(([0.0, 1.0, 3.9999, 4.001, 9.0], *(edges + shift for shift in (-1e-9, 1e-9, 2e-6))))
    )
    driven = (time > 4.0 - 2e-5) & (time < 4.0 + signal.duration_s)
    volts = np.where(driven, np.where(signal.marks_at(time - 4.0), 2.0, -2.0), 0.3)
    figures = measure_waveform(Waveform.of(time, volts))
    assert values(figures) == REQUEST
    assert figures.baud == pytest.approx(115200, rel=1e-4)
    assert figures.idle_v == pytest.approx(0.3)


def test_two_talkers_one_reversed_one_weak_one_of_another_clock() -> None:
    time, _ = record(0.12, 1e-6)
    volts = flat(time, REQUEST, 0.005)
    later = time > 0.035
    volts[later] = flat(time, REPLY, 0.04, 9792, mark=-0.9, space=0.9)[later]
    again = time > 0.075
    volts[again] = flat(time, REQUEST, 0.08)[again]
    figures = measure_waveform(Waveform.of(time, volts))
    assert figures.polarity is Polarity.MIXED
    assert values(figures) == REQUEST + REPLY + REQUEST
    assert [frame.octets for frame in figures.frames if frame.ok] == [REQUEST, REPLY, REQUEST]
    first, second = figures.talkers
    assert (first.bursts, first.reversed_pair, first.octets) == (2, False, 16)
    assert (second.bursts, second.reversed_pair, second.octets) == (1, True, 11)
    assert second.swing_v == pytest.approx(1.8, abs=0.01)
    assert second.baud is not None
    assert first.baud is not None
    # 2 % fast: what a receiver must accept (sheet 3.1, Modbus guide)
    assert second.baud / first.baud == pytest.approx(1.02, abs=1e-3)
    assert figures.as_readings()["scope-baud-spread"] == pytest.approx(0.02, abs=1e-3)
    eye = find_eye(Waveform.of(time, volts), figures)
    assert eye is not None
    assert eye.counts.sum() == eye.bits * 192


def test_a_talker_inside_the_hysteresis_is_found_in_the_silence() -> None:
    time, random = record(0.08)
    volts = flat(time, REQUEST, 0.005) + random.normal(0, 0.004, len(time))
    weak = time > 0.03
    volts[weak] = flat(time, REPLY, 0.04, mark=0.4, space=0.05, idle=0.25)[weak]
    figures = measure_waveform(Waveform.of(time, volts))
    assert values(figures) == REQUEST + REPLY
    assert sorted(round(talker.swing_v, 1) for talker in figures.talkers) == [0.3, 4.6] or sorted(
        round(talker.swing_v, 2) for talker in figures.talkers
    ) == pytest.approx([0.35, 4.6], abs=0.02)


def test_contention_shows_as_time_between_the_states() -> None:
    time, _ = record(0.04, 1e-6)
    volts = flat(time, REQUEST, 0.005)
    sound = measure_waveform(Waveform.of(time, volts))
    # Two equal drivers against each other for a bit here and there.
    for bit in (4, 13, 22, 31, 44, 52):
        start = 0.005 + bit / 9600
        volts[(time > start) & (time < start + 1 / 9600)] = 0.0
    fought = measure_waveform(Waveform.of(time, volts))
    assert sound.contention_share == 0
    assert fought.contention_share is not None
    assert fought.contention_share > 0.04


@pytest.mark.parametrize("hold", [1e-4, 3e-3])
def test_how_long_a_driver_is_held(hold: float) -> None:
    time, _ = record(0.06)
    figures = measure_waveform(Waveform.of(time, flat(time, REQUEST, 0.01, hold=hold)))
    assert figures.lead_s == pytest.approx(5e-4, abs=1e-5)
    assert figures.hold_s == pytest.approx(hold, abs=1e-5)
    assert figures.as_readings()["scope-hold-bits"] == pytest.approx(hold * 9600, abs=0.1)
    assert figures.idle_v == pytest.approx(0.25, abs=0.005)


def test_the_rate_given_is_a_hint_and_a_reference() -> None:
    time, _ = record(0.04)
    waveform = Waveform.of(time, flat(time, REQUEST, 0.005, 19200))
    figures = measure_waveform(waveform, 9600)
    assert figures.baud == pytest.approx(19200, rel=1e-3)
    assert figures.baud_given == 9600
    check = next(check for check in figures.checks() if check.name.startswith("bit rate off"))
    assert check.value == pytest.approx(1, rel=1e-2)
    assert check.verdict is Verdict.FAIL


def test_usual_rates_and_runs_that_are_none() -> None:
    assert [usual_baud(rate) for rate in (9590, 117000, 10000, 250000)] == [9600, 115200, None, 250000]
    assert find_bits(np.array([1e-4]), np.array([True])) is None
    random = np.random.default_rng(2).exponential(1, 400)
    assert find_bits(random, np.arange(400) % 2 == 0) is None


@st.composite
def nonsense(draw: st.DrawFn) -> tuple[Floats, Floats, Floats | None]:
    size = draw(st.integers(8, 300))
    random = np.random.default_rng(draw(st.integers(0, 2**32)))
    time = np.cumsum(random.choice([1e-9, 1e-7, 1e-6, 1e-4], size))
    kind = draw(st.integers(0, 5))
    scale = draw(st.sampled_from([1e-6, 0.01, 1.0, 1e4]))
    volts = [
        random.normal(0, 1, size),
        random.choice([-2.0, 2.0], size),
        np.repeat(random.choice([-2.0, 0.2, 2.0], size // 7 + 1), 7)[:size],
        np.linspace(-3, 3, size),
        np.zeros(size),
        np.where(random.random(size) < 0.05, 5.0, 0.0),
    ][kind] * scale
    return time, volts, random.normal(2.5, 0.5, size) if draw(st.booleans()) else None


@settings(max_examples=150)
@given(nonsense(), st.sampled_from([None, 9600]))
def test_nonsense_gives_finite_figures_and_never_raises(
    made: tuple[Floats, Floats, Floats | None], baud: int | None
) -> None:
    try:
        waveform = Waveform.of(*made)
    except WaveformError:
        return
    figures = measure_waveform(waveform, baud)
    assert all(math.isfinite(value) for value in figures.as_readings().values())
    assert all(check.text() for check in figures.checks())
    find_eye(waveform, figures)
