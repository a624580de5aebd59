"""Several talkers in one record: exchanged wires, another clock, a driver that holds on, two at once, other ground."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.measure.waveform import Waveform, WaveformFigures, measure_waveform
from benchtool.measure.waveform_noise import _locked, _within
from benchtool.measure.waveform_octets import Polarity
from benchtool.measure.waveform_record import Floats
from benchtool.wire.uart import encode

REQUEST = bytes.fromhex("1103006B00037687")
"""sheet 3.3 (READ)"""
REPLY = bytes.fromhex("110306AE415652434049AD")
"""sheet 3.3 (MEMORY, CRC verified)"""
BAUD = 38400
IDLE_V, MARK_V, SPACE_V = 0.25, 2.6, -2.4
"""Two drivers on a pair with a usual bias: the level that nobody drives lies between the states."""


@dataclass(frozen=True, slots=True)
class Talk:
    """One transmission, from its first start bit; bits are those of the bus."""

    octets: bytes
    at_bits: float
    clock: float = 1.0
    reversed_pair: bool = False
    lead_bits: float = 0.0
    hold_bits: float = 0.0
    common_v: float = 2.5


def record(
    *talks: Talk, bits: float = 600, per_bit: float = 25, noise_v: float = 0.0, baud: int = BAUD, idle_v: float = IDLE_V
) -> Waveform:
    """What a scope takes of them; several at once share the pair equally, so that they meet in the middle."""
    time = np.arange(0, bits / baud, 1 / baud / per_bit)
    volts, common, driving = np.zeros(len(time)), np.zeros(len(time)), np.zeros(len(time))
    for talk in talks:
        signal = encode(talk.octets, LineSettings(baud), clock_error=talk.clock - 1)
        start_s = talk.at_bits / baud
        on = time >= start_s - talk.lead_bits / baud
        on &= time < start_s + signal.duration_s + talk.hold_bits / baud
        marks = signal.marks_at(time - start_s)
        turned = -1 if talk.reversed_pair else 1
        volts += np.where(on, turned * np.where(marks, MARK_V, SPACE_V), 0.0)
        common += np.where(on, talk.common_v, 0.0)
        driving += on
    shared = np.maximum(driving, 1)
    volts = np.where(driving > 0, volts / shared, idle_v)
    noise = np.random.default_rng(5).normal(0, noise_v, len(time)) if noise_v else 0.0
    return Waveform.of(time, volts + noise, np.where(driving > 0, common / shared, 2.4))


def values(figures: WaveformFigures) -> bytes:
    return bytes(octet.value for octet in figures.octets)


@pytest.mark.parametrize("lead_bits", [0.0, 0.4, 1.0, 5.0, 30.0])
@pytest.mark.parametrize("noise_v", [0.0, 0.06])
def test_a_device_with_exchanged_wires_and_equal_levels(lead_bits: float, noise_v: float) -> None:
    talks = Talk(REQUEST, 60, lead_bits=lead_bits), Talk(REPLY, 200, reversed_pair=True, lead_bits=lead_bits)
    figures = measure_waveform(record(*talks, noise_v=noise_v))
    assert values(figures) == REQUEST + REPLY
    assert figures.polarity is Polarity.MIXED
    assert [frame.ok for frame in figures.frames] == [True, True]
    assert sorted(talker.reversed_pair for talker in figures.talkers) == [False, True]
    assert figures.as_readings()["scope-reversed"] == 0.5


@pytest.mark.parametrize("idle_v", [0.25, 0.0, -0.25])
def test_a_start_bit_that_comes_straight_out_of_idle(idle_v: float) -> None:
    # Until somebody has driven mark, a comparator does not know where it comes from.
    figures = measure_waveform(record(Talk(REQUEST, 60), Talk(REPLY, 200), idle_v=idle_v))
    assert values(figures) == REQUEST + REPLY
    assert figures.polarity is Polarity.NORMAL
    assert figures.as_readings()["scope-line-errors"] == 0


def test_leads_exchanged_at_the_scope_are_no_mixture() -> None:
    talks = Talk(REQUEST, 60, reversed_pair=True), Talk(REPLY, 200, reversed_pair=True)
    figures = measure_waveform(record(*talks, idle_v=-IDLE_V))
    assert figures.polarity is Polarity.REVERSED
    assert values(figures) == REQUEST + REPLY


@pytest.mark.parametrize("clock", [0.94, 1.03, 1.06])
def test_one_clock_off_among_equal_levels(clock: float) -> None:
    figures = measure_waveform(record(Talk(REQUEST, 60), Talk(REPLY, 200, clock=clock)))
    readings = figures.as_readings()
    assert len(figures.talkers) == 2
    off = abs(clock - 1)
    # A clock that is c times as slow or as quick: either way round, the two rates differ by c.
    assert readings["scope-baud-spread"] == pytest.approx(off, rel=0.1)
    assert readings["scope-rate-off"] == pytest.approx(off, rel=0.1)


def test_jitter_is_no_second_clock() -> None:
    figures = measure_waveform(record(Talk(REQUEST, 60), Talk(REPLY, 200), per_bit=8, noise_v=0.25))
    assert len(figures.talkers) == 1
    assert "scope-baud-spread" not in figures.as_readings()


def test_a_lone_talker_off_the_usual_rate() -> None:
    alone = record(Talk(REPLY, 60, clock=1.06), bits=300)
    assert measure_waveform(alone).as_readings()["scope-rate-off"] == pytest.approx(0.06, rel=0.1)
    assert measure_waveform(alone, BAUD).as_readings()["scope-rate-off"] == pytest.approx(0.06, rel=0.1)
    # Set to another rate altogether, that is no clock that is off.
    assert measure_waveform(record(Talk(REPLY, 60), bits=300), 9600).as_readings()["scope-rate-off"] < 0.002


@pytest.mark.parametrize("held", [20.0, 60.0, 320.0])
def test_one_of_two_that_holds_its_driver(held: float) -> None:
    figures = measure_waveform(record(Talk(REQUEST, 60), Talk(REPLY, 200, hold_bits=held), bits=720, noise_v=0.02))
    assert figures.as_readings()["scope-hold-bits"] == pytest.approx(held, abs=0.6)
    # Mark held for longer than the silences is still mark.
    assert figures.idle_v == pytest.approx(IDLE_V, abs=0.01)
    assert figures.noise_idle_v == pytest.approx(0.02, rel=0.3)


def test_held_until_another_begins() -> None:
    figures = measure_waveform(record(Talk(REQUEST, 60, hold_bits=40), Talk(REPLY, 180), noise_v=0.02))
    assert figures.hold_s is not None
    assert figures.hold_s * BAUD == pytest.approx(40, abs=0.6)


def test_two_at_once() -> None:
    other = bytes(octet ^ 0x2A for octet in REPLY)
    figures = measure_waveform(record(Talk(REQUEST, 60), Talk(REPLY, 200), Talk(other, 205.3)))
    readings = figures.as_readings()
    assert readings["scope-contention-share"] > 0.05
    # Shares of a swing that is none would be thousands of per cent.
    assert readings["scope-overshoot"] < 0.3
    assert readings["scope-step-share"] < 0.3
    # Scraps of two talkers are no exchanged wires, and no impulses.
    assert readings["scope-reversed"] == 0
    assert readings["scope-impulses-per-s"] < 300


def test_two_talkers_of_different_strength_are_no_contention() -> None:
    time = record(Talk(REQUEST, 60), Talk(REPLY, 200)).time_s
    strong, weak = record(Talk(REQUEST, 60)), record(Talk(REPLY, 200))
    volts = strong.difference_v + 0.35 * (weak.difference_v - IDLE_V)
    figures = measure_waveform(Waveform.of(time, volts))
    assert values(figures) == REQUEST + REPLY
    assert figures.contention_share == 0


def test_the_ground_of_one_device_lies_elsewhere() -> None:
    # A short reply in a long silence, beyond what a receiver must bear (sheet 1.1: -7 to +12 V).
    figures = measure_waveform(record(Talk(REPLY[:3], 60), Talk(b"\x11", 200, common_v=16.0), bits=20_000, per_bit=8))
    readings = figures.as_readings()
    assert readings["scope-common-high-v"] == pytest.approx(16.0, abs=0.1)
    assert readings["scope-common-spread-v"] == pytest.approx(13.5, abs=0.1)
    highest = next(check for check in figures.checks() if check.name == "common mode, highest")
    assert highest.text().endswith("fail)")


def test_the_mains_are_only_tested_where_that_can_be() -> None:
    half = 1 / 100
    assert _locked(np.linspace(0, 7 * half, 8)) == pytest.approx(1.0)
    # Too few, or within less than four half periods: anything seems locked.
    assert _locked(np.linspace(0, 6 * half, 7)) is None
    assert _locked(np.linspace(0, 0.03, 20)) is None
    assert (_locked(np.random.default_rng(2).uniform(0, 1, 200)) or 0) < 0.2


def test_what_goes_on_to_an_end_of_its_window_is_no_impulse() -> None:
    hits = np.array([0, 0, 1, 1, 0, 0, 0, 1, 0, 0, 0, 1, 1, 1, 0, 1, 0], dtype=np.bool_)
    #         inside ---------------^   to the end ------------^  too short to tell
    windows = np.array([6, 8, 3])
    kept = _within(hits, windows)
    assert kept.tolist() == [bool(bit) for bit in (0, 0, 1, 1, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 1, 0)]


@pytest.mark.parametrize("edge_bits", [0.1, 0.25])
def test_slow_edges_are_no_impulses(edge_bits: float) -> None:
    sharp = record(Talk(REQUEST, 60), Talk(REPLY, 200), per_bit=80)
    taps = np.ones(round(edge_bits * 80)) / round(edge_bits * 80)
    volts: Floats = np.convolve(sharp.difference_v - IDLE_V, taps, mode="same") + IDLE_V
    figures = measure_waveform(Waveform.of(sharp.time_s, volts))
    assert values(figures) == REQUEST + REPLY
    assert figures.impulses == 0


def test_every_format_with_exchanged_wires() -> None:
    for form in ("8N1", "8E1", "8O1"):
        settings = LineSettings(BAUD, CharFormat.parse(form))
        time = np.arange(0, 600 / BAUD, 1 / BAUD / 20)
        volts = np.full(len(time), IDLE_V)
        for octets, at_bits, turned in ((REQUEST, 60, 1), (REPLY, 250, -1)):
            signal = encode(octets, settings)
            on = (time >= at_bits / BAUD) & (time < at_bits / BAUD + signal.duration_s)
            volts = np.where(on, turned * np.where(signal.marks_at(time - at_bits / BAUD), MARK_V, SPACE_V), volts)
        figures = measure_waveform(Waveform.of(time, volts))
        assert values(figures) == REQUEST + REPLY
        assert str(figures.format) == form
        assert figures.polarity is Polarity.MIXED
