"""The format that line errors tell: which octets are marked follows from the octet's number of ones alone.

What a receiver makes of another format's characters is worked out here bit by bit from the definition of the character
(start bit, eight data bits, parity bit if any, stop bits; sheet section 2), and held to the sheet's example (section
11: 8E1 read as 8N1, `11 03 00` marked, `6B 76` not).
"""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.capture.chunk import Chunk, LineCounts, LineErrors, Mark
from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.commands.session import Session
from benchtool.diagnose.conclude import conclude
from benchtool.diagnose.engine import diagnose, observe
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.format_seen import FormatSeen, format_seen
from benchtool.diagnose.observed import from_json, to_json
from benchtool.frames.crc import with_crc_modbus
from benchtool.taps.address import open_tap
from tests.diagnose.test_symptoms import heard

REQUESTS = [with_crc_modbus(bytes([unit, 3, 0, 10 * unit, 0, 2])) for unit in (17, 18, 19)]
REPLIES = [with_crc_modbus(bytes([unit, 3, 4, 0, 7 * unit, 3, unit])) for unit in (17, 18, 19)]
FRAMES = [frame for pair in zip(REQUESTS, REPLIES, strict=True) for frame in pair] * 10


def ninth_bit(form: str, octet: int) -> int:
    """The line's bit after the eight data bits."""
    ones = f"{octet:08b}".count("1")
    return {"N": 1, "E": ones % 2, "O": (ones + 1) % 2}[form[1]]


def marks_of(octets: bytes, sent: str, read: str) -> bytes:
    """What a receiver marks that reads every value right."""
    made = []
    for octet in octets:
        wanted, came = ninth_bit(read, octet), ninth_bit(sent, octet)
        made.append(Mark.NONE if wanted == came else Mark.FRAMING if read[1] == "N" else Mark.PARITY)
    return bytes(made)


def line(read: str) -> LineSettings:
    return LineSettings(19200, CharFormat.parse(read))


def chunks(frames: list[bytes], marks: list[bytes], read: str) -> list[Chunk]:
    char_ns, found = line(read).char_ns, []
    for place, (frame, marked) in enumerate(zip(frames, marks, strict=True)):
        begin = place * 50_000_000
        found.append(Chunk(begin, begin + len(frame) * char_ns, frame, marked))
    return found


def seen(frames: list[bytes], marks: list[bytes], read: str) -> FormatSeen | None:
    evidence, _ = heard(chunks(frames, marks, read), LineErrors.MARKED, line=line(read), prove=False)
    return format_seen(evidence, line(read))


def test_the_marks_are_those_of_the_sheet() -> None:
    assert [bool(mark) for mark in marks_of(bytes.fromhex("1103006B76"), "8E1", "8N1")] == [True] * 3 + [False] * 2


@pytest.mark.parametrize(
    ("sent", "read"),
    [("8E1", "8N1"), ("8O1", "8N1"), ("8E1", "8N2"), ("8E1", "8O1"), ("8O1", "8E1"), ("8N2", "8E1"), ("8N2", "8O1")],
)
def test_the_format_is_told_from_the_octets_that_are_marked(sent: str, read: str) -> None:
    marks = [marks_of(frame, sent, read) for frame in FRAMES]
    found = seen(FRAMES, marks, read)
    assert found is not None
    assert str(found.sent) == sent
    assert found.marked == found.of == sum(map(bool, b"".join(marks)))
    assert found.others == 0
    assert found.of + found.rest == len(b"".join(FRAMES))
    text = found.told(CharFormat.parse(read))
    assert text.startswith(f"{found.marked} of {found.of} octets")
    assert f"{sent} read as {read}" in text


def test_two_stop_bits_read_by_a_receiver_of_one_leave_no_mark_and_no_claim() -> None:
    assert seen(FRAMES, [marks_of(frame, "8N2", "8N1") for frame in FRAMES], "8N1") is None


def test_some_noise_beside_it_changes_nothing() -> None:
    drawn = random.Random(3)
    marks = [bytes(mark ^ (drawn.random() < 0.01) for mark in marks_of(frame, "8E1", "8N1")) for frame in FRAMES]
    found = seen(FRAMES, marks, "8N1")
    assert found is not None
    assert str(found.sent) == "8E1"
    assert found.marked < found.of


