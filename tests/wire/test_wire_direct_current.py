"""Levels, bias, terminators and meter readings. Published values: sheet sections 1.1 to 1.8."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from benchtool.wire import dc
from benchtool.wire.cable import AWG_OHM_PER_KM, LIGHT_M_PER_S, Cable
from benchtool.wire.pair import FAILSAFE, Bias, Driver, Node, Noise, Pair, Receiver, Terminator
from benchtool.wire.parts import UNIT_LOAD_OHM

NO_LOAD = Receiver(unit_loads=1e-9)
PERFECT = Cable(loop_ohm_per_m=0.0, db_per_100m_at_1mhz=0.0)


def bus(
    *,
    terminators: int = 2,
    loads: int = 0,
    pull_ohm: float | None = None,
    supply_v: float = 5.0,
    length_m: float = 10.0,
    cable: Cable = PERFECT,
) -> Pair:
    places = [0.0, length_m, length_m / 2][:terminators]
    nodes = tuple(Node(f"load {place}", 0.0, receiver=Receiver()) for place in range(loads))
    return Pair(
        cable,
        length_m,
        (Node("meter", length_m, receiver=NO_LOAD), *nodes),
        tuple(Terminator(place) for place in places),
        (Bias(0.0, pull_ohm, supply_v),) if pull_ohm else (),
    )


BIAS_TABLE = [
    (390, 357.1, 310.9, 666.7, 1623.4),
    (450, 312.5, 271.7, 588.2, 1470.6),
    (470, 300.0, 260.8, 566.0, 1425.9),
    (560, 254.2, 220.7, 483.9, 1254.2),
    (650, 220.6, 191.3, 422.5, 1119.4),
    (680, 211.3, 183.2, 405.4, 1080.7),
    (720, 200.0, 173.4, 384.6, 1033.1),
    (1000, 145.6, 126.1, 283.0, 789.5),
    (4700, 31.7, 27.4, 63.0, 191.8),
]


@pytest.mark.parametrize(("pull", "two", "two_loaded", "one", "loaded"), BIAS_TABLE)
def test_idle_voltage_table(pull: float, two: float, two_loaded: float, one: float, loaded: float) -> None:
    # sheet section 1.7, idle table (COMPUTED)
    assert 1e3 * bus(pull_ohm=pull).idle_volts("meter") == pytest.approx(two, abs=0.06)
    assert 1e3 * bus(pull_ohm=pull, loads=32).idle_volts("meter") == pytest.approx(two_loaded, abs=0.06)
    assert 1e3 * bus(pull_ohm=pull, terminators=1).idle_volts("meter") == pytest.approx(one, abs=0.06)
    assert 1e3 * bus(pull_ohm=pull, terminators=0, loads=32).idle_volts("meter") == pytest.approx(loaded, abs=0.06)


def test_bias_examples() -> None:
    # sheet section 1.7, example 1 (READ, verified)
    assert bus(terminators=0, loads=32, pull_ohm=4700).idle_volts("meter") == pytest.approx(0.1918, abs=5e-5)
    # example 2 (READ): ten nodes with 4.7 k each are 470 ohm; 286.5 mV
    ten = replace(bus(loads=10), biases=tuple(Bias(place, 4700) for place in np.linspace(0, 10, 10)))
    assert ten.idle_volts("meter") == pytest.approx(0.2865, abs=5e-5)
    # example 4 (from memory): 685.7 ohm each give 200 mV
    assert bus(loads=10, pull_ohm=685.7).idle_volts("meter") == pytest.approx(0.2, abs=5e-5)
    # example 8 (derivation from a READ rule)
    assert bus(pull_ohm=720).idle_volts("meter") == pytest.approx(0.2, abs=1e-6)
    assert bus(pull_ohm=465, supply_v=3.3).idle_volts("meter") == pytest.approx(0.2, abs=5e-5)
    # example 9 (from memory)
    assert bus(terminators=1, pull_ohm=1440).idle_volts("meter") == pytest.approx(0.2, abs=1e-6)
    # example 12 (READ)
    assert bus(pull_ohm=510).idle_volts("meter") == pytest.approx(0.2778, abs=5e-5)


def test_a_terminator_missing_or_too_many_shows_in_the_idle_voltage() -> None:
    # sheet section 1.8 (COMPUTED): 560 ohm, 254 → 484 mV with one missing, 172.4 mV with three
    readings = [1e3 * bus(terminators=count, pull_ohm=560).idle_volts("meter") for count in (2, 1, 3)]
    assert readings == pytest.approx([254.2, 483.9, 172.4], abs=0.06)


@pytest.mark.parametrize(
    ("count", "ohm", "loaded"), [(0, math.inf, 375), (1, 120, 90.9), (2, 60, 51.7), (3, 40, 36.1), (4, 30, 27.8)]
)
def test_meter_between_the_wires(count: int, ohm: float, loaded: float) -> None:
    # sheet section 1.8, meter table (COMPUTED)
    pair = bus(loads=32)
    pair = replace(pair, terminators=tuple(Terminator(float(place)) for place in range(count)))
    assert pair.resistance_ohm(0.0) == pytest.approx(ohm)
    assert pair.resistance_ohm(3.3, inputs=True) == pytest.approx(loaded, abs=0.06)


@pytest.mark.parametrize(("metres", "ohm"), [(300, 70.4), (1000, 84.7)])
def test_far_terminator_is_read_through_the_cable(metres: float, ohm: float) -> None:
    # sheet section 1.8 (COMPUTED), AWG24
    pair = bus(length_m=metres, cable=Cable())
    assert pair.resistance_ohm(0.0) == pytest.approx(ohm, abs=0.05)
    assert pair.resistance_ohm(metres) == pytest.approx(ohm, abs=0.05)


def test_meter_with_the_bias_supply_shorted() -> None:
    # sheet section 1.8 (COMPUTED)
    two, one = bus(pull_ohm=560), bus(pull_ohm=560, terminators=1)
    assert two.resistance_ohm(0.0) == pytest.approx(60)
    assert two.resistance_ohm(0.0, dead_supply_ohm=0.0) == pytest.approx(56.9, abs=0.05)
    assert one.resistance_ohm(0.0, dead_supply_ohm=0.0) == pytest.approx(108.4, abs=0.05)


def test_unit_loads() -> None:
    # sheet section 1.2: 1/8 unit load is 96 kilohm (READ), 1/4 48, 1/2 24 (COMPUTED); section 1.1: 12 kilohm (READ)
    assert UNIT_LOAD_OHM == 12_000
    assert [Receiver(unit_loads=share).input_ohm for share in (1 / 8, 1 / 4, 1 / 2)] == [96_000, 48_000, 24_000]
    # section 1.1 check (COMPUTED): two 120 ohm and 32 unit loads
    assert bus(loads=32).resistance_ohm(0.0, inputs=True) == pytest.approx(51.72, abs=0.005)


def loaded_driver(driver: Driver, ohm: float) -> float:
    pair = Pair(PERFECT, 0.0, (Node("driver", 0.0, driver, NO_LOAD),), (Terminator(0.0, ohm),))
    assert pair.driven_volts("driver", "driver", mark=False) == pytest.approx(-pair.driven_volts("driver", "driver"))
    return pair.driven_volts("driver", "driver")


def test_driver_level_into_54_ohm() -> None:
    # sheet section 1.1 (READ): 1.5 … 5 V loaded, 1.5 … 6 V open, at most 250 mA into a short (to −7 … +12 V)
    assert 1.5 <= loaded_driver(Driver(), 54.0) <= 5.0
    assert loaded_driver(Driver(), 54.0) == pytest.approx(2.5)
    assert 1.5 <= loaded_driver(Driver(), 1e9) <= 6.0
    assert Driver().open_volts / Driver().output_ohm <= 0.25


def test_receiver_window() -> None:
    # sheet section 1.1 (READ): +200 mV one state, −200 mV the other, between undefined
    plain = Receiver()
    assert [plain.defined(volts) for volts in (0.2, 0.199, 0.0, -0.199, -0.2)] == [True, None, None, None, False]
    # sheet section 1.7 (READ): −200 … −50 mV needs no bias
    assert FAILSAFE.defined(0.0) is True
    assert FAILSAFE.low_v < FAILSAFE.threshold_v < FAILSAFE.high_v


def test_driven_level_falls_along_the_cable() -> None:
    pair = Pair(Cable(), 1000.0, (Node("near", 0.0), Node("far", 1000.0)), (Terminator(0.0), Terminator(1000.0)))
    far_load = 1 / (1 / 120 + 1 / UNIT_LOAD_OHM)
    near, far = pair.driven_volts("near", "near"), pair.driven_volts("near", "far")
    assert far / near == pytest.approx(far_load / (far_load + 168.4), abs=1e-6)


def test_reversed_and_disconnected_nodes() -> None:
    pair = Pair(
        PERFECT,
        10.0,
        (Node("a", 0.0), Node("b", 10.0, reversed_pair=True), Node("c", 5.0, connected=False)),
        (Terminator(0.0), Terminator(10.0)),
        (Bias(0.0, 560),),
    )
    assert pair.idle_volts("b") == pytest.approx(-pair.idle_volts("a"))
    assert pair.driven_volts("a", "b") == pytest.approx(-pair.driven_volts("a", "a"))
    assert pair.driven_volts("b", "b") > 0
    assert pair.driven_volts("b", "a") < 0
    assert pair.idle_volts("c") == 0.0
    with pytest.raises(ValueError, match="'c' is not connected"):
        pair.driven_volts("c", "a")
    with pytest.raises(KeyError, match="no node 'd'"):
        pair.idle_volts("d")


@pytest.mark.parametrize("gauge", sorted(AWG_OHM_PER_KM))
def test_wire_resistance_from_its_diameter(gauge: int) -> None:
    # sheet section 1.6 (READ and verified): ρ20 = 1.7241 µΩ·cm, d = 0.127·92^((36−n)/39) mm
    diameter = 0.127 * 92 ** ((36 - gauge) / 39)
    assert AWG_OHM_PER_KM[gauge] == pytest.approx(17.241 / (math.pi / 4 * diameter**2), rel=2e-3)


def test_voltage_drop() -> None:
    # sheet section 1.6 (COMPUTED): ΔV = loop resistance × current
    assert Cable().loop_ohm_per_m * 100 * 0.25 == pytest.approx(4.210, abs=5e-4)
    assert Cable.awg(22).loop_ohm_per_m * 100 * 0.25 == pytest.approx(2.648, abs=5e-4)
    assert Cable.awg(18).loop_ohm_per_m * 150 * 0.25 == pytest.approx(1.571, abs=5e-4)
    assert Cable.awg(24).loop_ohm_per_m == pytest.approx(Cable().loop_ohm_per_m)


def test_cable_delay_and_capacitance() -> None:
    # sheet section 1.5: 5.054 and 4.277 ns/m (COMPUTED); 2000 ft there and back 6.16 µs (READ, verified)
    assert Cable().delay_s_per_m * 1e9 == pytest.approx(5.054, abs=5e-4)
    assert Cable(velocity=0.78).delay_s_per_m * 1e9 == pytest.approx(4.277, abs=1e-3)
    assert 2 * 2000 * 0.3048 * Cable().delay_s_per_m * 1e6 == pytest.approx(6.162, abs=5e-4)
    assert LIGHT_M_PER_S == 299_792_458
    # sheet section 1.6 (READ): the example cable has 12.8 pF/ft, 66 %, 120 ohm
    assert Cable().capacitance_f_per_m * 0.3048e12 == pytest.approx(12.8, abs=0.05)


def test_cable_loss_follows_the_root_of_the_frequency() -> None:
    def decibels(hertz: float, cable: Cable) -> float:
        gamma, _ = cable.travel(np.array([2j * np.pi * hertz]))
        return float(gamma.real[0]) * 100 * 8.686

    assert decibels(1e6, Cable()) == pytest.approx(2.0, rel=0.1)
    assert decibels(1e8, Cable()) / decibels(1e6, Cable()) == pytest.approx(10, rel=0.1)
    assert decibels(1e6, PERFECT) == pytest.approx(0.0, abs=1e-9)
    _, impedance = PERFECT.travel(np.array([2j * np.pi * 1e6]))
    assert impedance[0] == pytest.approx(120.0)


def test_network_on_which_nothing_conducts() -> None:
    none = np.zeros(2)
    runs = (dc.Run(0, 1, 5.0),)
    assert dc.solve(2, runs, 0.1, none, none).tolist() == [0.0, 0.0]
    assert dc.solve(2, runs, 0.1, none, np.array([1.0, 0.0])).tolist() == [math.inf, math.inf]


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Cable(impedance_ohm=0), "impedance above 0"),
        (lambda: Cable(velocity=1.1), "velocity above 0"),
        (lambda: Cable(loop_ohm_per_m=-1), "cannot be negative"),
        (lambda: Driver(output_ohm=0), "above 0"),
        (lambda: Driver(lead_s=-1), "cannot be negative"),
        (lambda: Receiver(threshold_v=0.19), "inside low_v"),
        (lambda: Receiver(unit_loads=0), "more than 0 unit loads"),
        (lambda: Terminator(0, 0), "more than 0 ohm"),
        (lambda: Bias(0, 0), "more than 0 ohm"),
        (lambda: Noise(rms_v=-1), "can be negative"),
        (lambda: Pair(Cable(), -1, ()), "length cannot be negative"),
        (lambda: Pair(Cable(), 5, (Node("a", 6),)), "position 6 m is not on a pair of 5 m"),
        (lambda: Pair(Cable(), 5, (Node("a", 1), Node("a", 2))), "same name"),
    ],
)
def test_impossible_parts_are_refused(make: object, words: str) -> None:
    assert callable(make)
    with pytest.raises(ValueError, match=words):
        make()
