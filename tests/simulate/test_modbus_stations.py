"""The simulated Modbus client and server against the sheet: frames, exceptions, broadcast, silence between frames."""

from __future__ import annotations

import numpy as np
import pytest

from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.frames.modbus.build import build_frame
from benchtool.simulate.modbus_stations import ModbusClient, ModbusServer, frame_gap_ns
from tests.simulate.lockstep import MS, S, heard, join, octets, say

LINE = LineSettings(19200, CharFormat.parse("8E1"))


def server(
    address: int = 17,
    *,
    inputs: list[tuple[int, int]] | None = None,
    reply_ns: int = 3 * MS,
    answers: bool = True,
    settings: LineSettings = LINE,
) -> ModbusServer:
    return ModbusServer(
        f"server {address}",
        address,
        settings,
        reply_ns=reply_ns,
        rng=np.random.default_rng(3),
        inputs=inputs or (),
        answers=answers,
    )


def ask(station: ModbusServer, function: int, data: bytes, t_ns: int = 0, address: int = 17) -> bytes | None:
    return say(station, build_frame(address, function, data), t_ns, LINE)[0]


def words(*values: int) -> bytes:
    return b"".join(value.to_bytes(2, "big") for value in values)


def test_registers_are_read() -> None:
    assert ask(server(), 3, words(0, 4)) == build_frame(17, 3, b"\x08" + words(0, 0x0111, 1200, 0))
    assert ask(server(), 3, words(2, 1)) == build_frame(17, 3, b"\x02" + words(1200))


def test_inputs_change_at_their_times() -> None:
    station = server(inputs=[(2 * S, 5), (S, 1)])
    got = [ask(station, 3, words(0, 1), t_ns) for t_ns in (0, round(1.5 * S), 3 * S)]
    assert got == [build_frame(17, 3, b"\x02" + words(value)) for value in (0, 1, 5)]


def test_the_outputs_are_written_with_an_echo() -> None:
    # sheet 3.3: function 06 is echoed
    station = server()
    written = build_frame(17, 6, words(3, 0x00A5))
    assert say(station, written, 0, LINE)[0] == written
    assert ask(station, 3, words(3, 1), S) == build_frame(17, 3, b"\x02" + words(0x00A5))


def test_a_broadcast_is_obeyed_and_never_answered() -> None:
    # sheet 3.1: address 0, no reply
    station = server()
    assert ask(station, 6, words(3, 7), address=0) is None
    assert ask(station, 3, words(3, 1), S, address=0) is None
    assert ask(station, 3, words(3, 1), 2 * S) == build_frame(17, 3, b"\x02" + words(7))


@pytest.mark.parametrize(
    ("function", "data", "exception"),
    [
        # sheet 3.4: function (01), then quantity (03), then address (02)
        (1, words(0, 1), 1),
        (4, words(0, 0), 1),
        (0x10, words(0, 1) + b"\x02" + words(1), 1),
        (7, b"", 1),
        (3, words(0, 0), 3),
        (3, words(0, 126), 3),
        (3, words(9, 126), 3),
        (3, words(0, 5), 2),
        (3, words(0, 125), 2),
        (3, words(65535, 1), 2),
        (6, words(1, 5), 2),
    ],
)
def test_exceptions_in_the_order_of_the_specification(function: int, data: bytes, exception: int) -> None:
    assert ask(server(), function, data) == build_frame(17, function | 0x80, bytes((exception,)))


def test_an_exception_of_the_sheet() -> None:
    # sheet 3.3, pymodbus unit tests: 11 83 02 C1 34
    assert ask(server(), 3, words(9, 1)) == octets("11 83 02 C1 34")


@pytest.mark.parametrize(
    "asked",
    [
        build_frame(18, 3, words(0, 1)),
        # sheet 3.1: a server that sees a wrong check value stays silent
        build_frame(17, 3, words(0, 1))[:-1] + b"\0",
        octets("53 11 08 00 04 60 0C 05"),
        b"\x11\x03\x00",
    ],
    ids=["another address", "damaged", "osdp", "cut short"],
)
def test_what_it_does_not_answer(asked: bytes) -> None:
    assert say(server(), asked, 0, LINE)[0] is None


