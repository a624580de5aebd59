"""Waveforms of pairs whose physics is known: what is measured must be what was wired."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.measure.waveform import Waveform, WaveformFigures, find_eye, measure_waveform, read_waveform
from benchtool.measure.waveform_limits import Check, Verdict, quantity
from benchtool.measure.waveform_octets import Polarity
from benchtool.measure.waveform_readings import CORE, SPREAD, spread
from benchtool.wire.pair import Bias, Cable, Driver, Node, Pair, Terminator
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


def values(figures: WaveformFigures) -> bytes:
    return bytes(octet.value for octet in figures.octets)


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


# 5.054 ns a metre at 66 % (sheet 1.5): the echo of 100 m comes after 1.01 us; loss smears it, so it reads longer.
@pytest.mark.parametrize("metres", [30.0, 50.0, 100.0, 200.0, 300.0, 800.0])
@pytest.mark.parametrize("ends", [(0.0,), ()], ids=["far missing", "both missing"])
def test_an_open_far_end_shows_as_a_second_step_at_the_driver(metres: float, ends: tuple[float, ...]) -> None:
    figures = measure_waveform(shot(pair(metres, ends), baud=115200, per_bit=200))
    assert figures.step_m == pytest.approx(metres, rel=0.1)
    assert figures.step_share is not None
    assert 0.12 < figures.step_share < 0.3


@pytest.mark.parametrize("metres", [30.0, 100.0, 300.0])
@pytest.mark.parametrize("ends", [(0.0,), ()], ids=["far missing", "both missing"])
def test_an_open_far_end_rings_where_it_is_seen(metres: float, ends: tuple[float, ...]) -> None:
    figures = measure_waveform(shot(pair(metres, ends), probe="far", baud=115200, per_bit=200))
    assert figures.ring_m == pytest.approx(metres, rel=0.1)
    assert figures.overshoot is not None
    assert figures.overshoot > 0.25


@pytest.mark.parametrize("metres", [30.0, 100.0, 300.0, 800.0])
@pytest.mark.parametrize("probe", ["near", "far"])
def test_a_terminated_pair_has_no_echo(metres: float, probe: str) -> None:
    figures = measure_waveform(shot(pair(metres), probe=probe, baud=115200, per_bit=200, noise_v=0.01))
    assert (figures.ring_m, figures.step_share, figures.step_m) == (None, 0.0, None)
    assert figures.overshoot is not None
    assert figures.overshoot < 0.05


@pytest.mark.parametrize(("rise_ns", "baud"), [(100.0, 115200), (500.0, 115200), (4000.0, 19200)])
def test_the_edge_of_the_driver(rise_ns: float, baud: int) -> None:
    driver = Driver(rise_ns=rise_ns)
    ends = (Terminator(0.0), Terminator(20.0))
    wired = Pair(Cable(), 20.0, (Node("near", 0.0, driver), Node("far", 20.0, driver)), ends, (Bias(0.0, 560),))
    figures = measure_waveform(shot(wired, baud=baud, per_bit=400))
    assert figures.edge_s == pytest.approx(rise_ns * 1e-9, rel=0.12)
    assert figures.shape is not None
    assert not figures.shape.limited


def checks(figures: WaveformFigures) -> dict[str, Check]:
    return {check.name: check for check in figures.checks()}


def test_figures_stand_beside_the_standards_limits() -> None:
    # sheet 1.1 (READ): 1.5 to 5 V loaded, 200 mV, -7 to +12 V, edge 30 % of the bit
    sound = checks(measure_waveform(shot(pair(), probe="far")))
    assert {name for name, check in sound.items() if check.verdict is Verdict.FAIL} == set()
    for name in ("idle, A minus B", "mark", "space", "edge as a share of the bit", "eye in mid-bit"):
        assert sound[name].verdict is Verdict.PASS, name
    assert sound["common mode, lowest"].verdict is Verdict.UNKNOWN
    assert "TIA-485" in sound["mark"].source
    assert sound["mark"].text() == "mark: 2.42 V (limit 1.5 to 5 V: pass)"


def test_what_breaks_a_limit_fails() -> None:
    unbiased = checks(measure_waveform(shot(pair(bias=False), probe="far")))
    assert unbiased["idle, A minus B"].verdict is Verdict.FAIL
    weak = shot(pair(), probe="far")
    faint = checks(measure_waveform(Waveform.of(weak.time_s, weak.difference_v / 20, weak.time_s * 0 + 14)))
    assert faint["mark"].verdict is Verdict.FAIL
    assert faint["weakest level of any talker"].verdict is Verdict.FAIL
    assert faint["common mode, highest"].verdict is Verdict.FAIL
    assert faint["bits not beyond 200 mV in their middle"].value == 1
    slow = Driver(rise_ns=40_000)
    wired = Pair(Cable(), 10.0, (Node("near", 0.0, slow), Node("far", 10.0)), (Terminator(0.0), Terminator(10.0)))
    assert checks(measure_waveform(shot(wired)))["edge as a share of the bit"].verdict is Verdict.FAIL


def test_a_slow_edge_between_two_samples_is_not_judged() -> None:
    figures = measure_waveform(shot(pair(), probe="far", per_bit=3))
    assert figures.shape is None or checks(figures)["edge as a share of the bit"].verdict is not Verdict.FAIL


def test_a_grounded_wire_stands_still() -> None:
    waveform = shot(pair(), probe="far")
    b = 2.5 - waveform.difference_v / 2
    figures = measure_waveform(Waveform.of_wires(waveform.time_s, b * 0, b))
    assert figures.wire_swing_v is not None
    assert figures.wire_swing_v[0] == pytest.approx(0, abs=1e-6)
    assert figures.as_readings()["scope-wire-balance"] == pytest.approx(-1)
    assert figures.common_step_v == pytest.approx(-figures.wire_swing_v[1] / 2)
    assert figures.polarity is Polarity.NORMAL
    assert values(figures) == REQUEST


def test_readings_are_flat_and_named_for_the_scope() -> None:
    readings = measure_waveform(shot(pair(100.0, (0.0,)), baud=115200, per_bit=200)).as_readings()
    assert all(re.fullmatch(r"scope-[a-z0-9-]+", name) for name in readings)
    assert readings["scope-swing-v"] == pytest.approx(readings["scope-mark-v"] - readings["scope-space-v"])
    assert readings["scope-baud"] == pytest.approx(115200, rel=1e-3)
    assert readings["scope-reversed"] == 0
    assert readings["scope-step-m"] == pytest.approx(100, rel=0.1)
    assert readings["scope-line-errors"] == 0
    assert {name for name in readings if not name.endswith("-v")} - {"scope-eye-v"} <= set(SPREAD)
    assert spread("scope-idle-v", 0.0) == pytest.approx(0.03)
    assert spread("scope-step-m", 100.0) == pytest.approx(10.2, abs=0.01)


def test_what_a_record_of_both_wires_gives_holds_the_core() -> None:
    waveform = shot(pair(), probe="far", noise_v=0.01)
    figures = measure_waveform(Waveform.of(waveform.time_s, waveform.difference_v, waveform.time_s * 0 + 2.5))
    # Only with several talkers, and only with impulses.
    assert set(CORE) - set(figures.as_readings()) == {
        "scope-baud-spread",
        "scope-common-spread-v",
        "scope-mains-locked",
    }


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [(0.0123, "V", "12.3 mV"), (-2.434, "V", "-2.43 V"), (1.01e-6, "s", "1.01 us"), (0.305, "%", "30.5 %"),
     (0.0, "V", "0 V"), (99.96, "m", "99.96 m"), (9600, "bit/s", "9600 bit/s"), (4e-13, "s", "0 s"),
     (3.0, "", "3"), (4e-16, "V", "0 V"), (41.9e-9, "V", "0 V"), (-6e-4, "V", "-600 uV"), (4e-16, "%", "0 %"),
     (38398.4, "bit/s", "38398 bit/s"), (1e-9, "m", "0 m"), (4e-16, "", "0"), (18648.5, "", "18600"),
     (0.02229, "bits", "0.0223 bits"),
     (48e-9, "s", "48 ns")],
)  # fmt: skip
def test_quantities_in_words(value: float, unit: str, text: str) -> None:
    assert quantity(value, unit) == text


def test_the_eye_of_a_sound_pair_is_open() -> None:
    waveform = shot(pair(), probe="far")
    figures = measure_waveform(waveform)
    eye = find_eye(waveform, figures)
    assert eye is not None
    # start and data bits of 8 octets
    assert eye.bits == 72
    assert eye.width > 0.95
    assert figures.eye_v == pytest.approx(figures.swing_v, rel=0.03)
    assert float((eye.lowest_mark_v - eye.highest_space_v)[48]) == pytest.approx(figures.eye_v, rel=0.01)


def test_a_file_gives_the_figures_of_the_arrays(tmp_path: Path) -> None:
    waveform = shot(pair(), probe="far")
    path = tmp_path / "scope.csv"
    rows = zip(waveform.time_s, 2.5 + waveform.difference_v / 2, 2.5 - waveform.difference_v / 2, strict=True)
    path.write_text("time,v(a),v(b)\n" + "".join(f"{t:.9e},{a:.9e},{b:.9e}\n" for t, a, b in rows))
    from_file, from_arrays = measure_waveform(read_waveform(path)), measure_waveform(waveform)
    assert from_file.swing_v == pytest.approx(from_arrays.swing_v, rel=1e-6)
    assert from_file.common_idle_v == pytest.approx(2.5)
    assert values(from_file) == REQUEST
