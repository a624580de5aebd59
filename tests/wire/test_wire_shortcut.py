"""The shortcut (no voltages where any octets surely arrive) against the whole computation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.wire.cable import Cable
from benchtool.wire.eye import sure_way
from benchtool.wire.link import Link
from benchtool.wire.pair import FAILSAFE, Bias, Break, Driver, Leak, Node, Noise, Pair, Receiver, Short, Terminator
from benchtool.wire.uart import UartReceiver


def pair(
    metres: float = 100.0,
    *,
    ends: str = "both",
    output_ohm: float = 54.0,
    bias_ohm: float | None = 560.0,
    stub_m: float = 0.0,
    noise: Noise | None = None,
    listener: Node | None = None,
    receiver: Receiver = FAILSAFE,
) -> Pair:
    driver = Driver(output_ohm=output_ohm)
    places = {"both": (0.0, metres), "near": (0.0,), "far": (metres,), "none": ()}[ends]
    return Pair(
        Cable(),
        metres,
        (
            Node("controller", 0.0, driver),
            Node("middle", metres / 2, driver, stub_m=stub_m),
            listener or Node("reader", metres, driver, receiver),
        ),
        tuple(Terminator(place) for place in places),
        (Bias(0.0, bias_ohm),) if bias_ohm else (),
        noise or Noise(),
    )


def is_sure(over: Pair, line: LineSettings, *, sender: float = 0.0, listener: float = 0.0) -> bool:
    receiver = UartReceiver(line, clock_error=listener)
    return sure_way(over, "controller", "reader", line, receiver, sender_clock_error=sender) is not None


CASES = [
    (metres, ends, output_ohm, baud)
    for metres in (1.0, 100.0, 300.0, 1200.0)
    for ends in ("both", "near", "none")
    for output_ohm in (20.0, 54.0)
    for baud in (9600, 115200, 500_000)
]


@pytest.mark.parametrize("metres", [1.0, 100.0, 300.0, 1200.0])
def test_it_says_what_the_voltages_say(metres: float) -> None:
    """Same octets, same marks, times at most a tick apart; and it is really taken where lines are good."""
    rng = np.random.default_rng(round(metres))
    taken = 0
    for _, ends, output_ohm, baud in [case for case in CASES if case[0] == metres]:
        over = pair(metres, ends=ends, output_ohm=output_ohm, stub_m=float(rng.choice([0.0, 5.0])))
        line = LineSettings(baud, CharFormat.parse(str(rng.choice(["8N1", "8E1", "7O1", "8N2"]))))
        error = float(rng.choice([0.0, 0.015, -0.015]))
        taken += is_sure(over, line, sender=error)
        quick, whole = Link(over, 3), Link(over, 3, whole=True)
        for _ in range(8):
            octets = rng.bytes(int(rng.integers(1, 12)))
            one, other = (
                link.carry("controller", "reader", octets, line, line, sender_clock_error=error)
                for link in (quick, whole)
            )
            assert [(octet.value, octet.marks) for octet in one.octets] == [
                (octet.value, octet.marks) for octet in other.octets
            ]
            tick = 1 / baud / 16
            for first, second in zip(one.octets, other.octets, strict=True):
                assert abs(first.start_s - second.start_s) <= 1.01 * tick
                assert abs(first.end_s - second.end_s) <= 1.01 * tick
            assert one.end_s == pytest.approx(other.end_s)
    assert taken >= {1.0: 18, 100.0: 14, 300.0: 11, 1200.0: 6}[metres]


def test_times_are_those_of_the_voltages_on_a_good_line() -> None:
    line = LineSettings(115200)
    quick, whole = Link(pair(), 3), Link(pair(), 3, whole=True)
    rng = np.random.default_rng(1)
    same = 0
    for _ in range(50):
        octets = rng.bytes(8)
        one, other = (link.carry("controller", "reader", octets, line, line) for link in (quick, whole))
        same += sum(
            abs(first.start_s - second.start_s) < 1e-9 for first, second in zip(one.octets, other.octets, strict=True)
        )
    assert same >= 0.98 * 400


def test_noise_that_it_takes_for_harmless_is() -> None:
    """Seven standard deviations below the worst case: drawn at every tick, it changes no octet of 4000."""
    over = pair(
        noise=Noise(rms_v=0.25), bias_ohm=200.0, receiver=Receiver(-0.2, 0.2, threshold_v=-0.19, hysteresis_v=0.0)
    )
    over = replace(over, noise=Noise(rms_v=0.11))
    line = LineSettings(115200)
    assert is_sure(over, line)
    link = Link(over, 3, whole=True)
    rng = np.random.default_rng(2)
    for _ in range(100):
        octets = rng.bytes(40)
        heard = link.carry("controller", "reader", octets, line, line, rng=rng)
        assert bytes(octet.value for octet in heard.octets) == octets
        assert not any(octet.marks for octet in heard.octets)
    state = rng.bit_generator.state
    Link(over, 3).carry("controller", "reader", octets, line, line, rng=rng)
    assert rng.bit_generator.state == state


def test_noise_that_matters_damages_alike() -> None:
    """Where it is not sure, both ways are the same; and bursts are laid on the voltages."""
    line = LineSettings(115200)
    loud = pair(noise=Noise(rms_v=0.9))
    assert not is_sure(loud, line)
    bursts = pair(noise=Noise(impulse_rate_hz=400.0, impulse_v=9.0, impulse_s=50e-6))
    assert is_sure(bursts, line)
    for over in (loud, bursts):
        results = []
        for whole in (False, True):
            link, rng = Link(over, 3, whole=whole), np.random.default_rng(5)
            heard = [link.carry("controller", "reader", b"\x55" * 9, line, line, rng=rng) for _ in range(60)]
            results.append([bytes(octet.value for octet in one.octets) for one in heard])
        assert results[0] == results[1]
        assert sum(one != b"\x55" * 9 for one in results[0]) > 3


@pytest.mark.parametrize(("rms_v", "most_kept"), [(0.05, 0.7), (0.1, 0.0)])
def test_noise_on_the_idle_pair_alone_does_the_same(rms_v: float, most_kept: float) -> None:
    """Where only the idle pair is near the threshold, noise is first drawn there alone: same strays, same damage."""
    line = LineSettings(115200)
    over = pair(bias_ohm=None, noise=Noise(rms_v=rms_v))
    assert is_sure(over, line)
    frames = 3000
    strays, wrong, kept = [], [], []
    for whole in (False, True):
        link, rng = Link(over, 3, whole=whole), np.random.default_rng(5)
        sound = link.carry("controller", "reader", b"\x00\x55", line, line)
        heard = [link.carry("controller", "reader", b"\x00\x55", line, line, rng=rng) for _ in range(frames)]
        strays.append(sum(octet.start_s > one.end_s for one in heard for octet in one.octets))
        wrong.append(sum(bytes(octet.value for octet in one.octets[:2]) != b"\x00\x55" for one in heard))
        kept.append(sum(one is sound for one in heard) / frames)
    assert kept[0] == pytest.approx(most_kept, abs=0.15)
    assert kept[1] == 0.0
    # Counts by chance: within four standard deviations of their difference.
    assert abs(strays[0] - strays[1]) <= 4 * (sum(strays) + 1) ** 0.5
    assert abs(wrong[0] - wrong[1]) <= 4 * (sum(wrong) + 1) ** 0.5


def test_it_is_not_sure_of_what_is_wrong() -> None:
    line = LineSettings(9600)
    good = pair()
    reader = good.nodes[2]
    assert is_sure(good, line)
    assert is_sure(good, line, sender=0.02, listener=-0.01)
    assert not is_sure(good, line, sender=0.05)
    assert not is_sure(good, line, sender=-0.03, listener=0.03)
    assert sure_way(good, "controller", "reader", line, UartReceiver(LineSettings(19200))) is None
    assert (
        sure_way(good, "controller", "reader", line, UartReceiver(LineSettings(9600, CharFormat.parse("8E1")))) is None
    )
    unsure = [
        replace(good, nodes=(*good.nodes[:2], replace(reader, reversed_pair=True))),
        replace(good, nodes=(*good.nodes[:2], replace(reader, connected=False))),
        replace(good, nodes=(*good.nodes[:2], replace(reader, ground_v=20.0))),
        replace(good, breaks=(Break(50.0, "a"),)),
        replace(good, shorts=(Short(50.0, 0.5),)),
        replace(good, leaks=(Leak(50.0, "b", 1.0),)),
        pair(noise=Noise(rms_v=0.6)),
        pair(1200.0, ends="none", output_ohm=5.0),
    ]
    fast = LineSettings(115200)
    assert [is_sure(one, fast) for one in unsure] == [False] * len(unsure)


def test_a_reversed_listener_at_rest_in_its_hysteresis_is_not_skipped() -> None:
    """It idles at space: the leads of the sender are reversed too, so the frame itself would be sound."""
    plain = pair(bias_ohm=None, receiver=Receiver())
    nodes = (replace(plain.nodes[0], reversed_pair=True), plain.nodes[1], replace(plain.nodes[2], reversed_pair=True))
    line = LineSettings(9600)
    quick, whole = Link(replace(plain, nodes=nodes), 1), Link(replace(plain, nodes=nodes), 1, whole=True)
    assert quick.idle_state("reader") is False
    one, other = (link.carry("controller", "reader", b"\x12\x34", line, line) for link in (quick, whole))
    assert one == other
