"""A recorded session of an independent Modbus stack says what was asked and answered; it is rebuilt octet for octet."""

from __future__ import annotations

import pytest

from benchtool.capture.chunk import Chunk, Direction
from benchtool.capture.settings import LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.frame import Frame, Protocol, Role
from benchtool.frames.modbus.build import build_exception, build_reply, build_request
from benchtool.frames.modbus.describe import describe
from benchtool.frames.modbus.functions import FUNCTIONS
from tests import modbus_session as session

HEARD = [octets for _, octets in session.golden()]
PIECES = {
    "as sent": (HEARD, 4),
    "end to end": ([b"".join(HEARD)], 0),
    "octet by octet": ([bytes((octet,)) for octet in b"".join(HEARD)], 0),
    "in lumps of 62": ([b"".join(HEARD)[at : at + 62] for at in range(0, len(b"".join(HEARD)), 62)], 0),
}


@pytest.fixture(params=PIECES, scope="module")
def frames(request: pytest.FixtureRequest) -> list[Frame]:
    return session.decode(*PIECES[request.param])


def test_every_octet_lies_in_a_sound_frame_of_the_right_side(frames: list[Frame]) -> None:
    assert [octets for _, octets in session.golden()] == [frame.octets for frame in frames]
    assert {(Protocol.MODBUS_RTU, True)} == {(frame.protocol, frame.ok) for frame in frames}
    sides = {">": Role.REQUEST, "<": Role.REPLY}
    assert [sides[arrow] for arrow, _ in session.golden()] == [frame.role for frame in frames]


def test_frames_say_what_was_asked_and_answered(frames: list[Frame]) -> None:
    for device, exchange, request, reply in session.pairs(frames):
        asked = describe(request)
        assert (device, exchange.name, ()) == (request.address, asked.name, asked.problems)
        assert exchange.asked == asked.values()
        if reply is None:
            continue
        answered = describe(reply)
        assert (device, exchange.name, ()) == (reply.address, answered.name, answered.problems)
        if exchange.answered is not None:
            assert exchange.answered == answered.values()


def test_the_same_octets_are_built_from_what_was_asked_and_answered(frames: list[Frame]) -> None:
    for device, exchange, request, reply in session.pairs(frames):
        function = request.octets[1]
        assert request.octets == build_request(device, function, **exchange.asked)
        if reply is None:
            continue
        if exchange.refused:
            assert reply.octets == build_exception(device, function, exchange.refused)
        elif exchange.answered is not None:
            assert reply.octets == build_reply(device, function, **exchange.answered)


def test_the_session_has_all_functions_but_one() -> None:
    # 18 is not in it: pymodbus' client does not find the end of the reply that pymodbus' server gives
    assert set(FUNCTIONS) - {0x18} == {octets[1] for octets in HEARD if octets[1] < 0x80}


WRITE = build_request(17, 6, address=2, value=9)
SPOILT = {"check": WRITE[:-1] + bytes((WRITE[-1] ^ 1,)), "length": WRITE[:5]}


def said(decoder: BusDecoder, *steps: tuple[bytes, Direction]) -> list[Frame]:
    """Frames 20 ms apart."""
    frames, now_ns = [], 0
    for octets, direction in steps:
        now_ns += 20_000_000
        chunk = Chunk(now_ns, now_ns + len(octets) * LineSettings().char_ns, octets, b"", direction)
        now_ns = chunk.end_ns
        frames += decoder.feed(chunk)
    return frames + decoder.close()


@pytest.mark.parametrize("spoilt", SPOILT.values(), ids=SPOILT)
def test_a_damaged_frame_that_goes_the_way_of_the_request_is_no_reply(spoilt: bytes) -> None:
    """What repeats a request is its reply (sheet 3.3), unless it goes the same way."""
    sent, heard = Direction.SENT, Direction.RECEIVED
    talk = [(WRITE, sent), (WRITE, heard), (WRITE, sent)]
    ways = {way: said(BusDecoder(LineSettings()), *talk, (spoilt, way))[-1] for way in Direction}
    assert [frame.ok for frame in ways.values()] == [False] * 3
    assert {way: frame.role for way, frame in ways.items()} == {
        sent: Role.REQUEST,
        heard: Role.REPLY,
        Direction.UNKNOWN: Role.REPLY,
    }


@pytest.mark.parametrize("ours", [Role.REQUEST, Role.REPLY])
def test_who_talks_knows_what_his_own_frames_are(ours: Role) -> None:
    steps = [(octets, Direction.SENT) for octets in (WRITE, WRITE, *SPOILT.values(), WRITE)]
    frames = said(BusDecoder(LineSettings(), sent=ours), *steps)
    assert [frame.octets for frame in frames] == [octets for octets, _ in steps]
    assert [frame.role for frame in frames] == [ours] * 5