@settings(max_examples=60, deadline=None)
@given(share=st.floats(0.01, 0.99), seed=st.integers(0, 10_000), read=st.sampled_from(["8N1", "8E1", "8O1", "8N2"]))
def test_marks_without_regard_to_the_ones_tell_no_format(share: float, seed: int, read: str) -> None:
    """By chance: noise marks any octet, a reflection the same places of the same frames."""
    drawn = random.Random(seed)
    kind = Mark.FRAMING if read[1] == "N" else Mark.PARITY
    noise = [bytes(kind if drawn.random() < share else 0 for _ in frame) for frame in FRAMES]
    if share < 0.85:  # nearly all of them marked is another parity indeed
        assert seen(FRAMES, noise, read) is None
    places = {frame: bytes(kind if drawn.random() < min(share, 0.8) else 0 for _ in frame) for frame in FRAMES}
    assert seen(FRAMES, [places[frame] for frame in FRAMES], read) is None


@pytest.mark.parametrize(
    "fault",
    ["healthy", "noise-broadband", "terminator-missing-both", "clock-off", "bias-missing", "address-duplicate"],
)
@pytest.mark.parametrize("bus", ["demo", "modbus", "longline"])
def test_no_other_fault_marks_octets_so(bus: str, fault: str) -> None:
    session = Session(open_tap(f"sim:{bus}?fault={fault}&for=8", None))
    session.run()
    assert format_seen(session.gatherer.evidence(), session.tap.info.settings) is None


@pytest.mark.parametrize("seed", [2, 3, 5, 21])
@pytest.mark.parametrize("read", ["8N1", "8O1"])
@pytest.mark.parametrize("adapter", ["marked", "counted"])
def test_modbus_read_in_another_parity_is_found_with_the_format_to_try(seed: int, read: str, adapter: str) -> None:
    session = Session(open_tap(f"sim:modbus?fault=format-wrong&which={read}&seed={seed}&adapter={adapter}", None))
    session.run()
    found = diagnose(session.gatherer.evidence(), session.tap.info.settings)
    assert found.findings[0].cause is Cause.FORMAT_WRONG
    assert found.findings[0].probability > 0.95
    assert found.findings[0].summary == f"The bus runs in 8E1; our receiver is set to {read}."
    assert found.next[0].do == "Listen again in the format found: --format 8E1."


def test_errors_that_are_only_counted_tell_it_by_their_number() -> None:
    marks = [marks_of(frame, "8E1", "8N1") for frame in FRAMES]
    even = sum(map(bool, b"".join(marks)))
    items = chunks(FRAMES, [b""] * len(FRAMES), "8N1")

    def counted(errors: int) -> FormatSeen | None:
        came = LineCounts(items[-1].end_ns, framing=errors)
        evidence, _ = heard([*items, came], LineErrors.COUNTED, line=line("8N1"), prove=False)
        return format_seen(evidence, line("8N1"))

    found = counted(even)
    assert found is not None
    assert str(found.sent) == "8E1"
    assert found.values == 0
    assert f"{even} framing errors were counted" in found.told(CharFormat())
    assert counted(round(0.8 * even)) is None
    assert counted(0) is None


@pytest.mark.parametrize("errors", [LineErrors.MARKED, LineErrors.COUNTED])
def test_a_bus_full_of_line_errors_is_never_led_by_a_sound_one(errors: LineErrors) -> None:
    """Whatever the values are: here every third octet bears an error, and all frames are sound."""
    thirds = [bytes(Mark.FRAMING if place % 3 == 0 else 0 for place in range(len(frame))) for frame in FRAMES]
    items: list[Chunk | LineCounts] = [*chunks(FRAMES, thirds if errors is LineErrors.MARKED else [b""] * 60, "8N1")]
    if errors is LineErrors.COUNTED:
        items.append(LineCounts(items[-1].t_ns + 1, framing=sum(map(bool, b"".join(thirds)))))
    evidence, _ = heard(items, errors, line=line("8N1"), prove=False)
    found = diagnose(evidence, line("8N1"))
    assert found.findings[0].cause is not Cause.HEALTHY
    assert all(one.cause is not Cause.HEALTHY or one.probability < 0.01 for one in found.findings)


def test_what_the_marks_tell_is_saved_with_the_diagnosis() -> None:
    marks = [marks_of(frame, "8E1", "8N1") for frame in FRAMES]
    evidence, _ = heard(chunks(FRAMES, marks, "8N1"), LineErrors.MARKED, line=line("8N1"), prove=False)
    observed = observe(evidence, line("8N1"))
    again = from_json(to_json(observed))
    assert again.sender_format == "8E1"
    assert again.leans == observed.leans
    assert conclude(again).findings == conclude(observed).findings
