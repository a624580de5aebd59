"""Both wires against ground: contention, stubs, broken, shorted and grounded wires, ground offset, common mode."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.capture.settings import LineSettings
from benchtool.wire import dc
from benchtool.wire.cable import Cable
from benchtool.wire.link import Link
from benchtool.wire.pair import (
    FAILSAFE,
    Bias,
    Break,
    Driver,
    Leak,
    Level,
    Node,
    Noise,
    Pair,
    Receiver,
    Short,
    Terminator,
)
from benchtool.wire.signal import Signal
from benchtool.wire.uart import encode

PERFECT = Cable(loop_ohm_per_m=0.0, db_per_100m_at_1mhz=0.0)
NO_LOAD = Receiver(unit_loads=1e-9)
LINE = LineSettings(115200)
FRAME = bytes.fromhex("1103006B00037687")
LINEAR = Signal(np.array([0.0]), np.array([-1], dtype=np.int8), 1.0)


def bus(
    *,
    metres: float = 100.0,
    cable: Cable = PERFECT,
    bias_ohm: float | None = None,
    receiver: Receiver = NO_LOAD,
    far: Node | None = None,
    breaks: tuple[Break, ...] = (),
    shorts: tuple[Short, ...] = (),
    leaks: tuple[Leak, ...] = (),
) -> Pair:
    """Near and middle node, and `far` at the end; terminators at both ends."""
    return Pair(
        cable,
        metres,
        (
            Node("near", 0.0, receiver=receiver),
            Node("middle", metres / 2, receiver=receiver),
            far or Node("far", metres, receiver=receiver),
        ),
        (Terminator(0.0), Terminator(metres)),
        (Bias(0.0, bias_ohm),) if bias_ohm else (),
        breaks=breaks,
        shorts=shorts,
        leaks=leaks,
    )


# ---- the network by itself


def test_circuit_of_a_voltage_divider() -> None:
    circuit = dc.Circuit(2)
    circuit.source(0, 10.0, 100.0)
    circuit.join(0, 1, 300.0)
    circuit.join(1, circuit.ground, 600.0)
    assert circuit.volts() == pytest.approx([9.0, 6.0])
    # 600 in parallel with 300 and 100 in series
    assert circuit.resistance_ohm(1, circuit.ground) == pytest.approx(240.0)
    assert circuit.resistance_ohm(1, 1) == 0.0


def test_circuit_without_ground_or_resistance() -> None:
    circuit = dc.Circuit(5)
    circuit.join(0, 1, 50.0)
    circuit.join(1, 2, 0.0)
    assert circuit.volts() == [0.0] * 5
    assert circuit.resistance_ohm(0, 2) == pytest.approx(50.0)
    assert circuit.resistance_ohm(1, 2) == 0.0
    assert circuit.resistance_ohm(0, 3) == math.inf
    assert circuit.resistance_ohm(0, circuit.ground) == math.inf


def test_a_source_without_resistance_holds_its_terminal() -> None:
    circuit = dc.Circuit(2)
    circuit.source(0, 3.0, 0.0)
    circuit.join(0, 1, 10.0)
    assert circuit.volts() == pytest.approx([3.0, 3.0])


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 5), st.integers(0, 5), st.floats(1.0, 1e4)), max_size=12))
def test_what_is_fed_in_at_one_terminal_comes_out_at_the_other(rows: list[tuple[int, int, float]]) -> None:
    """Current into every free terminal adds up to nothing, whatever is joined."""
    circuit = dc.Circuit(5)
    circuit.source(0, 5.0, 100.0)
    for one, other, ohm in rows:
        if one != other:
            circuit.join(one, other, ohm)
    volts = [*circuit.volts(), 0.0]
    for terminal in range(5):
        current = (5.0 - volts[0]) / 100.0 if terminal == 0 else 0.0
        for one, other, ohm in rows:
            if one != other and terminal in (one, other):
                current += (volts[one] + volts[other] - 2 * volts[terminal]) / ohm
        assert current == pytest.approx(0.0, abs=1e-9)


# ---- levels


def test_driver_into_54_ohm_against_ground() -> None:
    # sheet 1.1 (READ): 1.5 … 5 V into 54 ohm, common mode -1 … +3 V
    pair = Pair(PERFECT, 0.0, (Node("one", 0.0, receiver=NO_LOAD),), (Terminator(0.0, 54.0),))
    mark, space = pair.levels({"one": True})["one"], pair.levels({"one": False})["one"]
    assert mark == pytest.approx(Level(2.5, 2.5))
    assert space == pytest.approx(Level(-2.5, 2.5))
    assert -1 <= mark.common_v <= 3


def test_two_equal_drivers_against_each_other_give_nothing() -> None:
    levels = bus().levels({"near": True, "far": False})
    assert [level.difference_v for level in levels.values()] == pytest.approx([0.0] * 3, abs=1e-6)
    assert [level.common_v for level in levels.values()] == pytest.approx([2.5] * 3)
    together = bus().levels({"near": True, "far": True})["middle"]
    # Two sources of 5 V behind 54 ohm are one behind 27, into 60.
    assert together.difference_v == pytest.approx(5 * 60 / 87)


def test_the_stronger_driver_wins_and_copper_gives_each_its_own_end() -> None:
    strong = Node("far", 100.0, Driver(output_ohm=20.0), NO_LOAD)
    levels = bus(far=strong).levels({"near": True, "far": False})
    # Millman: (5/54 - 5/20) / (1/54 + 1/20 + 1/60)
    assert levels["middle"].difference_v == pytest.approx((5 / 54 - 5 / 20) / (1 / 54 + 1 / 20 + 1 / 60))
    long = bus(metres=1000.0, cable=Cable()).levels({"near": True, "far": False})
    assert long["near"].difference_v > 1.0
    assert long["far"].difference_v == pytest.approx(-long["near"].difference_v)
    assert long["middle"].difference_v == pytest.approx(0.0, abs=1e-6)


def test_reversed_and_hanging_nodes() -> None:
    turned = bus(far=Node("far", 100.0, receiver=NO_LOAD, reversed_pair=True), bias_ohm=560.0)
    idle = turned.levels({})
    assert idle["far"].difference_v == pytest.approx(-idle["near"].difference_v)
    assert idle["far"].common_v == pytest.approx(idle["near"].common_v)
    assert turned.levels({"far": True})["near"].difference_v < 0
    hanging = bus(far=Node("far", 100.0, connected=False))
    assert hanging.levels({"far": True})["far"] == Level(0.0, 0.0)
    assert hanging.levels({"far": True})["near"].difference_v == 0.0
    with pytest.raises(KeyError, match="no node 'other'"):
        hanging.levels({"other": True})


@pytest.mark.parametrize("loads", [1 / 8, 1.0, 4.0])
def test_unit_loads_join_wires_and_ground(loads: float) -> None:
    # sheet 1.1 and 1.2 (READ): at least 12 kilohm a unit load between the wires
    pair = Pair(PERFECT, 1.0, (Node("one", 0.0, receiver=Receiver(unit_loads=loads)),))
    assert pair.resistance_ohm(0.0, inputs=True) == pytest.approx(12_000 / loads)
    # One wire to ground: 12 kilohm, and by the other wire 24 and 12.
    assert pair.ground_ohm(0.0, "a", inputs=True) == pytest.approx(9_000 / loads)
    assert pair.ground_ohm(0.0, "a") == math.inf


def test_both_ways_of_computing_levels_agree() -> None:
    """Nodal analysis of the difference alone, as the solver of the edges uses it, and of both wires."""
    pair = bus(metres=700.0, cable=Cable(), bias_ohm=560.0, receiver=Receiver())
    driven = pair.levels({"near": True})["far"].difference_v - pair.levels({"near": False})["far"].difference_v
    ohm = 1 / Receiver().input_ohm
    siemens = np.array([1 / 120 + 1 / 1120 + ohm + 1 / 54, ohm, 1 / 120 + ohm])
    runs = (dc.Run(0, 1, 350.0), dc.Run(1, 2, 350.0))
    volts = dc.solve(3, runs, Cable().loop_ohm_per_m, siemens, np.array([5 / 54, 0.0, 0.0]))
    assert driven / 2 == pytest.approx(volts[2])


# ---- broken, shorted, grounded


def test_break_of_both_wires_cuts_off() -> None:
    pair = bus(breaks=(Break(70.0, "both"),), bias_ohm=560.0, receiver=Receiver())
    assert pair.levels({"near": True})["far"] == Level(0.0, 0.0)
    assert pair.levels({"near": True})["middle"].difference_v > 2.5
    # sheet 1.8 (COMPUTED): 120 ohm with one terminator, 60 with both
    assert pair.resistance_ohm(0.0) == pytest.approx(120.0)
    assert pair.resistance_ohm(100.0) == pytest.approx(120.0)
    # sheet 1.7 (COMPUTED), idle table: 560 ohm and one terminator
    assert replace(pair, nodes=bus().nodes).idle_volts("near") == pytest.approx(0.4839, abs=5e-5)
    assert pair.volts("near", "far", LINEAR, np.array([-1.0, 0.5])).tolist() == [0.0, 0.0]


@pytest.mark.parametrize(("wire", "sign"), [("a", -1), ("b", 1)])
def test_break_of_one_wire(wire: str, sign: int) -> None:
    pair = bus(breaks=(Break(70.0, wire),), receiver=FAILSAFE)
    assert pair.resistance_ohm(0.0) == pytest.approx(120.0)
    assert pair.ground_ohm(0.0, wire) == math.inf
    # Beyond, the open wire follows the other one through terminator and input, short of its own way to ground.
    mark, space = pair.levels({"near": True})["far"], pair.levels({"near": False})["far"]
    across = 1 / (1 / 120 + 1 / 24_000)
    whole = mark.common_v - sign * mark.difference_v / 2, mark.common_v + sign * mark.difference_v / 2
    held, loose = whole[1], whole[0]
    assert loose / held == pytest.approx(12_000 / (12_000 + across))
    assert abs(mark.difference_v) < 0.05
    assert abs(space.difference_v) < 0.05
    heard = Link(pair, 1).carry("near", "far", FRAME, LINE, LINE)
    assert heard.octets == ()


@pytest.mark.parametrize(("position", "cut"), [(0.0, ("middle", "far")), (100.0, ("far",)), (50.0, ("far",))])
def test_every_break_cuts_something_off(position: float, cut: tuple[str, ...]) -> None:
    pair = bus(breaks=(Break(position, "a"), Break(position, "b")))
    levels = pair.levels({"near": True})
    assert {name for name, level in levels.items() if level == Level(0.0, 0.0)} == set(cut)


def test_a_signal_beyond_a_grounding_of_the_broken_wire_is_a_plain_edge() -> None:
    """With a way back through ground a broken wire still lets something through."""
    pair = bus(breaks=(Break(70.0, "b"),), leaks=(Leak(100.0, "b", 10.0),))
    edge = pair.step_response("near", "far")
    assert edge.volts[0] == 0.0
    mark, space = pair.levels({"near": True})["far"], pair.levels({"near": False})["far"]
    assert edge.volts[-1] == pytest.approx(mark.difference_v - space.difference_v)
    assert edge.volts[-1] > 0.5
    middle = float(np.interp(edge.volts[-1] / 2, edge.volts, edge.times_s))
    assert middle == pytest.approx(pair.delay_s("near", "far"), abs=1e-9)
    ten, ninety = (float(np.interp(share * edge.volts[-1], edge.volts, edge.times_s)) for share in (0.1, 0.9))
    assert ninety - ten == pytest.approx(100e-9, rel=0.02)


def test_short() -> None:
    pair = bus(shorts=(Short(30.0, 2.0),), bias_ohm=560.0, cable=Cable(), receiver=FAILSAFE)
    copper = 30 * 0.1684
    assert pair.resistance_ohm(0.0) == pytest.approx(
        1 / (1 / 120 + 1 / (copper + 1 / (1 / 2 + 1 / (120 + 70 * 0.1684))))
    )
    assert abs(pair.levels({"near": True})["far"].difference_v) < 0.2
    # The short sends the edge back upside down, 2 L / v later; the driver's and its terminator's end takes a part.
    edge = bus(shorts=(Short(30.0, 2.0),)).step_response("near", "near")
    there_and_back = 2 * 30 * PERFECT.delay_s_per_m
    before, after = edge.at(np.array([there_and_back - 120e-9, there_and_back + 120e-9]))
    first = 2 * 5.0 * 60 / (54 + 60)
    short, end = 1 / (1 / 2 + 1 / 120), 1 / (1 / 54 + 1 / 120)
    returned = first * (short - 120) / (short + 120)
    assert before == pytest.approx(first, abs=0.02)
    assert after == pytest.approx(first + returned * (1 + (end - 120) / (end + 120)), abs=0.02)
    assert Link(pair, 1).carry("near", "far", FRAME, LINE, LINE).octets == ()


def test_leak_makes_mark_and_space_unlike() -> None:
    sound = bus(receiver=Receiver())
    pair = bus(leaks=(Leak(50.0, "a", 1.0),), receiver=Receiver())
    assert pair.ground_ohm(0.0, "a") == pytest.approx(1.0)
    assert pair.ground_ohm(0.0, "b") == pytest.approx(61.0)
    mark, space = pair.driven_volts("near", "far"), pair.driven_volts("near", "far", mark=False)
    assert sound.driven_volts("near", "far") == pytest.approx(-sound.driven_volts("near", "far", mark=False))
    assert abs(mark) < 0.2
    assert space < -2.0
    assert mark == pytest.approx(pair.levels({"near": True})["far"].difference_v)
    assert space == pytest.approx(pair.levels({"near": False})["far"].difference_v)
    instants = np.array([-1e-3, -1e-6, 0.5])
    seen = pair.volts("near", "far", LINEAR, instants)
    assert seen == pytest.approx([pair.idle_volts("far"), mark, space], abs=2e-3)


def test_leak_to_a_voltage() -> None:
    pair = bus(leaks=(Leak(0.0, "a", 1000.0, 12.0),), bias_ohm=560.0)
    assert pair.idle_volts("near") > bus(bias_ohm=560.0).idle_volts("near") + 0.05


def test_meter_to_ground_finds_the_pull_down() -> None:
    pair = bus(bias_ohm=560.0)
    assert pair.ground_ohm(0.0, "b") == pytest.approx(560.0)
    assert pair.ground_ohm(0.0, "a") == pytest.approx(620.0)
    assert pair.ground_ohm(0.0, "a", dead_supply_ohm=0.0) == pytest.approx(1 / (1 / 560 + 1 / 620))
    with pytest.raises(ValueError, match="'a' and 'b'"):
        pair.ground_ohm(0.0, "c")


# ---- ground offset and common mode


@pytest.mark.parametrize(("offset", "hears"), [(0.0, True), (8.0, True), (10.0, False), (-9.0, True), (-11.0, False)])
def test_common_mode_range(offset: float, hears: bool) -> None:
    # sheet 1.1 (READ): -7 … +12 V. The driver's middle is 2.5 V above its own 0 V.
    pair = bus(far=Node("far", 100.0, receiver=Receiver(), ground_v=offset), receiver=Receiver())
    driven = pair.levels({"near": True})["far"]
    assert driven.common_v == pytest.approx(2.5 - offset, abs=0.1)
    assert driven.difference_v == pytest.approx(pair.levels({"near": True})["middle"].difference_v, abs=1e-6)
    heard = Link(pair, 1).carry("near", "far", FRAME, LINE, LINE)
    assert bytes(octet.value for octet in heard.octets) == (FRAME if hears else b"")
    assert (-7 <= driven.common_v <= 12) is hears


def test_out_of_its_common_mode_noise_makes_no_octets() -> None:
    pair = bus(far=Node("far", 100.0, receiver=Receiver(), ground_v=30.0))
    pair = replace(
        pair, noise=Noise(rms_v=3.0), nodes=(Node("near", 0.0, receiver=Receiver(unit_loads=32)), pair.nodes[2])
    )
    link = Link(pair, 1)
    assert link.idle_state("far") is True
    assert link.idle_strays("far", LINE, 0.1, np.random.default_rng(1)) == []
    assert link.idle_strays("near", LINE, 0.1, np.random.default_rng(1)) != []


def test_common_volts_follow_who_drives() -> None:
    pair = bus(far=Node("far", 100.0, receiver=Receiver(), ground_v=4.0), leaks=(Leak(0.0, "a", 200.0),))
    signal = encode(b"\x0f", LINE)
    times = np.array([-1e-3, -5e-6, 0.5 / 115200, 3.5 / 115200, 1.0])
    levels = [pair.levels(driving)["far"].common_v for driving in ({}, {"near": True}, {"near": False})]
    expected = [levels[place] for place in (0, 1, 2, 1, 0)]
    assert pair.common_volts("near", "far", signal, times) == pytest.approx(expected, abs=0.02)
    hanging = replace(pair, nodes=(pair.nodes[0], Node("far", 1.0, connected=False)))
    assert hanging.common_volts("near", "far", signal, times).tolist() == [0.0] * 5


# ---- stubs


def stubbed(stub_m: float, rise_ns: float = 5.0) -> Pair:
    driver = Driver(output_ohm=60.0, rise_ns=rise_ns)
    return Pair(
        PERFECT,
        100.0,
        (
            Node("near", 0.0, driver, NO_LOAD),
            Node("stub", 50.0, driver, NO_LOAD, stub_m=stub_m),
            Node("trunk", 50.0, driver, NO_LOAD),
            Node("far", 100.0, driver, NO_LOAD),
        ),
        (Terminator(0.0), Terminator(100.0)),
    )


def test_stub_rings_with_its_period() -> None:
    """An open stub's end rises in steps a way there and back apart, about its end value: period 4 L / v."""
    matched = stubbed(20.0)
    near = replace(matched.nodes[0], driver=Driver(output_ohm=120.0, rise_ns=5.0))
    pair = replace(matched, nodes=(near, *matched.nodes[1:]), terminators=(Terminator(100.0),))
    edge = pair.step_response("near", "stub")
    once = 20 * PERFECT.delay_s_per_m
    arrives = pair.delay_s("near", "stub")
    assert arrives == pytest.approx(70 * PERFECT.delay_s_per_m)
    # At the joint the wave meets 120 and 120 ohm side by side: 2/3 goes on, into the stub 2/3 · 2 shows at its end.
    end = float(edge.volts[-1])
    seen = [float(edge.at(np.array([arrives + once + 2 * step * once]))[0]) / end for step in range(4)]
    # The joint sends -1/3 of what comes back into the stub again.
    expected = np.cumsum([4 / 3 * (-1 / 3) ** step for step in range(4)])
    assert seen == pytest.approx(list(expected), abs=0.01)
    # Highest, lowest, highest again: 4 L / v from one crest to the next.
    assert seen[0] > seen[2] > 1 > seen[3] > seen[1]