def test_a_silent_server_says_nothing() -> None:
    station = server(answers=False)
    assert ask(station, 3, words(0, 1)) is None
    assert station.act(10**12) is None


@pytest.mark.parametrize(
    ("baud", "gap_ns"),
    # sheet 3.1, the table of t3.5 with 11-bit characters
    [
        (1200, 32_083_000),
        (2400, 16_042_000),
        (4800, 8_020_800),
        (9600, 4_010_400),
        (19200, 2_005_200),
        (38400, 1_750_000),
    ],
)
def test_the_silence_before_anybody_talks(baud: int, gap_ns: int) -> None:
    settings = LineSettings(baud, CharFormat.parse("8E1"))
    assert frame_gap_ns(settings) == pytest.approx(gap_ns, abs=500)
    waits = {say(server(reply_ns=0, settings=settings), build_frame(17, 3, words(0, 1)), 0, settings)[1]}
    station = server(reply_ns=0, settings=settings)
    for number in range(20):
        waits.add(say(station, build_frame(17, 3, words(0, 1)), number * S, settings)[1])
    assert frame_gap_ns(settings) <= min(waits)
    assert max(waits) <= 1.1 * frame_gap_ns(settings)


def test_an_answer_that_comes_of_the_past_is_not_sent() -> None:
    station = server()
    station.hear(heard(octets("11 03 08 53") + build_frame(17, 3, words(0, 1)), 0, LINE))
    due_ns = station.wake_ns()
    later = heard(build_frame(18, 3, words(0, 1)), 10 * S, LINE)
    station.hear(later)
    assert station.wake_ns() == due_ns


def test_the_client_asks_in_turn_and_waits_a_second() -> None:
    client = ModbusClient("client", [17, 18], LINE, poll_gap_ns=60 * MS)
    said = join([client, server(17), server(18, answers=False)], 6 * S, LINE)
    asked = [(when, data) for name, when, data in said if name == "client"]
    assert [data[0] for _, data in asked[:4]] == [17, 18, 17, 18]
    # sheet 3.3: the sheet's shape of a read, 11 03 …
    assert asked[0][1] == build_frame(17, 3, words(0, 4))
    # sheet 3.1: a client waits typically 1 s; then the gap
    waited_ns = asked[2][0] - asked[1][0] - 8 * LINE.char_ns
    assert waited_ns == S + 60 * MS
    answered = [data for name, _, data in said if name == "server 17"]
    assert answered == [build_frame(17, 3, b"\x08" + words(0, 0x0111, 1200, 0))] * len(answered)
    assert len(answered) in (len(asked) // 2, len(asked) // 2 + 1)


@pytest.mark.parametrize(
    "told",
    [build_frame(18, 3, b"\x02" + words(1)), build_frame(17, 3, b"\x02" + words(1))[:-1] + b"\0", octets("53 91 40")],
    ids=["another address", "damaged", "noise"],
)
def test_what_is_no_answer_to_the_client(told: bytes) -> None:
    client = ModbusClient("client", [17], LINE, poll_gap_ns=60 * MS)
    assert client.wake_ns() == 0
    asked = client.act(0)
    assert asked is not None
    deadline_ns = client.wake_ns()
    client.hear(heard(told, 10 * MS, LINE))
    assert client.wake_ns() == deadline_ns
    assert client.act(0) is None


def test_an_exception_is_an_answer_and_the_gap_is_kept() -> None:
    client = ModbusClient("client", [17], LINE, poll_gap_ns=0)
    client.act(0)
    chunk = heard(octets("11 83 02 C1 34"), 10 * MS, LINE)
    client.hear(chunk)
    assert client.wake_ns() == chunk.end_ns + frame_gap_ns(LINE)
    assert client.act(chunk.end_ns) is None
