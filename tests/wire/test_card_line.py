"""The data line's physics: closed formulas, figures of reader manuals, a circuit simulator where it is installed."""

from __future__ import annotations

import math
import shutil
import subprocess
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.wire.card_line import DataLine, Low, ground_shift_v

NO_CABLE_OHM = 1e-9
PLAIN = DataLine(length_m=22.7, ohm_per_m=NO_CABLE_OHM, driver_ohm=0.05, driver_v=0.0)
"""2.27 nF and next to no resistance."""


def test_rise_is_that_of_a_resistor_and_a_capacitor() -> None:
    # V(t) = 5 V (1 - exp(-t / RC)): from 10 to 90 % in RC ln 9.
    rc = 1000 * 2.27e-9
    low = Low(1e-3, 100e-6)
    begin = low.start_s + low.width_s
    for times in (0.1, 0.5, 1.0, 2.0, 4.0):
        [seen] = PLAIN.volts([low], [begin + times * rc])
        assert seen == pytest.approx(5 * (1 - math.exp(-times)), abs=0.01)
    assert pytest.approx(2.197 * rc, rel=1e-3) == PLAIN.rise_s()


def test_a_reader_manuals_rise_time_is_that_of_a_cable_of_tens_of_metres() -> None:
    # Sheet 6.1: rise 5 us with 1 kOhm to 5 V: 2.27 nF.
    assert PLAIN.rise_s() == pytest.approx(5e-6, rel=0.01)


def test_input_sees_a_pulse_longer_by_the_time_to_its_upper_level() -> None:
    before, crossings = PLAIN.crossings([Low(1e-3, 50e-6)], 2e-3, 0.8, 2.0)
    assert before
    assert [one.high for one in crossings] == [False, True]
    late = 1000 * 2.27e-9 * math.log(5 / (5 - 2.0))
    assert crossings[1].t_s - crossings[0].t_s == pytest.approx(50e-6 + late, abs=0.1e-6)


def test_low_level_is_a_divider() -> None:
    line = DataLine(length_m=100, ohm_per_m=0.05296, joint_ohm=94.7, driver_ohm=100, driver_v=0.0)
    # 5.296 + 94.7 + 100 = 200 ohm against 1 kOhm to 5 V.
    assert line.steady_v(pulled=True) == pytest.approx(5 * 200 / 1200, rel=1e-3)
    assert line.steady_v(pulled=False) == pytest.approx(5.0, abs=1e-3)


def test_load_and_leak_divide_the_pull_up() -> None:
    assert DataLine().steady_v(pulled=False, load_ohm=10_000) == pytest.approx(5 * 10 / 11, rel=1e-3)
    assert DataLine(pull_up_ohm=47_000).steady_v(pulled=False, load_ohm=10_000) == pytest.approx(5 * 10 / 57, rel=1e-2)
    assert DataLine(leak_ohm=1000).steady_v(pulled=False) == pytest.approx(2.5, rel=1e-3)


def test_ground_shift_of_the_sheet_keeps_a_low_from_being_low() -> None:
    # Sheet 6.1: 100 mA through 10 ohm of ground wire is 1 V: logic low is no longer low.
    assert ground_shift_v(0.1, 10) == pytest.approx(1.0)
    shifted = DataLine(ground_v=1.0, driver_v=0.0)
    assert shifted.steady_v(pulled=True) == pytest.approx(1.0, abs=0.05)
    assert shifted.crossings([Low(1e-3, 50e-6)], 2e-3)[1] == []
    assert len(DataLine(ground_v=0.5).crossings([Low(1e-3, 50e-6)], 2e-3)[1]) == 2


def test_open_line_never_moves_and_a_shorted_one_rests_low() -> None:
    lows = [Low(1e-3, 50e-6), Low(2e-3, 50e-6)]
    assert DataLine(joint_ohm=math.inf).crossings(lows, 3e-3) == (True, [])
    assert DataLine(leak_ohm=5).crossings(lows, 3e-3) == (False, [])


