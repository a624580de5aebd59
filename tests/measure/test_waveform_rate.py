"""What is said of a waveform's bit rate."""

from __future__ import annotations

import numpy as np
import pytest

from benchtool.capture.settings import LineSettings
from benchtool.measure.waveform import Waveform, measure_waveform
from benchtool.measure.waveform_rate import rate_words
from benchtool.wire.uart import encode

REQUEST = bytes.fromhex("1103006B00037687")
"""sheet 3.3 (READ)"""
REPLY = bytes.fromhex("110306AE415652434049AD")
"""sheet 3.3 (MEMORY, CRC verified)"""


def record(baud: int, *, first: float = 1.0, second: float = 1.0, noise_v: float = 0.0) -> Waveform:
    """A question and its answer; `first`, `second`: how much too fast each clock is."""
    time = np.arange(0, 450 / baud, 1 / baud / 25)
    volts = np.full(len(time), 0.25)
    for octets, at_bits, clock in ((REQUEST, 60, first), (REPLY, 220, second)):
        signal = encode(octets, LineSettings(round(baud * clock)))
        on = (time >= at_bits / baud) & (time < at_bits / baud + signal.duration_s)
        volts = np.where(on, np.where(signal.marks_at(time - at_bits / baud), 2.6, -2.4), volts)
    return Waveform.of(time, volts + np.random.default_rng(4).normal(0, noise_v, len(time)))


@pytest.mark.parametrize("baud", [9600, 38400, 115200])
def test_nothing_is_said_where_the_rate_is_right(baud: int) -> None:
    figures = measure_waveform(record(baud), baud)
    assert rate_words(figures, baud) == ()
    assert rate_words(figures, None) == ()


@pytest.mark.parametrize("noise_v", [0.0, 0.35])
@pytest.mark.parametrize("given", [4800, 9600, 19200, 57600, 115200])
def test_another_rate_than_the_one_given_is_found_and_said(given: int, noise_v: float) -> None:
    figures = measure_waveform(record(38400, noise_v=noise_v), given)
    assert figures.baud == pytest.approx(38400, rel=0.005)
    assert figures.baud_given == given
    assert all(frame.ok for frame in figures.frames)
    assert len(figures.frames) == 2
    (words,) = rate_words(figures, given)
    assert f"at 38400 bit/s, but {given} is set" in words
    assert "--baud 38400" in words


def test_a_clock_that_is_off() -> None:
    figures = measure_waveform(record(38400, first=1.05, second=1.05))
    (words,) = rate_words(figures, None)
    assert "4.9% above the nearest usual rate, 38400" in words
    assert "above what is set, 38400" in rate_words(figures, 38400)[0]
    rate_off = next(check for check in figures.checks() if check.name.startswith("bit rate off"))
    # Sheet 3.1 (Modbus guide): 2 % or less.
    assert rate_off.text() == "bit rate off: 4.95 % (limit 2 % or less: fail)"


def test_talkers_that_do_not_agree() -> None:
    (words,) = rate_words(measure_waveform(record(38400, second=1.06)), 38400)
    assert words.startswith("The talkers do not agree: 384")
    assert "6.0% apart" in words


def test_an_unusual_rate_is_given_as_it_is() -> None:
    (words,) = rate_words(measure_waveform(record(31250)), 9600)
    assert "--baud 312" in words


def test_nothing_is_said_of_a_record_without_talk() -> None:
    quiet = Waveform.of(np.arange(2000) * 1e-5, np.full(2000, 0.25))
    assert rate_words(measure_waveform(quiet, 9600), 9600) == ()
