"""Modbus client and server on one line, in memory: exchanges, faults on purpose, both modes."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.frames.crc import with_crc_modbus
from benchtool.frames.modbus.ascii import to_ascii
from benchtool.frames.modbus.build import build_exception, build_frame
from benchtool.simulate.modbus_client import Client
from benchtool.simulate.modbus_counts import BUS_ERRORS, BUS_MESSAGES, MESSAGES
from benchtool.simulate.modbus_faults import Faulty, Ill, Wrong, spoil
from benchtool.simulate.modbus_framing import Mode
from benchtool.simulate.modbus_points import Points, Table
from benchtool.simulate.modbus_query import Outcome, Query, Result
from benchtool.simulate.modbus_server import Server
from benchtool.simulate.modbus_stations import frame_gap_ns
from benchtool.simulate.modbus_unit import Refusal, Unit
from benchtool.simulate.station import Station
from tests.simulate import lockstep
from tests.simulate.lockstep import MS, S, heard, octets, say

LINE = LineSettings(19200, CharFormat.parse("8E1"))
READ = Query(17, 3, {"start": 0, "quantity": 2})
MODES = pytest.mark.parametrize("mode", Mode, ids=lambda mode: mode.value)


def server(address: int = 17, mode: Mode = Mode.RTU, refusals: tuple[Refusal, ...] = (), **more: Any) -> Server:
    tables = {table: dict.fromkeys(range(20), 0) for table in Table} | {Table.HOLDING: dict(enumerate(range(40, 60)))}
    unit = Unit(Points(tables), server_id=b"DI-4", identity={0: "Invented"}, refusals=refusals)
    return Server(f"server {address}", address, LINE, unit, mode=mode, **more)


def client(polls: list[Query], mode: Mode = Mode.RTU, **more: Any) -> Client:
    return Client("client", LINE, polls, mode=mode, **more)


class Clock(Station):
    """Does nothing at the end of the time, so that all others may be done before it."""

    name = "clock"

    def __init__(self, until_ns: int) -> None:
        self._until_ns = until_ns

    def hear(self, chunk: Chunk) -> None:
        pass

    def wake_ns(self) -> int:
        return self._until_ns

    def act(self, now_ns: int) -> None:
        pass


def join(stations: list[Station], until_ns: int) -> list[tuple[str, int, bytes]]:
    return lockstep.join([*stations, Clock(until_ns)], until_ns, LINE)


def outcomes(station: Client) -> list[Outcome]:
    return [result.outcome for result in station.results]


EVERYTHING = [
    Query(17, 1, {"start": 0, "quantity": 5}),
    Query(17, 2, {"start": 1, "quantity": 3}),
    READ,
    Query(17, 4, {"start": 0, "quantity": 2}),
    Query(17, 5, {"address": 1, "value": "on"}),
    Query(17, 6, {"address": 3, "value": 4711}),
    Query(17, 7),
    Query(17, 8, {"sub_function": 0, "data": "A537"}),
    Query(17, 0x0B),
    Query(17, 0x0C),
    Query(17, 0x0F, {"start": 4, "bits": [1, 0, 1]}),
    Query(17, 0x10, {"start": 1, "registers": [10, 258]}),
    Query(17, 0x11),
    Query(17, 0x16, {"address": 4, "and_mask": 0xF2, "or_mask": 0x25}),
    Query(17, 0x17, {"read_start": 0, "read_quantity": 6, "write_start": 4, "registers": [255, 254]}),
    Query(17, 0x18, {"address": 5}),
    Query(17, 0x14, {"records": [{"reference_type": 6, "file": 1, "record": 2, "length": 3}]}),
    Query(17, 0x15, {"records": [{"reference_type": 6, "file": 1, "record": 3, "length": 2, "registers": [8, 9]}]}),
    Query(17, 0x2B, {"mei_type": 14, "read_code": 1, "object": 0}),
]


@MODES
def test_every_function_both_ways(mode: Mode) -> None:
    station, asks = server(mode=mode), client(EVERYTHING, mode)
    station.unit.points.queues[5] = [1, 2, 3]
    station.unit.points.files[1] = dict.fromkeys(range(10), 7)
    join([asks, station], 30 * S)
    assert asks.idle
    assert outcomes(asks) == [Outcome.ANSWERED] * len(EVERYTHING)
    values = {result.query.function: result.values for result in asks.results}
    assert values[1]["bits"] == [0, 0, 0, 0, 0]
    assert values[3]["registers"] == [40, 41]
    assert values[0x17]["registers"] == [40, 10, 258, 4711, 255, 254]
    assert values[0x18]["registers"] == [1, 2, 3]
    assert values[0x14]["record"] == {"length": 7, "reference_type": 6, "registers": [7, 7, 7]}
    assert station.unit.points.files[1][3] == 8
    assert values[0x11]["server_id"] == b"DI-4\xff".hex().upper()
    assert station.unit.points.get(Table.COILS, 4, 3) == [1, 0, 1]


@MODES
def test_a_client_polls_and_the_server_keeps_its_turnaround(mode: Mode) -> None:
    results: list[Result] = []
    asks = client([READ], mode, on_result=results.append)
    answers = server(mode=mode, reply_ns=7 * MS)
    said = join([asks, answers], S)
    assert [name for name, _, _ in said] == ["client", "server 17"]
    (result,) = results
    assert result.latency_ns == 7 * MS
    assert result.values["registers"] == [40, 41]
    wanted = with_crc_modbus(octets("11 03 00 00 00 02"))
    # the LRC: sheet 3.2, two's complement of the sum
    assert said[0][2] == (wanted if mode is Mode.RTU else b":110300000002EA\r\n")


def test_polls_come_again_and_those_of_the_moment_before_them() -> None:
    asks = client([Query(17, 3, READ.values, every_ns=100 * MS), Query(17, 7, every_ns=300 * MS)])
    answers = server()
    join([asks, answers], S)
    functions = [result.query.function for result in asks.results]
    assert 9 <= functions.count(3) <= 10
    assert 3 <= functions.count(7) <= 4
    begun = [result.asked_ns for result in asks.results if result.query.function == 3]
    gaps = [after - before for before, after in pairwise(begun)]
    assert all(abs(gap - 100 * MS) < 25 * MS for gap in gaps)
    asks.ask(Query(17, 0x11))
    join([asks, answers], round(1.05 * S))
    assert 0x11 in [result.query.function for result in asks.results]


def test_what_cannot_be_asked() -> None:
    with pytest.raises(ValueError, match="248"):
        client([Query(248, 3, READ.values)])
    with pytest.raises(ValueError, match="quantity"):
        client([]).ask(Query(17, 3, {"start": 0}))
    with pytest.raises(ValueError, match="address"):
        server(0)


def test_a_request_to_all_is_obeyed_and_waited_for() -> None:
    # sheet 3.1: no reply; 100 to 200 ms until the next request
    asks = client([Query(0, 6, {"address": 3, "value": 5}), READ])
    stations = [server(17), server(18)]
    said = join([asks, *stations], S)
    assert outcomes(asks) == [Outcome.BROADCAST, Outcome.ANSWERED]
    assert [one.unit.points.get(Table.HOLDING, 3) for one in stations] == [[5], [5]]
    begun = [when for name, when, _ in said if name == "client"]
    assert 100 * MS <= begun[1] - begun[0] - 8 * LINE.char_ns <= 200 * MS


def test_silence_is_waited_for_and_asked_again() -> None:
    asks = client([Query(9, 3, READ.values), READ], retries=2, reply_limit_ns=300 * MS)
    join([asks, server()], 3 * S)
    assert outcomes(asks) == [Outcome.SILENT, Outcome.ANSWERED]
    assert [result.tries for result in asks.results] == [3, 1]


@MODES
@pytest.mark.parametrize("wrong", [Wrong.CHECK, Wrong.TRUNCATED, Wrong.SILENT, Wrong.ADDRESS])
def test_every_third_answer_goes_wrong(mode: Mode, wrong: Wrong) -> None:
    asks = client([Query(17, 3, READ.values, every_ns=S)], mode, reply_limit_ns=500 * MS)
    answers = Faulty(server(mode=mode), [Ill(wrong, every=3)], mode)
    join([asks, answers], 9 * S)
    bad = {Wrong.SILENT: Outcome.SILENT, Wrong.ADDRESS: Outcome.UNFITTING}.get(wrong, Outcome.DAMAGED)
    assert outcomes(asks) == [Outcome.ANSWERED, Outcome.ANSWERED, bad] * 3


def test_a_late_answer_is_no_answer_to_the_next_request() -> None:
    asks = client([Query(17, 3, READ.values, every_ns=S)], reply_limit_ns=200 * MS)
    answers = Faulty(server(), [Ill(Wrong.LATE, every=2, late_ns=400 * MS)])
    said = join([asks, answers], 4 * S)
    assert outcomes(asks) == [Outcome.ANSWERED, Outcome.SILENT] * 2
    times = [when for name, when, _ in said if name == "server 17"]
    assert times[1] - times[0] > 1_300 * MS


def test_a_retry_ends_a_fault() -> None:
    for wrong in (Wrong.CHECK, Wrong.SILENT, Wrong.TRUNCATED):
        asks = client(list(EVERYTHING[:6]), retries=1, reply_limit_ns=100 * MS)
        answers = Faulty(server(), [Ill(wrong, every=2)])
        join([asks, answers], 5 * S)
        assert outcomes(asks) == [Outcome.ANSWERED] * 6, wrong
        assert sum(result.tries for result in asks.results) == 11, wrong


def test_a_client_at_fault_is_not_answered() -> None:
    answers = server()
    asks = Faulty(client([Query(17, 3, READ.values, every_ns=S)]), [Ill(Wrong.CHECK, every=2, after=1)])
    join([asks, answers], 4 * S)
    assert isinstance(asks.inner, Client)
    assert outcomes(asks.inner) == [Outcome.ANSWERED, Outcome.ANSWERED, Outcome.SILENT, Outcome.ANSWERED]
    counts = answers.unit.counts.by_sub_function
    # sheet 3.1: CPT2 counts what fails its check
    assert (counts[BUS_MESSAGES], counts[MESSAGES], counts[BUS_ERRORS]) == (3, 3, 1)


def test_faults_that_fall_together() -> None:
    both = Faulty(server(), [Ill(Wrong.TRUNCATED), Ill(Wrong.ADDRESS), Ill(Wrong.CHECK), Ill(Wrong.LATE, late_ns=MS)])
    both.hear(heard(build_frame(17, 7), 0, LINE))
    due = both.wake_ns()
    assert due is not None
    assert both.act(due) is None
    assert both.wake_ns() == due + MS
    assert both.act(due + MS) == bytes((18, 7))
    assert both.wake_ns() is None
    assert both.wants(b"\x12")
    assert not both.defers()
    for ill in (Ill(Wrong.CHECK, every=0), Ill(Wrong.LATE, late_ns=-1), Ill(Wrong.CHECK, after=-1)):
        with pytest.raises(ValueError, match="fault"):
            Faulty(server(), [ill])


@MODES
def test_spoilt_octets(mode: Mode) -> None:
    unit = octets("11 03 02 00 0A")
    sound = with_crc_modbus(unit) if mode is Mode.RTU else to_ascii(unit)
    for wrong in Wrong:
        spoilt = spoil(sound, wrong, mode)
        assert (spoilt == sound) == (wrong in (Wrong.LATE, Wrong.SILENT))
    assert len(spoil(sound, Wrong.CHECK, mode)) == len(sound)
    other = octets("12 03 02 00 0A")
    assert spoil(sound, Wrong.ADDRESS, mode) == (with_crc_modbus(other) if mode is Mode.RTU else to_ascii(other))
    assert spoil(sound, Wrong.TWICE, mode) == sound + sound


def reply_to(told: bytes, query: Query = READ, mode: Mode = Mode.RTU) -> Result:
    """What the client makes of octets that answer its one request."""
    asks = client([query], mode, reply_limit_ns=50 * MS)
    asked = asks.act(0)
    assert asked is not None
    asks.hear(heard(told, 20 * MS, LINE))
    for _ in range(5):
        if not asks.results:
            asks.act(asks.wake_ns() or 0)
    return asks.results[0]


@pytest.mark.parametrize(
    ("told", "outcome", "problem"),
    [
        (build_frame(17, 3, octets("04 00 01 00 02")), Outcome.ANSWERED, None),
        (build_exception(17, 3, 2), Outcome.REFUSED, None),
        (build_exception(17, 4, 2), Outcome.UNFITTING, "function 84 is answered, 03 was asked"),
        (build_frame(17, 3, octets("02 00 01")), Outcome.UNFITTING, "2 octets in the reply, 4 were asked for"),
        (build_frame(17, 4, octets("04 00 01 00 02")), Outcome.UNFITTING, "function 04 is answered, 03 was asked"),
        (build_frame(17, 3, octets("03 00 01 00")), Outcome.UNFITTING, "registers: half a register"),
        (build_frame(18, 3, octets("04 00 01 00 02")), Outcome.UNFITTING, "address 18 answers, 17 was asked"),
        (build_frame(17, 3, octets("04 00 01 00 02"))[:-1] + b"\0", Outcome.DAMAGED, None),
        (b"\x11\x03\x04", Outcome.DAMAGED, None),
        (b"", Outcome.SILENT, None),
    ],
)
def test_what_a_client_makes_of_an_answer(told: bytes, outcome: Outcome, problem: str | None) -> None:
    result = reply_to(told)
    assert (result.outcome, result.problem) == (outcome, problem)


@pytest.mark.parametrize(
    ("query", "told", "problem"),
    [
        (Query(17, 6, {"address": 1, "value": 3}), "06 00 01 00 04", "the reply does not repeat the request"),
        (Query(17, 5, {"address": 1, "value": "on"}), "05 00 01 00 00", "the reply does not repeat the request"),
        (Query(17, 8, {"sub_function": 0, "data": "A537"}), "08 00 00 A5 38", "the reply does not repeat the request"),
        (
            Query(17, 8, {"sub_function": 11, "data": "0000"}),
            "08 00 0C 00 00",
            "sub function 12 in the reply, 11 was asked",
        ),
        (Query(17, 15, {"start": 1, "bits": [1]}), "0F 00 02 00 01", "start 2 in the reply, 1 was asked"),
        (Query(17, 16, {"start": 1, "registers": [1]}), "10 00 01 00 02", "quantity 2 in the reply, 1 was asked"),
        (Query(17, 1, {"start": 1, "quantity": 9}), "01 01 00", "1 octets in the reply, 2 were asked for"),
        (
            Query(17, 0x17, {"read_start": 0, "read_quantity": 1, "write_start": 0, "registers": [1]}),
            "17 04 00 00 00 00",
            "4 octets in the reply, 2 were asked for",
        ),
        (
            Query(17, 0x14, {"records": [{"reference_type": 6, "file": 1, "record": 2, "length": 3}]}),
            "14 06 05 06 00 01 00 02",
            "records of [2] registers, [3] were asked for",
        ),
    ],
)
def test_sound_answers_to_something_else(query: Query, told: str, problem: str) -> None:
    for mode in Mode:
        unit = b"\x11" + octets(told)
        result = reply_to(with_crc_modbus(unit) if mode is Mode.RTU else to_ascii(unit), query, mode)
        assert (result.outcome, result.problem) == (Outcome.UNFITTING, problem)


def test_functions_of_ones_own_are_asked_as_data() -> None:
    result = reply_to(build_frame(17, 0x41, b"\x01\x02\x03"), Query(17, 0x41, data=b"\x09"))
    assert (result.outcome, result.values) == (Outcome.ANSWERED, {"data": "010203"})


@pytest.mark.parametrize(
    ("body", "told"),
    [
        ("41 01 02", "C1 01"),
        ("50", "D0 01"),
        ("03 00 00 00 01 00", "83 03"),
        ("10 00 01 00 02 02 00 0A", "90 03"),
        ("08 00 00", "08 00 00"),
        ("08 00 00 01 02 03 04 05", "08 00 00 01 02 03 04 05"),
        ("2B 0D 01 02 03", "AB 01"),
    ],
)
@MODES
def test_what_breaks_the_rules_with_a_right_check_is_refused_after_a_silence(mode: Mode, body: str, told: str) -> None:
    station = server(mode=mode)
    unit, wanted = b"\x11" + octets(body), b"\x11" + octets(told)
    station.hear(heard(with_crc_modbus(unit) if mode is Mode.RTU else to_ascii(unit), 0, LINE))
    said = None
    for _ in range(6):
        wake = station.wake_ns()
        if wake is None or said is not None:
            break
        said = station.act(wake)
    assert said == (with_crc_modbus(wanted) if mode is Mode.RTU else to_ascii(wanted))


@MODES
def test_a_request_repeated_at_once_is_answered_again(mode: Mode) -> None:
    # The decoder takes the second of two equal writes for a reply; a server is only ever asked.
    station = server(mode=mode)
    unit = octets("11 06 00 03 00 09")
    asked = with_crc_modbus(unit) if mode is Mode.RTU else to_ascii(unit)
    for number in range(4):
        assert say(station, asked, number * 100 * MS, LINE)[0] == asked, number


def test_replies_of_others_and_marked_octets_are_no_requests() -> None:
    station = server()
    assert say(station, build_frame(17, 3, octets("02 00 01")), 0, LINE)[0] is None
    assert say(station, build_exception(17, 3, 1), S, LINE)[0] is None
    asked = build_frame(17, 7)
    station.hear(Chunk(2 * S, 2 * S + 4 * LINE.char_ns, asked, b"\0\2\0\0"))
    assert station.act(3 * S) is None
    assert say(station, asked, 4 * S, LINE)[0] == build_frame(17, 7, b"\0")


def test_what_comes_while_it_works_is_kept_or_lost() -> None:
    station = server(reply_ns=500 * MS)
    for number in range(4):
        station.hear(heard(build_frame(17, 6, bytes((0, number, 0, 7))), number * 20 * MS, LINE))
    said = []
    while (wake := station.wake_ns()) is not None:
        if (octet := station.act(wake)) is not None:
            said.append((wake, octet[3]))
    assert [number for _, number in said] == [0, 1]
    assert said[1][0] - said[0][0] >= 500 * MS
    assert frame_gap_ns(LINE) < 500 * MS


@pytest.mark.parametrize("lump", [1, 2, 7])
@MODES
def test_lumps_make_no_difference(mode: Mode, lump: int) -> None:
    station = server(mode=mode)
    unit = octets("11 10 00 01 00 02 04 00 0A 01 02")
    asked = with_crc_modbus(unit) if mode is Mode.RTU else to_ascii(unit)
    at = 0
    for start in range(0, len(asked), lump):
        piece = asked[start : start + lump]
        station.hear(heard(piece, at, LINE))
        at += len(piece) * LINE.char_ns
    wake = station.wake_ns()
    assert wake is not None
    wanted = octets("11 10 00 01 00 02")
    assert station.act(wake) == (with_crc_modbus(wanted) if mode is Mode.RTU else to_ascii(wanted))
