"""Stations that misbehave by nature: they restart, answer late, count wrongly, or are two where one should be.

The sequence rules that they break: sheet section 5.2 to 5.4.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from benchtool.frames.decoder import BusDecoder
from benchtool.frames.frame import Frame, Role
from benchtool.frames.modbus.build import build_frame as build_modbus
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Command, NakCode, Reply
from benchtool.simulate.build import build_bus, tap_settings
from benchtool.simulate.faults import apply
from benchtool.simulate.modbus_stations import ModbusServer
from benchtool.simulate.outage import Outages
from benchtool.simulate.panel import Panel
from benchtool.simulate.peripheral import Peripheral
from benchtool.simulate.scenario import Scenario, load
from tests.simulate.lockstep import MS, SETTINGS, S, heard, join, say

DEMO = load("demo")
POLL = int(Command.POLL)


def outages(every_ns: int = 0, *, by_load: bool = False, length_ns: int = S) -> Outages:
    return Outages(every_ns=every_ns, by_load=by_load, length_ns=length_ns, rng=np.random.default_rng(3))


def device(
    *, out: Outages | None = None, sequence: str = "sound", every: int = 1, reply_ns: int = 3 * MS, address: int = 1
) -> Peripheral:
    return Peripheral(
        f"device {address}",
        address,
        SETTINGS,
        identity=bytes(12),
        capabilities=bytes(3),
        reply_ns=reply_ns,
        rng=np.random.default_rng(1),
        outages=out,
        sequence=sequence,
        sequence_every=every,
    )


def panel(sequence: str = "sound", every: int = 4) -> Panel:
    return Panel("panel", [1], SETTINGS, poll_gap_ns=50 * MS, sequence=sequence, sequence_every=every)


def poll(sequence: int) -> bytes:
    return build_frame(1, POLL, sequence=sequence)


def frames(scenario: Scenario, seconds: float = 10.0) -> list[Frame]:
    """What the tap's decoder finds."""
    decoder = BusDecoder(tap_settings(scenario))
    found = [frame for chunk in build_bus(scenario, 7).run(round(seconds * S)) for frame in decoder.feed(chunk)]
    return found + decoder.close()


def code_of(frame: Frame) -> tuple[int, int]:
    """A sound OSDP frame's code and, for a NAK, its reason."""
    return frame.octets[5], frame.octets[6] if frame.octets[5] == Reply.NAK else 0


def test_it_goes_out_about_every_so_often_and_comes_back() -> None:
    out = outages(10 * S, length_ns=2 * S)
    states = [out.is_out(second * S) for second in range(100)]
    starts = [second for second in range(1, 100) if states[second] and not states[second - 1]]
    assert not states[0]
    assert 6 <= len(starts) <= 10
    # up to a fifth more or less than 10 s, after 2 s out
    assert all(9 <= later - sooner <= 15 for sooner, later in pairwise(starts))
    assert sum(states) == pytest.approx(2 * len(starts), abs=2)


def test_a_load_puts_it_out_once() -> None:
    out = outages(by_load=True)
    assert not out.is_out(0)
    out.load_comes(5 * S)
    assert [out.is_out(second * S + 1) for second in (4, 5, 6, 60)] == [False, True, False, False]
    assert out.has_restarted()
    assert not out.has_restarted()
    out.load_comes(70 * S)
    assert out.is_out(70 * S)
    steady = outages()
    steady.load_comes(5 * S)
    assert not steady.is_out(5 * S)


def test_a_device_that_restarts_is_silent_and_begins_afresh() -> None:
    station = device(out=outages(by_load=True))
    assert say(station, poll(0), 0)[0] is not None
    lit, _ = say(station, build_frame(1, Command.LED, bytes(14), sequence=1), 100 * MS)
    assert lit is not None
    assert lit[5] == Reply.ACK
    assert say(station, poll(2), 500 * MS)[0] is None
    refused, _ = say(station, poll(2), 2 * S)
    assert refused is not None
    assert (refused[5], refused[6]) == (Reply.NAK, NakCode.SEQUENCE)
    again, _ = say(station, poll(0), 3 * S)
    assert again is not None
    assert again[5] == Reply.ACK


def test_an_answer_that_is_due_when_the_supply_fails_is_never_given() -> None:
    out = outages(by_load=True)
    station = device(out=out, reply_ns=100 * MS)
    station.hear(heard(poll(0), 0))
    out.load_comes(50 * MS)
    due_ns = station.wake_ns()
    assert due_ns is not None
    assert station.act(due_ns) is None
    assert station.wake_ns() is None


def test_a_modbus_device_that_restarts_forgets_its_outputs() -> None:
    out = outages(by_load=True)
    station = ModbusServer(
        "server", 1, SETTINGS, reply_ns=5 * MS, rng=np.random.default_rng(1), answers=True, outages=out
    )
    say(station, build_modbus(1, 6, bytes((0, 3, 0, 9))), 0)
    read = build_modbus(1, 3, bytes((0, 3, 0, 1)))
    assert say(station, read, S)[0] == build_modbus(1, 3, bytes((2, 0, 9)))
    out.load_comes(2 * S)
    assert say(station, read, 2 * S + MS)[0] is None
    assert say(station, read, 4 * S)[0] == build_modbus(1, 3, bytes((2, 0, 0)))


