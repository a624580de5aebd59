"""The controller's commands: BUSY, a new address and bit rate, keys that are never sent in clear, security blocks."""

from __future__ import annotations

import pytest

from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Command, Reply
from benchtool.simulate.panel import Panel
from tests.simulate.lockstep import MS, SETTINGS, octets
from tests.simulate.test_panel import ack, answer, device, next_of


def opened(*addresses: int, notices: list[str] | None = None) -> Panel:
    """A panel whose devices have all said who they are."""
    told = [] if notices is None else notices
    station = Panel("panel", addresses, SETTINGS, poll_gap_ns=50 * MS, notice=lambda _, text: told.append(text))
    for _ in range(3 * len(addresses)):
        asked = next_of(station)
        answer(station, asked, ack(asked[0]))
    return station


def test_busy_gets_the_same_command_again() -> None:
    # sheet 5.1: BUSY with sequence 0, in clear; 5.7: BUSY of address 1
    busy = octets("53 81 08 00 04 79 72 A1")
    station = opened(1)
    station.send(1, Command.BUZ, octets("00 02 02 02 02"))
    asked = next_of(station)
    assert asked[0][5] == Command.BUZ
    for _ in range(5):
        answer(station, asked, busy)
        again = next_of(station)
        assert again[0] == asked[0]
        asked = again
    answer(station, asked, ack(asked[0]))
    after = next_of(station)
    assert after[0][5] == Command.POLL
    assert after[0][4] & 3 == (asked[0][4] & 3) % 3 + 1


def test_the_others_are_polled_while_one_is_busy() -> None:
    station = opened(1, 2)
    asked = next_of(station)
    assert asked[0][1] == 1
    answer(station, asked, octets("53 81 08 00 04 79 72 A1"))
    other = next_of(station)
    assert other[0][1] == 2
    answer(station, other, ack(other[0]))
    assert next_of(station)[0] == asked[0]


def test_it_follows_a_device_to_its_new_address_and_rate() -> None:
    # sheet 5.7: COMSET and COM 5/9600 of address 1
    notices: list[str] = []
    station = opened(1, notices=notices)
    station.send(1, Command.COMSET, octets("05 80 25 00 00"))
    asked = next_of(station)
    assert asked[0][5] == Command.COMSET
    end_ns = answer(station, asked, ack(asked[0], Reply.COM, octets("05 00 4B 00 00")))
    assert station.addresses == [5]
    # what the device says it does from now on, not what it was told
    assert station.baud() == 19200
    assert not station.is_online(5)
    after = next_of(station)
    assert after[0] == build_frame(5, Command.POLL, sequence=0)
    assert after[1] >= end_ns + 50 * MS
    assert notices == ["answers", "has address 5 and 19200 bit/s now"]


@pytest.mark.parametrize("said", ["", "05", "7F 80 25 00 00", "FF 80 25 00 00", "05 00 00 00 00", "05 FF FF FF FF"])
def test_an_address_or_rate_that_cannot_be_is_not_followed(said: str) -> None:
    station = opened(1)
    station.send(1, Command.COMSET, octets("05 80 25 00 00"))
    asked = next_of(station)
    answer(station, asked, ack(asked[0], Reply.COM, octets(said)))
    assert station.addresses == [1]
    assert station.baud() is None
    assert station.is_online(1)
    assert next_of(station)[0][1] == 1


def test_one_of_several_keeps_the_lines_rate_and_no_address_is_lost() -> None:
    notices: list[str] = []
    station = opened(1, 2, notices=notices)
    station.send(1, Command.COMSET, octets("02 00 4B 00 00"))
    asked = next_of(station)
    answer(station, asked, ack(asked[0], Reply.COM, octets("02 00 4B 00 00")))
    assert station.baud() is None
    assert station.addresses == [1, 2]
    assert notices[-1] == "has the address 2 of another device now"


def test_a_key_is_not_sent_without_a_secure_channel() -> None:
    notices: list[str] = []
    station = opened(1, notices=notices)
    station.send(1, Command.KEYSET, bytes((1, 16)) + bytes(16))
    assert next_of(station)[0][5] == Command.POLL
    assert notices[-1] == "is sent no key: it has no secure channel"


def test_what_went_off_line_is_told_once_and_loses_what_was_queued() -> None:
    notices: list[str] = []
    station = opened(1, notices=notices)
    for _ in range(3):
        assert next_of(station)[0][5] == Command.POLL
    station.send(1, Command.ISTAT)
    again = next_of(station)
    assert again[0] == build_frame(1, Command.POLL, sequence=0)
    assert notices == ["answers", "does not answer any more"]
    asked = again
    codes = []
    for _ in range(4):
        answer(station, asked, ack(asked[0]))
        asked = next_of(station)
        codes.append(asked[0][5])
    assert codes == [Command.ID, Command.CAP, Command.POLL, Command.POLL]


def test_a_security_block_that_was_not_asked_for_is_read_past() -> None:
    heard: list[tuple[int, bytes]] = []

    def react(_address: int, code: int, data: bytes) -> list[tuple[int, int, bytes]]:
        heard.append((code, data))
        return []

    station = Panel("panel", [1], SETTINGS, poll_gap_ns=50 * MS, react=react)
    asked = next_of(station)
    told = build_frame(1, Reply.ISTATR, b"\0\1", sequence=0, reply=True, security_block=b"\x02\x19")
    answer(station, asked, told)
    assert heard == [(Reply.ISTATR, b"\0\1")]


def test_a_device_changes_once_it_has_answered() -> None:
    # sheet 5.5: COM goes out at the old settings, then both switch
    one = device(1)
    from tests.simulate.lockstep import heard, say

    assert say(one, build_frame(1, Command.POLL, sequence=0), 0)[0] is not None
    change = build_frame(1, Command.COMSET, octets("05 00 4B 00 00"), sequence=1)
    one.hear(heard(change, 300 * MS))
    assert (one.address, one.baud()) == (1, None)
    due_ns = one.wake_ns()
    assert due_ns is not None
    assert one.act(due_ns) == build_frame(1, Reply.COM, octets("05 00 4B 00 00"), sequence=1, reply=True)
    assert (one.address, one.baud()) == (5, 19200)
    one.hear(heard(build_frame(1, Command.POLL, sequence=0), 600 * MS))
    assert one.wake_ns() is None
    assert say(one, build_frame(5, Command.POLL, sequence=0), 900 * MS)[0] is not None
