"""The simulated OSDP controller against the sheet: sequence numbers, repeats, the reply limit, off-line and back."""

from __future__ import annotations

import numpy as np
import pytest

from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Command, Reply
from benchtool.simulate.panel import Panel
from benchtool.simulate.peripheral import Peripheral
from tests.simulate.lockstep import MS, SETTINGS, S, heard, join, octets

LIMIT_NS = 200 * MS
"""Sheet 5.2: a device must answer within 200 ms."""


def panel(*addresses: int, gap_ns: int = 50 * MS, crc: bool = True) -> Panel:
    return Panel("panel", addresses, SETTINGS, poll_gap_ns=gap_ns, crc=crc)


def next_of(station: Panel) -> tuple[bytes, int]:
    """The next transmission, and when."""
    for _ in range(10):
        now_ns = station.wake_ns()
        assert now_ns is not None
        data = station.act(now_ns)
        if data is not None:
            return data, now_ns
    raise AssertionError("the panel says nothing")


def ack(asked: bytes, code: int = Reply.ACK, data: bytes = b"") -> bytes:
    return build_frame(asked[1], code, data, sequence=asked[4] & 3, crc=bool(asked[4] & 4), reply=True)


def answer(station: Panel, asked: tuple[bytes, int], told: bytes, after_ns: int = 3 * MS) -> int:
    """Let the panel hear a reply; when its last octet was complete."""
    chunk = heard(told, asked[1] + len(asked[0]) * SETTINGS.char_ns + after_ns)
    station.hear(chunk)
    return chunk.end_ns


def test_a_session_begins_as_in_the_sheet() -> None:
    # sheet 5.9 and 5.7: POLL SQN 0, ID SQN 1 at address 1; then CAP SQN 2 and POLL SQN 3
    station = panel(1)
    said = []
    for _ in range(6):
        asked = next_of(station)
        said.append(asked[0])
        answer(station, asked, ack(asked[0]))
    assert said[0] == build_frame(1, Command.POLL, sequence=0)
    assert said[1] == octets("53 01 09 00 05 61 00 50 14")
    assert said[2] == build_frame(1, Command.CAP, b"\0", sequence=2)
    assert said[4] == octets("53 01 08 00 05 60 8B 33")
    assert [frame[4] & 3 for frame in said] == [0, 1, 2, 3, 1, 2]
    assert [frame[5] for frame in said[3:]] == [Command.POLL] * 3


def test_the_first_poll_of_address_nought() -> None:
    # sheet 5.9
    assert next_of(panel(0))[0] == octets("53 00 08 00 04 60 EB AA")


def test_it_can_use_checksums() -> None:
    # sheet 5.7: POLL address 1, checksum form, of sequence 1; the first has sequence 0
    station = panel(1, crc=False)
    asked = next_of(station)
    answer(station, asked, ack(asked[0]))
    assert next_of(station)[0] == octets("53 01 08 00 01 61 00 42")


def test_an_unanswered_command_is_repeated_the_same_and_then_given_up() -> None:
    station = panel(1)
    asked = next_of(station)
    tries = [next_of(station) for _ in range(2)]
    assert [frame for frame, _ in tries] == [asked[0]] * 2
    ends_ns = [when + len(asked[0]) * SETTINGS.char_ns for _, when in [asked, *tries]]
    assert [tries[0][1] - ends_ns[0], tries[1][1] - ends_ns[1]] == [LIMIT_NS, LIMIT_NS]
    # then it is left alone for 1 s: a free choice of this simulation
    again = next_of(station)
    assert again[1] == ends_ns[2] + LIMIT_NS + S
    assert again[0] == asked[0]


def test_the_others_are_polled_while_one_is_off_line() -> None:
    station = panel(1, 2)
    said: list[tuple[int, int]] = []
    while not said or said[-1][1] < 4 * S:
        asked = next_of(station)
        said.append((asked[0][1], asked[1]))
        if asked[0][1] == 2:
            answer(station, asked, ack(asked[0]))
    of_one = [when for address, when in said if address == 1]
    assert len([1 for address, _ in said if address == 2]) > 20
    # three tries a time, and more than 1 s between the times
    assert len(of_one) % 3 == 0
    assert all(later - sooner > S for sooner, later in zip(of_one[2::3], of_one[3::3], strict=False))


def test_a_device_that_comes_back_begins_at_nought_and_is_asked_who_it_is() -> None:
    station = panel(1)
    asked = next_of(station)
    answer(station, asked, ack(asked[0]))
    for _ in range(3):
        lost = next_of(station)
        assert (lost[0][4] & 3, lost[0][5]) == (1, Command.ID)
    back = next_of(station)
    assert back[0] == build_frame(1, Command.POLL, sequence=0)
    answer(station, back, ack(back[0]))
    assert next_of(station)[0] == build_frame(1, Command.ID, b"\0", sequence=1)


def test_a_late_reply_is_not_taken_for_the_next_one() -> None:
    station = panel(1, 2)
    asked = next_of(station)
    stale = ack(asked[0])
    answer(station, asked, ack(asked[0]))
    other = next_of(station)
    assert other[0][1] == 2
    answer(station, other, stale)
    assert next_of(station)[0] == other[0]