def test_on_the_bus_a_restart_shows_as_silence_and_a_refused_number() -> None:
    told = frames(apply(DEMO, "device-resetting", {"at": "2", "every": "3"}), 15.0)
    asked = [frame for frame in told if frame.role is Role.REQUEST and frame.address == 2]
    answers = [frame for frame in told if frame.role is Role.REPLY and frame.address == 2]
    assert all(frame.ok for frame in told)
    assert len(asked) > len(answers) + 5
    # PDID again after each restart that the controller noticed
    assert sum(code_of(frame)[0] == Reply.PDID for frame in answers) >= 3


def test_a_slow_device_works_on_one_request_and_keeps_one() -> None:
    station = device(reply_ns=500 * MS)
    for number in range(4):
        station.hear(heard(poll(0), number * 20 * MS))
    times = []
    while (due_ns := station.wake_ns()) is not None:
        assert station.act(due_ns - 1) is None
        assert station.act(due_ns) is not None
        times.append(due_ns)
    assert len(times) == 2
    assert 500 * MS <= times[1] - times[0] <= 550 * MS


@pytest.mark.parametrize(("how", "wanted"), [("stale", 2), ("forgets", 3), ("zero", 0), ("sound", 3)])
def test_what_a_device_with_wrong_numbers_says(how: str, wanted: int) -> None:
    said = [say(device_, poll(n), n * S)[0] for device_ in [device(sequence=how)] for n in (0, 1, 2, 3)]
    last = said[-1]
    assert last is not None
    assert last[4] & 3 == wanted
    assert (last[5] == Reply.NAK) == (how == "forgets")


def test_a_stale_reply_is_right_when_it_is_asked_again() -> None:
    station = device(sequence="stale", every=1)
    say(station, poll(0), 0)
    assert [(say(station, poll(1), n * S)[0] or b"")[4] & 3 for n in (1, 2)] == [0, 1]


@pytest.mark.parametrize(
    ("how", "numbers"),
    [
        ("sound", [0, 1, 2, 3, 1, 2, 3, 1]),
        ("zero", [0] * 8),
        # Every fourth: after 0 1 2 3 comes 2 instead of 1, which is refused: 0 again. Then 1, 2 and, left out, 3.
        ("skips", [0, 1, 2, 3, 2, 0, 1, 2]),
        ("repeats", [0, 1, 2, 3, 3, 1, 2, 3]),
    ],
)
def test_what_a_controller_with_wrong_numbers_asks(how: str, numbers: list[int]) -> None:
    said = [data for name, _, data in join([panel(how), device()], 3 * S) if name == "panel"]
    assert [data[4] & 3 for data in said[:8]] == numbers


@pytest.mark.parametrize("which", ["stale", "forgets", "zero", "skips", "repeats", "only-zero"])
def test_on_the_bus_wrong_numbers_damage_no_octet(which: str) -> None:
    told = frames(apply(DEMO, "sequence-faults", {"which": which, "at": "2"}))
    assert all(frame.ok for frame in told)
    assert len(told) > 100
    refused = Counter(code_of(frame) for frame in told)[Reply.NAK, NakCode.SEQUENCE]
    assert (refused > 0) == (which in ("forgets", "skips"))


def test_two_controllers_each_keep_their_own_numbers() -> None:
    one, two = panel(), Panel("second", [1], SETTINGS, poll_gap_ns=43 * MS, starts_ns=520 * MS)
    said = join([one, two, device()], 3 * S)
    assert {name for name, _, _ in said} == {"panel", "second", "device 1"}
    # One device knows one number: it refuses what the other controller counts.
    assert any(data[5] == Reply.NAK for name, _, data in said if name == "device 1")


def test_a_second_controller_begins_when_it_is_said() -> None:
    late = Panel("late", [1], SETTINGS, poll_gap_ns=50 * MS, starts_ns=S)
    assert late.wake_ns() == S


def test_the_clock_of_a_device_is_in_what_it_says() -> None:
    fast = apply(DEMO, "clock-off", {"at": "1", "percent": "3"})

    def length_ns(scenario: Scenario) -> int:
        reply = next(frame for frame in frames(scenario, 0.5) if frame.role is Role.REPLY)
        return reply.end_ns - reply.t_ns

    sound_ns = length_ns(replace(DEMO, fault=None))
    # Seven characters' starts are 3 % nearer; the last one's length is the receiver's.
    assert length_ns(fast) - sound_ns == pytest.approx(-0.03 * 7 / 8 * sound_ns, rel=0.1)


def test_a_device_that_is_set_wrongly_hears_nothing_that_is_for_it() -> None:
    for fault in ("baud-wrong", "format-wrong"):
        told = frames(apply(DEMO, fault, {"at": "2"}), 3.0)
        assert {frame.address for frame in told if frame.role is Role.REPLY} == {1, 3, 4, 5}
        assert all(frame.ok for frame in told)
