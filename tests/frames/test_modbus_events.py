"""The event log of function 0C in words. All of it is from memory: the sheet has no example that could be asserted."""

from __future__ import annotations

import pytest

from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.frames.modbus.build import build_reply
from benchtool.frames.modbus.describe import describe
from benchtool.frames.modbus.events import event_words
from benchtool.simulate.modbus_points import Points
from benchtool.simulate.modbus_unit import Unit


@pytest.mark.parametrize(
    ("octet", "words"),
    [
        (0x00, "communications restarted"),
        (0x04, "began to listen only"),
        (0x01, "0x01"),
        (0x80, "received"),
        (0xC2, "received (communication error, to all)"),
        (0xB0, "received (characters overrun, listening only)"),
        (0x40, "sent"),
        (0x41, "sent (exception 1 to 3)"),
        (0x44, "sent (exception 5 or 6)"),
        (0x70, "sent (write timed out, listening only)"),
    ],
)
def test_events_in_words(octet: int, words: str) -> None:
    assert event_words(octet) == words


def test_a_log_is_told_with_its_octets() -> None:
    octets = build_reply(5, 0x0C, status="ready", event_count=3, message_count=4, events=bytes((0x40, 0x80) * 6))
    meaning = describe(Frame(Protocol.MODBUS_RTU, 0, 0, octets, Reason.OK, Role.REPLY))
    assert meaning.values()["event_words"] == ["sent", "received"] * 6
    assert "event words sent; received; sent; received; sent; received; sent; received; … 12 in all" in meaning.text()
    assert meaning.problems == ()
    without = build_reply(5, 0x0C, status="ready", event_count=3, message_count=4)
    meaning = describe(Frame(Protocol.MODBUS_RTU, 0, 0, without, Reason.OK, Role.REPLY))
    assert "event_words" not in meaning.values()


def test_what_our_server_logs_reads_as_what_happened() -> None:
    unit = Unit(Points())
    unit.counts.damaged()
    unit.answer(b"\x41", 0)
    unit.answer(b"\x07", 0, broadcast=True)
    assert [event_words(octet) for octet in unit.counts.log] == [
        "received (to all)",
        "sent (exception 1 to 3)",
        "received",
        "received (communication error)",
    ]