@pytest.mark.parametrize(
    "told",
    [
        build_frame(2, Reply.ACK, sequence=0, reply=True),
        build_frame(1, Reply.ACK, sequence=2, reply=True),
        build_frame(1, Command.POLL, sequence=0),
        build_frame(1, Reply.ACK, sequence=0, reply=True)[:-1] + b"\0",
        octets("01 83 02 C0 F1"),
    ],
    ids=["another address", "another sequence", "a command", "damaged", "modbus"],
)
def test_what_is_no_answer(told: bytes) -> None:
    station = panel(1)
    asked = next_of(station)
    answer(station, asked, told)
    assert next_of(station)[0] == asked[0]


def test_a_reply_with_another_sequence_number_is_no_answer() -> None:
    station = panel(1)
    asked = next_of(station)
    answer(station, asked, ack(asked[0]))
    second = next_of(station)
    answer(station, second, build_frame(1, Reply.ACK, sequence=3, reply=True))
    assert next_of(station)[0] == second[0]


def test_a_wrong_sequence_starts_again_and_an_unknown_command_does_not() -> None:
    # sheet 5.4: NAK 04 sequence number, 03 unknown command
    station = panel(1)
    asked = next_of(station)
    answer(station, asked, ack(asked[0]))
    identify = next_of(station)
    answer(station, identify, ack(identify[0], Reply.NAK, b"\x03"))
    capabilities = next_of(station)
    assert (capabilities[0][4] & 3, capabilities[0][5]) == (2, Command.CAP)
    answer(station, capabilities, ack(capabilities[0], Reply.NAK, b"\x04"))
    assert next_of(station)[0] == build_frame(1, Command.POLL, sequence=0)


@pytest.mark.parametrize(("gap_ns", "least_ns"), [(50 * MS, 50 * MS), (0, 2_083_334)])
def test_the_gap_before_a_poll(gap_ns: int, least_ns: int) -> None:
    # sheet 5.2: at least 2 characters of silence, 2.083 ms at 9600
    station = panel(1, gap_ns=gap_ns)
    asked = next_of(station)
    end_ns = answer(station, asked, ack(asked[0]))
    assert station.act(end_ns + least_ns - 1) is None
    assert next_of(station)[1] == end_ns + least_ns


def test_it_reacts_to_an_event_with_commands_for_devices_that_are_there() -> None:
    seen: list[tuple[int, int, bytes]] = []

    def react(address: int, code: int, data: bytes) -> list[tuple[int, int, bytes]]:
        seen.append((address, code, data))
        led, absent = (1, int(Command.LED), bytes(14)), (9, int(Command.LED), bytes(14))
        return [led, absent] if code == Reply.RAW else []

    station = Panel("panel", [1], SETTINGS, poll_gap_ns=50 * MS, react=react)
    for _ in range(3):
        asked = next_of(station)
        answer(station, asked, ack(asked[0]))
    asked = next_of(station)
    card = octets("00 01 1A 00 32 87 FF C0")
    answer(station, asked, ack(asked[0], Reply.RAW, card))
    assert next_of(station)[0][5] == Command.LED
    assert (1, int(Reply.RAW), card) in seen


def device(address: int, reply_ns: int = 3 * MS) -> Peripheral:
    return Peripheral(
        f"device {address}",
        address,
        SETTINGS,
        identity=bytes(12),
        capabilities=b"",
        reply_ns=reply_ns,
        rng=np.random.default_rng(address),
        events=[(S, int(Reply.KEYPAD), octets("00 01 31"))],
    )


@pytest.mark.parametrize("crc", [True, False], ids=["crc", "checksum"])
def test_back_to_back_every_command_is_answered_in_turn(crc: bool) -> None:
    said = join([panel(1, 2, crc=crc), device(1), device(2)], 5 * S)
    names = [name for name, _, _ in said]
    assert names[:4] == ["panel", "device 1", "panel", "device 2"]
    assert names[::2] == ["panel"] * len(names[::2])
    for (_, _, asked), (name, _, told) in zip(said[::2], said[1::2], strict=False):
        assert name == f"device {asked[1]}"
        assert told[1] == asked[1] | 0x80
        assert told[4] == asked[4]
        assert told[5] != Reply.NAK
    for address in (1, 2):
        numbers = [asked[4] & 3 for _, _, asked in said[::2] if asked[1] == address]
        assert numbers == [0] + [n % 3 + 1 for n in range(len(numbers) - 1)]
    keys = [name for name, _, told in said if told[5] == Reply.KEYPAD and told[1] & 0x80]
    assert sorted(keys) == ["device 1", "device 2"]


def test_back_to_back_a_device_that_is_too_slow_never_comes_on_line() -> None:
    # Three tries of 200 ms, then 1 s of rest: it answers when nobody waits.
    said = join([panel(1, gap_ns=500 * MS), device(1, 640 * MS)], 5 * S)
    commands = [data for name, _, data in said if name == "panel"]
    assert len(commands) > 3
    assert all(data[5] == Command.POLL and data[4] & 3 == 0 for data in commands)
