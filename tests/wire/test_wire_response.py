"""Step responses against the textbook's reflection lattice, and voltages of whole signals."""

from __future__ import annotations

import numpy as np
import pytest

from benchtool.capture.settings import LineSettings
from benchtool.wire.dc import Run
from benchtool.wire.pair import Bias, Cable, Driver, Node, Pair, Receiver, StepResponse, Terminator
from benchtool.wire.response import Network, step_responses
from benchtool.wire.signal import Signal
from benchtool.wire.uart import encode

PERFECT = Cable(loop_ohm_per_m=0.0, db_per_100m_at_1mhz=0.0)
NO_LOAD = Receiver(unit_loads=1e-6)


def two(
    length_m: float,
    source_ohm: float,
    terminators: tuple[Terminator, ...] = (),
    *,
    cable: Cable = PERFECT,
    extra: tuple[Node, ...] = (),
    rise_ns: float = 20.0,
) -> Pair:
    driver = Driver(output_ohm=source_ohm, rise_ns=rise_ns, lead_s=50e-6)
    nodes = (Node("near", 0.0, driver, NO_LOAD), Node("far", length_m, driver, NO_LOAD), *extra)
    return Pair(cable, length_m, nodes, terminators)


def half_time(response: StepResponse, level: float) -> float:
    first = int(np.argmax(response.volts > level / 2))
    low, high = response.volts[first - 1], response.volts[first]
    step = response.times_s[1] - response.times_s[0]
    return float(response.times_s[first - 1] + step * (level / 2 - low) / (high - low))


@pytest.mark.parametrize("metres", [10.0, 100.0, 609.6, 1200.0])
def test_an_edge_arrives_after_the_cable_delay(metres: float) -> None:
    pair = two(metres, 120.0, (Terminator(metres),))
    response = pair.step_response("near", "far")
    assert half_time(response, 5.0) == pytest.approx(metres * 5.054e-9, rel=1e-3)
    assert pair.delay_s("near", "far") == pytest.approx(metres * 5.054e-9, rel=1e-3)


def test_open_end_reflects_after_there_and_back() -> None:
    # sheet section 1.5 (READ): 2000 ft, round trip 6.16 µs
    metres = 609.6
    near = two(metres, 120.0).step_response("near", "near")
    before, after = near.at(np.array([6.0e-6, 6.3e-6]))
    assert before == pytest.approx(5.0, abs=0.01)
    assert after == pytest.approx(10.0, abs=0.01)
    assert half_time(StepResponse(near.times_s, near.volts - 5.0), 5.0) == pytest.approx(6.162e-6, rel=1e-3)


@pytest.mark.parametrize(
    ("source", "load", "metres"), [(20.0, 1e9, 300.0), (54.0, 240.0, 100.0), (200.0, 30.0, 300.0), (5.0, 90.0, 50.0)]
)
def test_bounces_follow_the_reflection_coefficients(source: float, load: float, metres: float) -> None:
    pair = two(metres, source, (Terminator(metres, load),))
    response = pair.step_response("near", "far")
    near_factor, far_factor = (source - 120) / (source + 120), (load - 120) / (load + 120)
    delay = pair.delay_s("near", "far")
    wave, level, expected, instants = 10.0 * 120 / (source + 120), 0.0, [], []
    for bounce in range(12):
        level += wave * (1 + far_factor)
        wave *= far_factor * near_factor
        expected.append(level)
        instants.append((2 * bounce + 2) * delay)
    assert response.at(np.array(instants)) == pytest.approx(expected, abs=0.02)


def test_a_terminator_in_mid_line_reflects_a_third() -> None:
    # 120 ohm across a 120 ohm line that goes on: coefficient −60 / (60 + 120), two thirds pass
    pair = two(300.0, 120.0, (Terminator(100.0), Terminator(300.0)), extra=(Node("mid", 100.0, receiver=NO_LOAD),))
    delay = 100 * PERFECT.delay_s_per_m
    near = pair.step_response("near", "near").at(np.array([1.5 * delay, 2.5 * delay]))
    assert near == pytest.approx([5.0, 5.0 * 2 / 3], abs=0.01)
    assert pair.step_response("near", "mid").at(np.array([1.5 * delay]))[0] == pytest.approx(10 / 3, abs=0.01)
    assert pair.step_response("near", "far").at(np.array([3.5 * delay]))[0] == pytest.approx(10 / 3, abs=0.01)