def test_weak_pull_up_lets_pulses_run_together() -> None:
    lows = [Low(place * 0.5e-3, 50e-6) for place in range(1, 6)]
    line = DataLine(length_m=150, pull_up_ohm=100_000)
    # 15 nF and 100 kOhm: 2 V is reached in 1.5 ms ln(5 / 3) = 0.77 ms, and the next bit comes sooner.
    assert len(line.crossings(lows, 20e-3)[1]) == 2


@given(
    st.floats(1, 200),
    st.sampled_from([470.0, 1000.0, 4700.0, 47_000.0]),
    st.floats(0, 3000),
    st.lists(st.tuples(st.floats(5e-6, 3e-3), st.floats(1e-6, 3e-4)), min_size=1, max_size=12),
)
def test_crossings_alternate_rise_in_time_and_agree_with_the_voltage(
    length_m: float, pull_up: float, joint: float, gaps: list[tuple[float, float]]
) -> None:
    line = DataLine(length_m=length_m, pull_up_ohm=pull_up, joint_ohm=joint)
    lows, t_s = [], 0.0
    for gap, width in gaps:
        t_s += gap
        lows.append(Low(t_s, width))
        t_s += width
    before, crossings = line.crossings(lows, t_s + 10e-3)
    levels = [before, *(one.high for one in crossings)]
    assert all(one != other for one, other in pairwise(levels))
    assert all(one.t_s <= other.t_s for one, other in pairwise(crossings))
    for one, volts in zip(crossings, line.volts(lows, [one.t_s for one in crossings]), strict=True):
        assert volts == pytest.approx(2.0 if one.high else 0.8, abs=0.02)


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="the circuit simulator ngspice is not installed")
@pytest.mark.parametrize(
    ("length_m", "pull_up", "joint", "ground_v"), [(150, 1000, 0, 0), (60, 10_000, 0, 0.4), (150, 1000, 1500, 0)]
)
def test_voltage_is_that_of_a_circuit_simulator(
    tmp_path: Path, length_m: float, pull_up: float, joint: float, ground_v: float
) -> None:
    """Against ten sections of cable with the joint in their middle, so that lumping is tested as well."""
    line = DataLine(
        length_m=length_m, pull_up_ohm=pull_up, joint_ohm=joint, ground_v=ground_v, driver_ohm=20, driver_v=0.1
    )
    sections = 10
    ohm, farad = length_m * line.ohm_per_m / sections, line.farad / sections
    rows = ["data line", f"vp p 0 {line.pull_up_v}", f"rp p n{sections} {pull_up}"]
    for place in range(sections):
        rows.append(f"r{place} n{place} n{place + 1} {ohm + (joint if place == sections // 2 else 0)}")
        rows += [f"ca{place} n{place} 0 {farad / 2}", f"cb{place} n{place + 1} 0 {farad / 2}"]
    rows += [
        "s1 n0 g c 0 switch",
        f"vg g 0 {ground_v + line.driver_v}",
        "vc c 0 pulse(0 1 100u 10n 10n 50u 1m)",
        f".model switch sw(ron={line.driver_ohm} roff=1e9 vt=0.5)",
        ".tran 0.2u 400u",
        ".control",
        "run",
        f"wrdata {tmp_path / 'out'} v(n{sections})",
        "quit",
        ".endc",
        ".end",
    ]
    circuit = tmp_path / "line.cir"
    circuit.write_text("\n".join(rows))
    subprocess.run(["ngspice", "-b", str(circuit)], capture_output=True, check=False, timeout=60)
    # Versions differ in whether they add an ending to the name.
    written = next(path for path in tmp_path.iterdir() if path.name.startswith("out"))
    table = [tuple(map(float, row.split())) for row in written.read_text().splitlines()]
    modelled = line.volts([Low(100e-6, 50e-6)], [t_s for t_s, _ in table])
    worst = max(abs(seen - model) for (_, seen), model in zip(table, modelled, strict=True))
    assert worst < 0.15  # 3 % of the swing, within edges
    settled = [(seen, model) for (t_s, seen), model in zip(table, modelled, strict=True) if 145e-6 < t_s < 150e-6]
    assert all(seen == pytest.approx(model, abs=0.03) for seen, model in settled)
