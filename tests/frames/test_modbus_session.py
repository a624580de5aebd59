"""A recorded session of an independent Modbus stack says what was asked and answered; it is rebuilt octet for octet."""

from __future__ import annotations

import pytest

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
