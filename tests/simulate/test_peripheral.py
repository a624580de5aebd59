"""The simulated OSDP device against the sheet's frames: what it says to what."""

from __future__ import annotations

import numpy as np
import pytest

from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Command, Reply
from benchtool.simulate.peripheral import Event, Peripheral
from tests.simulate.lockstep import MS, SETTINGS, heard, octets, say

IDENTITY = octets("020b7e010101000102030400")
CAPABILITIES = octets("030101040401")


def peripheral(
    address: int = 1,
    *,
    events: list[Event] | None = None,
    answers: bool = True,
    reply_ns: int = 3 * MS,
    inputs: int = 2,
) -> Peripheral:
    return Peripheral(
        "reader",
        address,
        SETTINGS,
        identity=IDENTITY,
        capabilities=CAPABILITIES,
        reply_ns=reply_ns,
        rng=np.random.default_rng(1),
        events=events or (),
        inputs=inputs,
        answers=answers,
    )


class Bench:
    """A device and someone who asks it, 300 ms apart."""

    def __init__(self, station: Peripheral, *, begun: bool = True) -> None:
        self.station = station
        self.now_ns = 0
        self.waited_ns = 0
        if begun:
            assert self.ask(build_frame(station.address, Command.POLL, sequence=0)) is not None

    def ask(self, data: bytes) -> bytes | None:
        self.now_ns += 300 * MS
        reply, self.waited_ns = say(self.station, data, self.now_ns)
        return reply


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        # sheet 5.7, computed gallery: address 1, sequence 1, CRC
        ("53 01 08 00 05 60 8B 33", "53 81 08 00 05 40 39 35"),
        # the same with a checksum
        ("53 01 07 00 01 60 44", "53 81 07 00 01 40 E4"),
        # LED, BUZ, OUT, TEXT, KEEPACTIVE, ACURXSIZE of the gallery are done and acknowledged
        ("53 01 16 00 05 69 00 00 00 00 00 00 00 00 00 01 01 00 02 02 CC B7", "53 81 08 00 05 40 39 35"),
        ("53 01 0D 00 05 6A 00 02 02 02 02 FD 15", "53 81 08 00 05 40 39 35"),
        ("53 01 0C 00 05 68 00 05 32 00 D9 F9", "53 81 08 00 05 40 39 35"),
        ("53 01 13 00 05 6B 00 01 00 01 01 05 48 45 4C 4C 4F FC 87", "53 81 08 00 05 40 39 35"),
        ("53 01 0A 00 05 A7 F4 01 26 97", "53 81 08 00 05 40 39 35"),
        ("53 01 0A 00 05 7B 00 01 D6 58", "53 81 08 00 05 40 39 35"),
        # RSTAT: RSTATR, one reader, normal
        ("53 01 08 00 05 67 6C 43", "53 81 09 00 05 4B 00 5D 29"),
        # ABORT is a command that this device does not know: NAK 03
        ("53 01 08 00 05 A2 85 CA", "53 81 09 00 05 41 03 F5 F6"),
    ],
)
def test_it_says_what_the_sheet_says(asked: str, told: str) -> None:
    assert Bench(peripheral()).ask(octets(asked)) == octets(told)


def test_a_session_begins_as_in_the_sheet() -> None:
    # sheet 5.9: POLL with sequence 0 to address 0, and its ACK
    bench = Bench(peripheral(0), begun=False)
    assert bench.ask(octets("53 00 08 00 04 60 EB AA")) == octets("53 80 08 00 04 40 59 AC")


def test_a_security_block_is_refused() -> None:
    # sheet 5.9 (CHLNG) and 5.7 (NAK05 SQN1)
    challenge = octets("53 00 13 00 0D 03 11 00 76 B0 B1 B2 B3 B4 B5 B6 B7 31 77")
    assert Bench(peripheral(0)).ask(challenge) == octets("53 80 09 00 05 41 05 93 D3")


def test_events_are_told_one_a_poll_when_their_time_has_come() -> None:
    # sheet 5.7: RAW 26-bit, KEYPAD 12#, ISTATR 0,1 of address 1 with sequence 1; others by their payload (5.5)
    raw, keypad, inputs = octets("00 01 1A 00 32 87 FF C0"), octets("00 03 31 32 0D"), octets("00 01")
    events = [
        (650 * MS, int(Reply.KEYPAD), keypad),
        (10 * MS, int(Reply.RAW), raw),
        (5000 * MS, int(Reply.ISTATR), inputs),
    ]
    bench = Bench(peripheral(events=events), begun=False)
    poll = [build_frame(1, Command.POLL, sequence=number) for number in range(4)]
    said = [bench.ask(poll[number]) for number in (0, 1, 2, 3)]
    ack = Reply.ACK
    assert [frame[5] for frame in said if frame] == [Reply.RAW, ack, Reply.KEYPAD, ack]
    first = Bench(peripheral(events=[(400 * MS, int(Reply.RAW), raw)]))
    assert first.ask(poll[1]) == octets("53 81 10 00 05 50 00 01 1A 00 32 87 FF C0 3A 82")
    second = Bench(peripheral(events=[(400 * MS, int(Reply.KEYPAD), keypad)]))
    assert second.ask(poll[1]) == octets("53 81 0D 00 05 53 00 03 31 32 0D 9C 88")
    third = Bench(peripheral(events=[(400 * MS, int(Reply.ISTATR), inputs)]))
    assert third.ask(poll[1]) == octets("53 81 0A 00 05 49 00 01 EA 58")


