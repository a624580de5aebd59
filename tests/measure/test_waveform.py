"""Waveforms of pairs whose physics is known: what is measured must be what was wired."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.measure.waveform import Waveform, measure_waveform, read_waveform
from benchtool.measure.waveform_octets import Polarity
from benchtool.wire.pair import Bias, Cable, Node, Pair, Terminator
from benchtool.wire.uart import encode

REQUEST = bytes.fromhex("1103006B00037687")
"""sheet 3.3 (READ)"""


def pair(
    metres: float = 100.0, ends: tuple[float, ...] = (0.0, 1.0), *, bias: bool = True, turned: bool = False
) -> Pair:
    nodes = (Node("near", 0.0), Node("far", metres, reversed_pair=turned))
    terminators = tuple(Terminator(end * metres) for end in ends)
    return Pair(Cable(), metres, nodes, terminators, (Bias(0.0, 560),) if bias else ())


def shot(
    wired: Pair,
    talker: str = "near",
    probe: str = "near",
    *,
    baud: int = 9600,
    per_bit: float = 100,
    octets: bytes = REQUEST,
    form: str = "8N1",
    noise_v: float = 0.0,
) -> Waveform:
    signal = encode(octets, LineSettings(baud, CharFormat.parse(form)))
    time = np.arange(-8 / baud, signal.duration_s + 30 / baud, 1 / baud / per_bit)
    volts = wired.volts(talker, probe, signal, time)
    return Waveform.of(time, volts + np.random.default_rng(3).normal(0, noise_v, len(time)))


def values(figures: object) -> bytes:
    return bytes(octet.value for octet in figures.octets)  # type: ignore[attr-defined]


@pytest.mark.parametrize("baud", [9600, 19200, 115200])
def test_a_sound_pair(baud: int) -> None:
    wired = pair()
    figures = measure_waveform(shot(wired, probe="far", baud=baud))
    assert figures.polarity is Polarity.NORMAL
    assert figures.baud == pytest.approx(baud, rel=1e-4)
    assert figures.usual_baud == baud
    assert figures.idle_v == pytest.approx(wired.idle_volts("far"), abs=0.002)
    assert figures.mark_v == pytest.approx(wired.driven_volts("near", "far"), abs=0.02)
    assert figures.space_v == pytest.approx(wired.driven_volts("near", "far", mark=False), abs=0.02)
    assert values(figures) == REQUEST
    assert [frame.ok for frame in figures.frames] == [True]


def test_reversed_leads_are_seen_and_the_octets_read_all_the_same() -> None:
    figures = measure_waveform(shot(pair(turned=True), probe="far"))
    assert figures.polarity is Polarity.REVERSED
    assert figures.idle_v is not None
    assert figures.idle_v < -0.2
    assert figures.mark_v is not None
    assert figures.mark_v < -2
    assert values(figures) == REQUEST


@pytest.mark.parametrize("metres", [50.0, 100.0, 200.0])
def test_an_open_far_end_shows_as_a_second_step_at_the_driver(metres: float) -> None:
    figures = measure_waveform(shot(pair(metres, (0.0,)), baud=115200, per_bit=400))
    assert figures.step_m == pytest.approx(metres, rel=0.08)


def test_a_file_gives_the_figures_of_the_arrays(tmp_path: Path) -> None:
    waveform = shot(pair(), probe="far")
    path = tmp_path / "scope.csv"
    rows = zip(waveform.time_s, 2.5 + waveform.difference_v / 2, 2.5 - waveform.difference_v / 2, strict=True)
    path.write_text("time,v(a),v(b)\n" + "".join(f"{t:.9e},{a:.9e},{b:.9e}\n" for t, a, b in rows))
    from_file, from_arrays = measure_waveform(read_waveform(path)), measure_waveform(waveform)
    assert from_file.swing_v == pytest.approx(from_arrays.swing_v, rel=1e-6)
    assert from_file.common_idle_v == pytest.approx(2.5)
    assert values(from_file) == REQUEST