def test_stub_on_the_trunk_shows_as_a_dip() -> None:
    edge = stubbed(20.0).step_response("near", "trunk")
    once = 20 * PERFECT.delay_s_per_m
    dip = float(edge.at(np.array([50 * PERFECT.delay_s_per_m + once]))[0]) / float(edge.volts[-1])
    assert dip == pytest.approx(2 / 3, abs=0.01)


@pytest.mark.parametrize(("rise_ns", "stub_m"), [(25.0, 0.585), (100.0, 2.338), (10.0, 0.234)])
def test_stub_rule(rise_ns: float, stub_m: float) -> None:
    # sheet 1.4 (READ, verified): a tenth of the edge's way at 78 %: such a stub hardly shows, ten of them do
    def overshoot(metres: float) -> float:
        pair = replace(stubbed(metres, rise_ns), cable=Cable(velocity=0.78, loop_ohm_per_m=0.0, db_per_100m_at_1mhz=0))
        edge = pair.step_response("near", "stub")
        return float(np.max(edge.volts) / edge.volts[-1]) - 1

    assert overshoot(stub_m) < 0.03
    assert overshoot(10 * stub_m) > 0.2


def test_stub_resistance_counts_only_beyond_the_joint() -> None:
    pair = replace(stubbed(50.0), cable=Cable())
    assert pair.resistance_ohm(0.0) == pytest.approx(1 / (1 / 120 + 1 / (120 + 16.84)))
    assert pair.delay_s("stub", "stub") == 0.0
    assert pair.delay_s("trunk", "stub") == pytest.approx(50 * Cable().delay_s_per_m)


