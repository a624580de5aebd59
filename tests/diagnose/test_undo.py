"""Undoing a reversed pair or a wrong rate: against the sheet's computed streams and our own receiver model."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.capture.chunk import Mark
from benchtool.capture.settings import CharFormat, LineSettings, Parity
from benchtool.diagnose.undo import MAX_OCTETS, Hypothesis, Recovered, Undone, modbus_rule, osdp_rule, undo
from benchtool.frames.modbus.build import build_frame as build_modbus
from benchtool.frames.osdp.build import build_frame
from benchtool.wire.uart import UartReceiver, encode
from tests.reversed_pair import sampler

REVERSED = Hypothesis(inverted=True)


def heard(
    octets: bytes, sent: LineSettings, receiver: LineSettings, *, inverted: bool, ideal: bool
) -> tuple[bytes, bytes]:
    """Octets and marks that a receiver makes of a transmission, pair reversed or not."""
    signal = encode(octets, sent)
    sample = sampler(signal, inverted=inverted)
    receive = UartReceiver(receiver, ideal=ideal).receive
    stop_s = signal.duration_s + 40 / receiver.baud + 40 / sent.baud
    got = receive(sample, -20 / sent.baud, stop_s, line_high_before=not inverted)
    return bytes(octet.value for octet in got), bytes(octet.marks for octet in got)


# Sheet section 11, "A/B reversed" (COMPUTED there by two separately written simulations).
SECTION_11 = [
    ("53 00 07 00 02 60 44", "56 F1 FF FB 3F 77 00", [6], osdp_rule),
    ("11 03 00 6B 00 03 76 87", "77 7E 29 FF F9 13 F1", [6], modbus_rule),
]


@pytest.mark.parametrize(("sent", "received", "framing", "rule"), SECTION_11)
@pytest.mark.parametrize("blind", [False, True])
def test_the_sheets_inverted_streams_are_undone(sent, received, framing, rule, blind) -> None:  # type: ignore[no-untyped-def]
    octets = bytes.fromhex(received)
    marks = bytes(Mark.FRAMING if index in framing else 0 for index in range(len(octets)))
    found = undo(octets, None if blind else marks, REVERSED, rule)
    assert (found.result, found.frames) == (Undone.FOUND, (bytes.fromhex(sent),))


def test_a_framing_mark_that_cannot_be_is_not_explained_away() -> None:
    # The first octet of the sheet's stream has no framing error; with one, no sender could have sent this.
    octets = bytes.fromhex("56 F1 FF FB 3F 77 00")
    assert undo(octets, bytes((1, 0, 0, 0, 0, 0, 1)), REVERSED, osdp_rule).result is Undone.NOTHING


@given(st.integers(0, 126), st.sampled_from([0x60, 0x61, 0x40, 0x45, 0x50]), st.binary(max_size=12), st.integers(0, 3))
def test_any_osdp_frame_comes_back_from_a_reversed_pair(address: int, code: int, data: bytes, sequence: int) -> None:
    frame = build_frame(address, code, data, sequence=sequence)
    octets, marks = heard(frame, LineSettings(), LineSettings(), inverted=True, ideal=False)
    found = undo(octets, marks, REVERSED, osdp_rule)
    assert found.result is not Undone.NOTHING
    if found.result is Undone.FOUND and found.chance < 5e-5:  # three check values tried at most
        assert found.frames == (frame,)


@pytest.mark.parametrize(
    ("sent", "receiver"),
    [("8N1", "8N1"), ("8E1", "8E1"), ("8N2", "8N1"), ("8E1", "8N1")],
)
def test_modbus_frames_of_other_formats_come_back(sent: str, receiver: str) -> None:
    frames = [build_modbus(17, 3, bytes((0, address, 0, 3))) for address in range(8)]
    sender, ours = LineSettings(19200, CharFormat.parse(sent)), LineSettings(19200, CharFormat.parse(receiver))
    back = 0
    for frame in frames:
        octets, marks = heard(frame, sender, ours, inverted=True, ideal=False)
        found = undo(octets, marks, Hypothesis(True, Fraction(1), sender.format, ours.format), modbus_rule)
        assert found.frames in ((frame,), ())
        back += found.frames == (frame,)
    assert back >= 7


def test_two_frames_in_one_lump_come_back_together() -> None:
    # An adapter that delivers lumps hides the silence between request and reply.
    request = build_frame(1, 0x60, sequence=1)
    reply = build_frame(1, 0x40, sequence=1, reply=True)
    lump_octets, lump_marks = b"", b""
    for frame in (request, reply):
        octets, marks = heard(frame, LineSettings(), LineSettings(), inverted=True, ideal=True)
        lump_octets += octets
        lump_marks += marks
    assert undo(lump_octets, lump_marks, REVERSED, osdp_rule).frames == (request, reply)


@pytest.mark.parametrize("ratio", [Fraction(3, 2), Fraction(2)])
def test_polls_at_another_rate_come_back(ratio: Fraction) -> None:
    frame = build_frame(1, 0x60, sequence=1)
    octets, marks = heard(frame, LineSettings(9600), LineSettings(int(9600 * ratio)), inverted=False, ideal=True)
    assert undo(octets, marks, Hypothesis(ratio=ratio), osdp_rule).frames == (frame,)


def test_octets_that_were_never_inverted_are_not_undone_by_chance() -> None:
    # Sound polls, read as if they came from a reversed pair: any frame found must confess to chance.
    for address in range(1, 60):
        frame = build_frame(address, 0x60, sequence=1)
        found = undo(frame, b"", REVERSED, osdp_rule)
        assert found.result is not Undone.FOUND or found.chance > 0.02


@given(st.binary(min_size=4, max_size=24), st.booleans())
def test_random_octets_hardly_ever_become_frames(octets: bytes, blind: bool) -> None:
    for rule in (osdp_rule, modbus_rule):
        found = undo(octets, None if blind else b"", REVERSED, rule, most_steps=1500)
        assert isinstance(found, Recovered)
        assert found.result is not Undone.FOUND or found.chance > 1e-6
        assert bool(found.frames) == (found.result is Undone.FOUND)


def test_limits_of_the_search() -> None:
    assert undo(b"", b"", REVERSED, osdp_rule).result is Undone.NOTHING
    assert undo(bytes(MAX_OCTETS + 1), None, REVERSED, osdp_rule).result is Undone.UNDECIDED
    frame = build_modbus(1, 16, bytes.fromhex("0001 0002 04 000A 0102"))
    octets, _ = heard(frame, LineSettings(), LineSettings(), inverted=True, ideal=True)
    assert undo(octets, None, REVERSED, modbus_rule, most_steps=20).result is Undone.UNDECIDED


def test_impossible_values_at_a_rate_are_refused_at_once() -> None:
    # 55 cannot come out of a receiver twice too fast (sheet section 11, closed value sets).
    assert undo(b"\x55\x55\x55\x55", None, Hypothesis(ratio=Fraction(2)), modbus_rule).result is Undone.NOTHING


@pytest.mark.parametrize("parity", [Parity.ODD, Parity.MARK, Parity.SPACE])
def test_the_senders_parity_is_held_to(parity: Parity) -> None:
    form = CharFormat(8, parity, 1.0)
    frame = build_modbus(5, 6, bytes((0, 1, 0, 3)))
    octets, marks = heard(frame, LineSettings(9600, form), LineSettings(9600, form), inverted=True, ideal=True)
    found = undo(octets, marks, Hypothesis(True, Fraction(1), form, form), modbus_rule)
    assert found.frames in ((frame,), ())
    wrong = CharFormat(8, Parity.EVEN, 1.0)
    assert undo(octets, marks, Hypothesis(True, Fraction(1), wrong, form), modbus_rule).frames != (frame,)
