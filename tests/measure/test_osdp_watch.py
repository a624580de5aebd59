"""The watch over a long secured talk: sound traffic raises nothing, lost frames cost little."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.capture.chunk import Chunk, Direction, TapInfo
from benchtool.capture.settings import LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.osdp.check import crc
from benchtool.frames.osdp.codes import Command, Reply
from benchtool.frames.osdp.events import KINDS, Kind, Level
from benchtool.measure.osdp_watch import OsdpWatch
from tests.osdp_talk import Secured, Talk, command, reply

EXCHANGES = 1500
_ENDS = Secured()
PIECES = [*_ENDS.start(), *_ENDS.exchange(), *_ENDS.exchange(Command.LED, bytes(14)), *Secured(bytes(16)).start()]
PIECES += [command(Command.POLL, sequence=number) for number in range(4)] + [reply(sequence=1), b"\x53\x81\x08"]
PIECES += [reply(Reply.COM, bytes((7, 128, 37, 0, 0))), command(Command.KEYSET, bytes((1, 16)) + bytes(16))]


def long_talk(damaged: float) -> tuple[Talk, dict[bytes, bytes]]:
    """Mostly polls, with lights, inputs and cards between; of all frames a share is damaged."""
    chance = random.Random(7)
    secured, talk = Secured(), Talk()
    truth: dict[bytes, bytes] = {}
    for octets in [command(Command.POLL, sequence=0), reply(sequence=0), *secured.start()]:
        talk.say(octets)
    for number in range(EXCHANGES):
        light = bytes((0, 0, 0, 0, 0, 0, 0, 0, 0, 1, number % 3, 0, 2, 2))
        inputs = bytes((number % 2, 0))
        card = bytes((0, 1, 26, 0)) + chance.randbytes(4)
        code, sent, back, answer = chance.choices(
            [
                (Command.POLL, b"", Reply.ACK, b""),
                (Command.LED, light, Reply.ACK, b""),
                (Command.ISTAT, b"", Reply.ISTATR, inputs),
                (Command.POLL, b"", Reply.RAW, card),
            ],
            [94, 2, 2, 2],
        )[0]
        frames, said = secured.exchange(code, sent, back, answer), (sent, answer)
        for octets, data in zip(frames, said, strict=True):
            truth[octets] = data
            (talk.damage if chance.random() < damaged else talk.say)(octets, 20)
    return talk.end(), truth


@pytest.mark.parametrize(("damaged", "least"), [(0.0, 1.0), (0.01, 0.95), (0.05, 0.8)])
def test_a_long_secured_talk(damaged: float, least: float) -> None:
    talk, truth = long_talk(damaged)
    inside = [(frame, seen.sight) for frame, seen in talk.seen if seen.sight is not None][4:]
    verified = [(frame, sight) for frame, sight in inside if sight.standing.value == "verified"]
    assert len(verified) >= least * len(inside)
    assert len(inside) >= (1 - 2 * damaged) * 2 * EXCHANGES - 10
    for frame, sight in verified:
        assert sight.opened is not None
        assert sight.opened.data == truth[frame.octets]
    assert [kind for kind in talk.kinds if KINDS[kind].level is Level.FAULT] == []


def test_other_protocols_pass_by() -> None:
    talk = Talk().say(bytes.fromhex("1103006B00037687")).say(bytes.fromhex("11030600AE564D435949AD"), 20).end()
    assert talk.kinds == []
    assert talk.watch.figures().channels == ()


@settings(max_examples=80, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(PIECES), st.binary(max_size=12), st.floats(0, 300)), max_size=30))
def test_any_octets_are_taken(steps: list[tuple[bytes, bytes, float]]) -> None:
    talk = Talk()
    for octets, noise, after_ms in steps:
        talk.say(octets, after_ms)
        if noise:
            talk.say(noise, after_ms / 2)
    talk.end()
    assert sum(one.count for one in talk.watch.figures().events) == len(talk.events)


def test_what_is_true_of_a_device_goes_with_it_to_its_new_address() -> None:
    # sheet 5.4: NAK 5, security not supported; sheet 5.5: COM is address and bit rate
    line = bytes((9,)) + (9600).to_bytes(4, "little")
    talk = Talk().say(Secured().start()[0]).say(reply(Reply.NAK, b"\x05"))
    talk.say(command(Command.COMSET, line, sequence=2)).say(reply(Reply.COM, line, sequence=2))
    counts = {(one.kind, one.address): one.first.address for one in talk.watch.figures().events}
    assert counts[Kind.DEFAULT_REFUSED, 9] == 9
    assert (Kind.DEFAULT_REFUSED, 1) not in counts
    assert (Kind.LINE_CHANGE, 1) in counts  # that happened at the old address
    # That it refused is still known there: its capabilities are not told against it.
    talk.say(command(Command.CAP, b"\0", sequence=1, address=9))
    talk.say(reply(Reply.PDCAP, b"\x09\1\1", sequence=1, address=9))
    assert Kind.DEFAULT_SAID not in talk.kinds


def test_who_stands_in_is_told_of_the_other_end_only() -> None:
    """A controller of ours leaves a number out; a device of ours answers with a wrong one."""
    jump = command(Command.POLL, sequence=3)
    wrong = reply(sequence=1)
    for ours, kinds in ((Direction.SENT, [Kind.SEQUENCE_REPLY]), (Direction.RECEIVED, [Kind.SEQUENCE_JUMP])):
        theirs = Direction.RECEIVED if ours is Direction.SENT else Direction.SENT
        settings = LineSettings()
        watch = OsdpWatch(TapInfo("line", settings), others_only=True)
        decoder, now_ns = BusDecoder(settings), 0
        told: list[Kind] = []
        first = [(command(Command.POLL, sequence=1), ours), (reply(sequence=1), theirs)]
        for octets, direction in [*first, (jump, ours), (wrong, theirs)]:
            now_ns += 10_000_000
            chunk = Chunk(now_ns, now_ns + len(octets) * settings.char_ns, octets, b"", direction)
            now_ns = chunk.end_ns
            watch.item(chunk)
            told += [event.kind for frame in decoder.feed(chunk) for event in watch.frame(frame).events]
        assert told == kinds
        assert [one.kind for one in watch.figures().events] == kinds


@pytest.mark.parametrize("ours", [True, False])
def test_a_number_changed_after_the_frame_was_sealed_is_told_once(ours: bool) -> None:
    """The MAC covers the header, the sequence number in it (sheet 5.8): one change, one event."""
    secured = Secured()
    talk = Talk()
    for octets in [*secured.start(), *secured.exchange()]:
        talk.say(octets)
    before = len(talk.events)
    asked, answered = secured.exchange()
    changed = bytearray(asked if ours else answered)
    changed[4] = changed[4] & ~0x03 | 2  # it is 1
    octets = bytes(changed[:-2])
    changed[-2:] = crc(octets).to_bytes(2, "little")
    for octets in [bytes(changed)] if ours else [asked, bytes(changed)]:
        talk.say(octets)
    (event,) = talk.events[before:]
    assert event.kind is Kind.MAC_WRONG
    assert "its sequence number does not fit either" in event.detail
    assert "2" in event.detail


def test_a_wrong_number_that_was_sealed_is_a_fault_and_no_attack() -> None:
    secured = Secured()
    talk = Talk()
    for octets in [*secured.start(), *secured.exchange()]:
        talk.say(octets)
    before = len(talk.events)
    talk.say(secured.chain.seal(1, Command.POLL, sequence=1))
    talk.say(secured.chain.seal(1, Reply.ACK, sequence=2, reply=True))
    assert [event.kind for event in talk.events[before:]] == [Kind.SEQUENCE_REPLY]