def test_long_stubs_spoil_fast_octets_and_leave_slow_ones() -> None:
    def arrives(stub_m: float, baud: int) -> bool:
        line = LineSettings(baud)
        nodes = [Node("near", 0.0, Driver(rise_ns=30.0))]
        nodes += [Node(f"{place}", 10.0 * place, stub_m=stub_m) for place in range(1, 10)]
        pair = Pair(Cable(), 100.0, tuple(nodes), (Terminator(0.0), Terminator(100.0)))
        heard = Link(pair, 1).carry("near", "9", FRAME, line, line)
        return bytes(octet.value for octet in heard.octets) == FRAME and not any(o.marks for o in heard.octets)

    assert arrives(1.0, 1_000_000)
    assert not arrives(100.0, 1_000_000)
    assert arrives(100.0, 9600)


# ---- parts


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Node("a", 0.0, stub_m=-1.0), "cannot be negative"),
        (lambda: Receiver(common_low_v=12.0), "begins below its end"),
        (lambda: Break(0.0, "c"), "a, b or both"),
        (lambda: Short(0.0, 0.0), "more than 0 ohm"),
        (lambda: Leak(0.0, "both"), "a or b"),
        (lambda: Leak(0.0, "a", 0.0), "more than 0 ohm"),
        (lambda: Noise(mains_hz=-50.0), "can be negative"),
        (lambda: Pair(Cable(), 5.0, (), breaks=(Break(6.0),)), "position 6 m is not on"),
        (lambda: Pair(Cable(), 5.0, (), leaks=(Leak(7.0),)), "position 7 m is not on"),
    ],
)
def test_impossible_parts_are_refused(make: object, words: str) -> None:
    assert callable(make)
    with pytest.raises(ValueError, match=words):
        make()