def test_a_driver_in_mid_line_feeds_both_ways() -> None:
    pair = two(
        200.0, 60.0, (Terminator(0.0), Terminator(200.0)), extra=(Node("mid", 50.0, Driver(5.0, 60.0), NO_LOAD),)
    )
    for name in ("near", "far"):
        response = pair.step_response("mid", name)
        assert half_time(response, 5.0) == pytest.approx(pair.delay_s("mid", name), rel=5e-3)
        assert response.at(np.array([5e-6]))[0] == pytest.approx(5.0, abs=0.01)


@pytest.mark.parametrize("rise_ns", [15.0, 100.0, 500.0])
def test_rise_time_of_the_driver(rise_ns: float) -> None:
    response = two(50.0, 120.0, (Terminator(50.0),), rise_ns=rise_ns).step_response("near", "far")
    ten, ninety = (float(np.interp(level, response.volts, response.times_s)) for level in (0.5, 4.5))
    assert (ninety - ten) * 1e9 == pytest.approx(rise_ns, rel=0.05)


@pytest.mark.parametrize("metres", [20.0, 300.0, 1200.0])
@pytest.mark.parametrize("ends", [(), (0.0,), (0.0, 1.0)])
def test_transient_ends_on_the_direct_current_level(metres: float, ends: tuple[float, ...]) -> None:
    """Two separate computations meet: transmission lines at their late end, and nodal analysis."""
    pair = two(metres, 54.0, tuple(Terminator(end * metres) for end in ends), cable=Cable())
    response = pair.step_response("near", "far")
    assert response.volts[-1] == pytest.approx(2 * pair.driven_volts("near", "far"))
    assert response.volts[-2] == pytest.approx(response.volts[-1], abs=0.02)
    assert response.volts[0] == 0.0


def test_long_cable_rounds_edges() -> None:
    def width(metres: float) -> float:
        response = two(metres, 54.0, (Terminator(metres),), cable=Cable()).step_response("near", "far")
        top = response.volts[-1]
        times = response.times_s
        return float(times[np.argmax(response.volts > 0.8 * top)] - times[np.argmax(response.volts > 0.1 * top)])

    assert width(1000.0) > 5 * width(100.0)


def test_a_branch_is_only_another_run() -> None:
    """The solver takes any tree: a matched star of three 120 ohm arms halves nothing by hand."""
    runs = (Run(0, 1, 100.0), Run(1, 2, 100.0), Run(1, 3, 100.0))
    siemens = np.array([0.0, 0.0, 1 / 120, 1 / 120])
    finals = np.full(4, 60 / 180)
    responses = step_responses(Network(PERFECT, 4, runs, siemens), 0, 120.0, 20e-9, finals)
    late = np.array([1.5 * 100 * PERFECT.delay_s_per_m, 2.5 * 100 * PERFECT.delay_s_per_m])
    assert responses[0].at(late) == pytest.approx([0.5, 1 / 3], abs=2e-3)
    assert responses[2].at(late)[1] == pytest.approx(1 / 3, abs=2e-3)
    assert responses[2].at(late) == pytest.approx(responses[3].at(late))


def test_a_pair_that_never_settles_is_cut_off() -> None:
    network = Network(PERFECT, 2, (Run(0, 1, 100.0),), np.array([0.0, 1e-12]))
    responses = step_responses(network, 0, 1e-3, 20e-9, np.array([1.0, 1.0]))
    assert responses[1].volts[-1] == 1.0
    assert responses[1].settled_s > 1e-4


# ---- whole signals


def biased(*, reversed_far: bool = False, metres: float = 100.0) -> Pair:
    nodes = (Node("near", 0.0), Node("far", metres, reversed_pair=reversed_far), Node("off", 1.0, connected=False))
    return Pair(Cable(), metres, nodes, (Terminator(0.0), Terminator(metres)), (Bias(0.0, 560),))


def test_levels_before_during_and_after() -> None:
    pair = biased()
    line = LineSettings(9600)
    signal = encode(b"\x0f", line)
    bit = 1 / 9600
    instants = np.array([-1e-3, -0.5e-5, 0.5 * bit, 2.5 * bit, 7.5 * bit, 9.5 * bit, 0.01])
    idle, mark = pair.idle_volts("far"), pair.driven_volts("near", "far")
    space = pair.driven_volts("near", "far", mark=False)
    seen = pair.volts("near", "far", signal, instants)
    assert seen == pytest.approx([idle, mark, space, mark, space, mark, idle], abs=0.01)
    assert mark > 1.5 > idle > 0.2
    assert mark + space == pytest.approx(2 * idle * 54 / (54 + 60), abs=0.15)


