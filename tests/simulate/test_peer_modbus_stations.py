"""pymodbus, an independent Modbus stack, asks our server and answers our client, RTU and ASCII, over a pty bridge."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from typing import Any

import pytest

pytest.importorskip("pymodbus", reason="pymodbus, the peer, is not installed")
if sys.platform == "win32":
    pytest.skip("Windows has no pseudo-terminals", allow_module_level=True)

from pymodbus.pdu import ExceptionResponse

from benchtool.capture.chunk import Chunk
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.frame import Frame
from benchtool.frames.meaning import Value
from benchtool.frames.modbus.ascii_decoder import AsciiDecoder
from benchtool.frames.modbus.functions import FUNCTIONS
from benchtool.simulate.modbus_client import Client
from benchtool.simulate.modbus_faults import Faulty, Ill, Wrong
from benchtool.simulate.modbus_framing import Mode
from benchtool.simulate.modbus_points import Points, Table
from benchtool.simulate.modbus_query import Outcome, Query
from benchtool.simulate.modbus_server import Server, Servers
from benchtool.simulate.modbus_unit import Unit
from tests import modbus_session as session
from tests import peer_pymodbus_ours as peer

pytestmark = pytest.mark.peer
MODES = pytest.mark.parametrize("mode", Mode, ids=lambda mode: mode.value)
CODES = {row.name: row.code for row in FUNCTIONS.values()} | {"Read Device Identification": 0x2B}
FOREVER_NS = 200 * 1_000_000_000
TICK_NS = 16_000_000
"""How coarsely the line's times are known: silences in a frame that the computer made are no ends."""


def unit() -> Unit:
    """A server with what the session's servers hold."""
    tables = {
        Table.COILS: session.COILS,
        Table.INPUTS: session.INPUTS,
        Table.HOLDING: session.HOLDING,
        Table.INPUT_REGISTERS: session.INPUT_REGISTERS,
    }
    points = Points({table: dict(enumerate(values)) for table, values in tables.items()})
    points.files = {3: dict.fromkeys(range(20), 3), 4: dict.fromkeys(range(20), 4)}
    return Unit(points, server_id=b"DI-4", identity=dict(enumerate(session.IDENTITY)))


def servers(mode: Mode) -> Servers:
    members = [
        Server(f"server {address}", address, session.LINE, unit(), mode=mode, resolution_ns=TICK_NS)
        for address in session.DEVICES
    ]
    return Servers("servers", members, session.LINE, mode=mode, resolution_ns=TICK_NS)


def told_otherwise(exchange: session.Exchange) -> bool:
    """Files and the conformity level: pymodbus' server holds others than ours."""
    return exchange.call in ("read_file_record", "read_device_information")


@MODES
def test_the_peers_client_is_answered_by_our_servers(mode: Mode) -> None:
    station = servers(mode)
    steps = session.steps()
    answers, heard = peer.asked_by_peer(station, mode, steps)
    assert len(answers) == len(steps)
    given: Any
    for (device, exchange), given in zip(steps, answers, strict=True):
        if device == 0:
            continue
        assert given.dev_id == device
        assert given.isError() == bool(exchange.refused), exchange
        if isinstance(given, ExceptionResponse):
            assert given.exception_code == exchange.refused
        elif exchange.answered is not None and not told_otherwise(exchange):
            if "registers" in exchange.answered:
                assert given.registers == exchange.answered["registers"]
            if "bits" in exchange.answered:
                assert [int(bit) for bit in given.bits] == exchange.answered["bits"]
        if exchange.call == "read_file_record":
            assert [record.record_data for record in given.records] == [b"\0\4\0\4", b"\0\3\0\3"]
        if exchange.call == "read_device_information":
            assert given.information == dict(enumerate(name.encode() for name in session.IDENTITY))
    assert [member.unit.points.get(Table.HOLDING, 7) for member in station.members] == [[77], [77]]
    said = b"".join(octets for arrow, octets in heard if arrow == "<")
    assert all(frame.ok for frame in decoded(mode, said))
    assert len(decoded(mode, said)) == len(steps) - 1


def decoded(mode: Mode, octets: bytes) -> list[Frame]:
    decoder = BusDecoder(session.LINE) if mode is Mode.RTU else AsciiDecoder(session.LINE)
    return decoder.feed(Chunk(0, len(octets) * session.LINE.char_ns, octets)) + decoder.close()


def query(device: int, exchange: session.Exchange) -> Query:
    return Query(device, CODES[exchange.name], exchange.asked)


def without_padding(exchange: session.Exchange) -> Mapping[str, Value]:
    answered: dict[str, Any] = dict(exchange.answered or {})
    if "bits" in answered and "quantity" in exchange.asked:
        answered["bits"] = answered["bits"][: exchange.asked["quantity"]]
    return answered


@MODES
def test_our_client_is_answered_by_the_peers_server(mode: Mode) -> None:
    steps = session.steps()
    answered = [step for step in steps if step[1].call != "read_file_record"]
    client = Client(
        "client",
        session.LINE,
        [query(device, exchange) for device, exchange in answered],
        mode=mode,
        reply_limit_ns=FOREVER_NS,
        resolution_ns=TICK_NS,
    )
    peer.asking_peer(client, client, mode, len(answered))
    for (device, exchange), result in zip(answered, client.results, strict=True):
        if device == 0:
            assert result.outcome is Outcome.BROADCAST
            continue
        assert result.outcome is (Outcome.REFUSED if exchange.refused else Outcome.ANSWERED), (exchange, result)
        if exchange.answered is not None:
            assert result.values == without_padding(exchange)


@MODES
def test_an_answer_of_the_peer_that_does_not_fit_is_told(mode: Mode) -> None:
    # pymodbus answers ten registers to every read of a file, however many were asked for.
    (exchange,) = [exchange for exchange in session.EXCHANGES if exchange.call == "read_file_record"]
    client = Client(
        "client", session.LINE, [query(1, exchange)], mode=mode, reply_limit_ns=2_000_000_000, resolution_ns=TICK_NS
    )
    peer.asking_peer(client, client, mode, 1)
    (result,) = client.results
    assert result.outcome is Outcome.UNFITTING
    assert result.problem == "records of [10, 10] registers, [2, 2] were asked for"


@MODES
def test_the_peers_server_keeps_quiet_on_what_we_spoil(mode: Mode) -> None:
    # A wrong check value goes out first; the peer must not answer it, and answers the repeat.
    polls = [Query(1, 3, {"start": number, "quantity": 2}) for number in range(2)]
    client = Client(
        "client",
        session.LINE,
        polls,
        mode=mode,
        reply_limit_ns=2_000_000_000,
        retries=5,
        resolution_ns=TICK_NS,
    )
    peer.asking_peer(Faulty(client, [Ill(Wrong.CHECK, every=2)], mode), client, mode, 2)
    assert [result.outcome for result in client.results] == [Outcome.ANSWERED] * 2
    assert [result.values["registers"] for result in client.results] == [[555, 0], [0, 100]]
    assert sum(result.tries for result in client.results) >= 3
