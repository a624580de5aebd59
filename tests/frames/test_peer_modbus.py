"""An independent Modbus stack (pymodbus): its traffic over pseudo-terminals reads as sent, and it takes our frames."""

from __future__ import annotations

import sys

import pytest

pytest.importorskip("pymodbus", reason="pymodbus, the peer, is not installed")
if sys.platform == "win32":
    pytest.skip("Windows has no pseudo-terminals", allow_module_level=True)

from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ExceptionResponse
from pymodbus.pdu.file_message import ReadFileRecordRequest

from benchtool.frames.crc import crc_modbus
from benchtool.frames.frame import Frame
from benchtool.frames.modbus.build import build_exception, build_reply, build_request
from benchtool.frames.modbus.describe import describe
from tests import modbus_session as session
from tests import peer_pymodbus as peer

pytestmark = pytest.mark.peer


@pytest.fixture(scope="module")
def talk() -> peer.Talk:
    return peer.record()


@pytest.fixture(scope="module")
def frames(talk: peer.Talk) -> list[Frame]:
    """Decoded from octets that follow each other without silence, as a lumpy adapter hands them over."""
    return session.decode(octets for _, octets in talk[0])


def test_every_octet_of_the_peer_lies_in_a_sound_frame(talk: peer.Talk, frames: list[Frame]) -> None:
    assert b"".join(octets for _, octets in talk[0]) == b"".join(frame.octets for frame in frames)
    assert all(frame.ok for frame in frames)


def test_each_side_says_what_it_is_taken_for(talk: peer.Talk, frames: list[Frame]) -> None:
    for arrow, role in ((">", "request"), ("<", "reply")):
        sent = b"".join(octets for way, octets in talk[0] if way == arrow)
        assert sent == b"".join(frame.octets for frame in frames if frame.role.value == role)


def test_what_is_read_is_what_the_client_asked_and_was_given(talk: peer.Talk, frames: list[Frame]) -> None:
    answers = iter(talk[1])
    for device, exchange, request, reply in session.pairs(frames):
        asked = describe(request)
        assert (device, exchange.name, exchange.asked, ()) == (
            request.address,
            asked.name,
            asked.values(),
            asked.problems,
        )
        if reply is None:
            continue
        given, answered = next(answers), describe(reply)
        values = answered.values()
        assert (device, ()) == (reply.address, answered.problems)
        assert given.isError() == bool(exchange.refused)
        if isinstance(given, ExceptionResponse):
            assert {"exception": given.exception_code} == values
            continue
        if given.bits:
            assert [int(bit) for bit in given.bits] == values.get("bits", [values.get("value") == 0xFF00])
        if "registers" in values:
            assert given.registers == values["registers"]
        if exchange.answered is not None:
            assert exchange.answered == values
        for name, attribute in _COUNTERS.get(exchange.call, {}).items():
            assert getattr(given, attribute) == values[name]


_COUNTERS = {
    "read_exception_status": {"status": "status"},
    "diag_get_comm_event_counter": {"event_count": "count"},
    "diag_get_comm_event_log": {"event_count": "event_count", "message_count": "message_count"},
    "diag_read_bus_message_count": {"count": "message"},
    "diag_read_device_busy_count": {"count": "message"},
}
"""Our field by pymodbus' attribute, of replies that cannot be foretold."""


REQUESTS = [
    *dict.fromkeys(
        build_request(17, request.octets[1], **exchange.asked)
        for _, exchange, request, _ in session.pairs(session.decode(octets for _, octets in session.golden()))
    ),
    build_request(17, 0x18, address=0x4DE),
]
REPLIES = [
    build_reply(17, 0x03, registers=[44609, 22098, 17216]),
    build_reply(17, 0x02, bits=[0, 0, 1, 1, 0, 1, 0, 1]),
    build_reply(17, 0x0F, start=19, quantity=10),
    build_reply(17, 0x16, address=4, and_mask=0xF2, or_mask=0x25),
    build_exception(17, 0x03, 2),
]


@pytest.mark.parametrize("octets", REQUESTS, ids=lambda octets: octets.hex())
def test_the_peer_takes_our_requests(octets: bytes) -> None:
    _takes(octets, server=True)


@pytest.mark.parametrize("octets", REPLIES, ids=lambda octets: octets.hex())
def test_the_peer_takes_our_replies(octets: bytes) -> None:
    _takes(octets, server=False)


def _takes(octets: bytes, *, server: bool) -> None:
    used, device, _, pdu = FramerRTU(DecodePDU(server)).decode(octets)
    assert (len(octets), 17, octets[1:-2]) == (used, device, pdu)
    taken = DecodePDU(server).decode(pdu)
    assert taken is not None
    if isinstance(taken, ReadFileRecordRequest):
        # It halves the length when it writes again what it read.
        assert [(r.file_number, r.record_number) for r in taken.records] == [(4, 1), (3, 9)]
    else:
        assert octets[1:-2] == bytes((taken.function_code,)) + taken.encode()


@pytest.mark.parametrize("octets", REQUESTS + REPLIES, ids=lambda octets: octets.hex())
def test_the_peer_has_the_same_check_value(octets: bytes) -> None:
    # pymodbus gives the CRC as a number whose high octet goes first
    assert FramerRTU.compute_CRC(octets[:-2]).to_bytes(2, "big") == octets[-2:]
    assert crc_modbus(octets[:-2]).to_bytes(2, "little") == octets[-2:]