def test_reversed_leads_negate_everything() -> None:
    signal = encode(b"\x12\x34", LineSettings(115200))
    instants = np.linspace(-50e-6, 300e-6, 2000)
    straight = biased().volts("near", "far", signal, instants)
    assert biased(reversed_far=True).volts("near", "far", signal, instants) == pytest.approx(-straight)


def test_superposition_against_a_plain_sum_of_all_edges() -> None:
    """The fast way (only edges still moving) equals adding every edge's response at every instant."""
    pair = two(1200.0, 5.0, cable=Cable())
    signal = encode(b"\x55\x13\x00\xff", LineSettings(1_000_000))
    instants = np.linspace(1e-6, signal.duration_s, 777)
    step = pair.step_response("near", "far")
    expected = np.full(len(instants), pair.driven_volts("near", "far"))
    for when, change in zip(signal.times_s, np.diff(signal.levels, prepend=1) / 2, strict=True):
        expected += change * step.at(instants - when)
    lead = pair.node("near").driver.lead_s
    assert lead == 50e-6
    idle_part = pair.driven_volts("near", "far") * (1 - step.at(instants + lead) / step.volts[-1])
    assert pair.volts("near", "far", signal, instants) == pytest.approx(expected - idle_part, abs=1e-3)


def test_disconnected_ends_see_nothing() -> None:
    pair = biased()
    signal = encode(b"\x00", LineSettings(9600))
    instants = np.array([0.5e-4, 2e-4])
    assert pair.volts("near", "off", signal, instants).tolist() == [0.0, 0.0]
    assert pair.volts("off", "far", signal, instants) == pytest.approx(pair.idle_volts("far"))


def test_driver_hears_itself_at_once() -> None:
    pair = biased()
    signal = Signal(np.array([0.0]), np.array([-1], dtype=np.int8), 1.0)
    echo = pair.volts("near", "near", signal, np.array([-1e-6, 1e-6]))
    assert echo[0] > 1.5
    assert echo[1] < -1.5


def travelling_waves(
    pair: Pair, signal: Signal, instants: np.ndarray[tuple[int], np.dtype[np.float64]], near_ohm: float, far_ohm: float
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Far-end voltage of a lossless line by passing waves back and forth in time steps; the driver is a real switch."""
    driver = pair.node("near").driver
    delay = pair.delay_s("near", "far")
    steps = 400
    step = delay / steps
    start = -driver.lead_s - 20 * step
    count = int((instants[-1] - start) / step) + 2
    out, back = np.zeros(count + steps), np.zeros(count + steps)
    far = np.zeros(count)
    far_factor = (far_ohm - 120) / (far_ohm + 120)
    for place in range(count):
        now = start + place * step
        arriving = out[place - steps] if place >= steps else 0.0
        back[place] = arriving * far_factor
        far[place] = arriving * (1 + far_factor)
        returned = back[place - steps] if place >= steps else 0.0
        enabled = -driver.lead_s <= now < signal.duration_s + driver.hold_s
        siemens = 1 / 120 + 1 / near_ohm + (1 / driver.output_ohm if enabled else 0.0)
        level = 1.0 if now < 0 else float(signal.levels[np.searchsorted(signal.times_s, now, side="right") - 1])
        amperes = level * driver.open_volts / driver.output_ohm if enabled else 0.0
        out[place] = (2 * returned / 120 + amperes) / siemens - returned
    return np.interp(instants, start + np.arange(count) * step, far)


@pytest.mark.parametrize("source", [5.0, 54.0])
@pytest.mark.parametrize(("near_ohm", "far_ohm"), [(120.0, 1e5), (1e5, 120.0), (400.0, 400.0), (120.0, 120.0)])
def test_whole_transmission_against_travelling_waves(source: float, near_ohm: float, far_ohm: float) -> None:
    """Enabling, edges, reflections, and letting go while they still run, computed in two unlike ways."""
    driver = Driver(output_ohm=source, rise_ns=15.0, lead_s=3e-6, hold_s=0.5e-6)
    pair = Pair(
        PERFECT,
        400.0,
        (Node("near", 0.0, driver, NO_LOAD), Node("far", 400.0, driver, NO_LOAD)),
        (Terminator(0.0, near_ohm), Terminator(400.0, far_ohm)),
    )
    signal = encode(b"\x55", LineSettings(500_000))
    instants = np.linspace(-4e-6, signal.duration_s + 30e-6, 3001)
    difference = np.abs(
        pair.volts("near", "far", signal, instants) - travelling_waves(pair, signal, instants, near_ohm, far_ohm)
    )
    # The switched line has no rise time: leave out the few instants on edges themselves.
    assert np.median(difference) < 0.02
    assert np.quantile(difference, 0.8) < 0.05