def test_the_state_of_the_inputs_can_be_asked_for() -> None:
    # sheet 5.5: one octet an input; 5.7: ISTAT and ISTATR 0,1
    bench = Bench(peripheral(events=[(700 * MS, int(Reply.ISTATR), bytes((0, 1)))]))
    assert bench.ask(octets("53 01 08 00 05 65 2E 63")) == build_frame(1, 0x49, bytes(2), sequence=1, reply=True)
    assert bench.ask(build_frame(1, Command.ISTAT, sequence=2)) == build_frame(
        1, 0x49, bytes((0, 1)), sequence=2, reply=True
    )
    assert Bench(peripheral(inputs=4)).ask(octets("53 01 08 00 05 65 2E 63")) == build_frame(
        1, 0x49, bytes(4), sequence=1, reply=True
    )


def test_identity_and_capabilities() -> None:
    bench = Bench(peripheral())
    assert bench.ask(octets("53 01 09 00 05 61 00 50 14")) == build_frame(1, 0x45, IDENTITY, sequence=1, reply=True)
    assert bench.ask(build_frame(1, Command.CAP, b"\0", sequence=2)) == build_frame(
        1, 0x46, CAPABILITIES, sequence=2, reply=True
    )


def test_sequence_numbers_go_round_without_nought() -> None:
    # sheet 5.1: 0 = (re)start, then 1, 2, 3, 1, 2, 3; the reply carries the same number
    bench = Bench(peripheral(), begun=False)
    for sequence in (0, 1, 2, 3, 1, 2, 0, 1):
        told = bench.ask(build_frame(1, Command.POLL, sequence=sequence))
        assert told == build_frame(1, Reply.ACK, sequence=sequence, reply=True)


def test_a_repeated_sequence_number_gets_the_identical_reply() -> None:
    # sheet 5.1: "repeat your last reply"; the card is not lost with a reply that nobody heard
    card = (10 * MS, int(Reply.RAW), octets("00 01 1A 00 32 87 FF C0"))
    bench = Bench(peripheral(events=[(400 * MS, card[1], card[2])]))
    asked = build_frame(1, Command.POLL, sequence=1)
    first = bench.ask(asked)
    assert first is not None
    assert first[5] == Reply.RAW
    assert bench.ask(asked) == first
    # whatever the repeated command is
    assert bench.ask(build_frame(1, Command.ID, b"\0", sequence=1)) == first
    told = bench.ask(build_frame(1, Command.POLL, sequence=2))
    assert told is not None
    assert told[5] == Reply.ACK


@pytest.mark.parametrize("crc", [True, False], ids=["crc", "checksum"])
def test_a_wrong_sequence_number_is_refused_and_changes_nothing(crc: bool) -> None:
    # sheet 5.4: NAK 04 sequence number
    bench = Bench(peripheral())
    first = bench.ask(build_frame(1, Command.ID, b"\0", sequence=1, crc=crc))
    nak = build_frame(1, Reply.NAK, b"\x04", sequence=3, crc=crc, reply=True)
    assert bench.ask(build_frame(1, Command.POLL, sequence=3, crc=crc)) == nak
    assert bench.ask(build_frame(1, Command.ID, b"\0", sequence=1, crc=crc)) == first
    told = bench.ask(build_frame(1, Command.POLL, sequence=2, crc=crc))
    assert told == build_frame(1, Reply.ACK, sequence=2, crc=crc, reply=True)


def test_it_wants_to_begin_at_nought() -> None:
    bench = Bench(peripheral(), begun=False)
    assert bench.ask(build_frame(1, Command.POLL, sequence=2)) == build_frame(
        1, Reply.NAK, b"\x04", sequence=2, reply=True
    )


def test_a_command_to_all_is_answered_from_the_address_of_all() -> None:
    # sheet 5.1: 7F is answered as FF
    told = Bench(peripheral()).ask(build_frame(127, Command.POLL, sequence=0))
    assert told == build_frame(127, Reply.ACK, sequence=0, reply=True)
    assert told is not None
    assert told[1] == 0xFF


@pytest.mark.parametrize(
    "asked",
    [
        build_frame(2, Command.POLL, sequence=1),
        build_frame(1, Reply.ACK, sequence=1, reply=True),
        build_frame(1, Command.POLL, sequence=1)[:-1] + b"\0",
        octets("01 03 00 00 00 01 84 0A"),
        octets("00 FF 80 1E 06"),
    ],
    ids=["another address", "a reply", "damaged", "modbus", "noise"],
)
def test_what_it_does_not_answer(asked: bytes) -> None:
    assert Bench(peripheral()).ask(asked) is None


def test_a_silent_device_hears_and_says_nothing() -> None:
    bench = Bench(peripheral(answers=False), begun=False)
    assert bench.ask(build_frame(1, Command.POLL, sequence=0)) is None
    assert bench.station.act(10**12) is None


@pytest.mark.parametrize("reply_ns", [0, 3 * MS, 20 * MS])
def test_it_waits_two_characters_at_least_before_it_talks(reply_ns: int) -> None:
    # sheet 5.2: idle gap of at least 2 characters before a transmission, 2.083 ms at 9600
    bench = Bench(peripheral(reply_ns=reply_ns))
    for number in range(30):
        bench.ask(build_frame(1, Command.POLL, sequence=number % 3 + 1))
        assert max(reply_ns, 2_083_334 - 1) <= bench.waited_ns <= 1.1 * max(reply_ns, 2_083_334)


def test_a_command_that_it_understands_too_late_is_not_answered() -> None:
    # Octets before the command look like a longer frame, so that only what follows tells; by then others have talked.
    station = peripheral()
    station.hear(heard(octets("10 02 08 10 53 05 10 05 05 08 10") + build_frame(1, Command.POLL, sequence=0), 0))
    assert station.wake_ns() is None
    station.hear(heard(build_frame(2, Command.POLL, sequence=0), 300 * MS))
    assert station.wake_ns() is None
