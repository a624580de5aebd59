"""The probe's line protocol: every line right or told as missing, whatever octets are lost or damaged on the way."""

from __future__ import annotations

from binascii import crc32
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.taps.probe_protocol import (
    Answer,
    Began,
    Change,
    Edges,
    Hello,
    Levels,
    Lost,
    Overrun,
    ProbeDecoder,
    Quiet,
    Refused,
    Sent,
    command_line,
    facts_of,
    number_in,
)
from tests.probe.board_files import load

LOGIC: Any = load("probe_logic")
HIGH = Levels(True, True)


def line(number: int, words: str) -> bytes:
    made: bytes = LOGIC.make_line("!", number, words)
    return made


def test_the_check_is_that_of_the_catalogue() -> None:
    # Reference sheet section 4: CRC-32/ISO-HDLC of 123456789 is CBF43926.
    assert crc32(b"123456789") == 0xCBF43926
    assert line(7, "123456789").startswith(b"!0007 123456789 ")
    # The octets as docs/probe.md shows them; the CRC is zlib's, another implementation than MicroPython's.
    assert line(5, "E 1A z y0z7D") == b"!0005 E 1A z y0z7D 27360451\n"
    assert command_line(1, "hello") == b"?0001 hello %08X\n" % crc32(b"?0001 hello")


@pytest.mark.parametrize(
    ("words", "event"),
    [
        ("H protocol=1 tick=190", Hello({"protocol": "1", "tick": "190"})),
        ("B 0 z", Began(0, HIGH)),
        ("E A z y0z7D", Edges(HIGH, (Change(10, Levels(False, True)), Change(135, HIGH)))),
        ("E A w x0", Edges(Levels(False, False), (Change(10, Levels(True, False)),))),
        ("I FF z edges=2 overruns=0", Quiet(255, HIGH, {"edges": "2", "overruns": "0"})),
        ("I FF z", Quiet(255, HIGH, {})),
        ("O 10", Overrun(16)),
        ("S 00AB", Sent(0xAB)),
        ("A 00AB", Answer(0xAB, "")),
        ("A 00AB sound", Answer(0xAB, "sound")),
        ("N 0001 width", Refused(1, "width")),
    ],
)
def test_each_kind(words: str, event: object) -> None:
    assert ProbeDecoder().feed(line(0, words)) == [event]


@pytest.mark.parametrize(
    "words",
    ["", "E", "E A z", "E A z q0", "E A z yG", "B z", "B -1 z", "O", "O x", "S 1", "A", "A 1 x", "X 1", "I 1 q"],
)
def test_a_sound_line_that_nobody_can_mean_is_damaged(words: str) -> None:
    decoder = ProbeDecoder()
    assert decoder.feed(line(0, words)) == []
    assert decoder.damaged == 1


def test_what_is_missed_is_told_once_and_a_new_beginning_is_no_loss() -> None:
    decoder = ProbeDecoder()
    assert decoder.feed(line(9, "B 1 z") + line(12, "I 2 z") + line(13, "I 3 z")) == [
        Began(1, HIGH),
        Lost(2),
        Quiet(2, HIGH, {}),
        Quiet(3, HIGH, {}),
    ]
    assert decoder.lost == 2
    assert decoder.feed(line(0, "H protocol=1") + line(1, "B 0 z")) == [Hello({"protocol": "1"}), Began(0, HIGH)]


def test_numbers_go_round() -> None:
    decoder = ProbeDecoder()
    assert decoder.feed(line(0xFFFF, "B 1 z") + line(0x10000, "I 2 z")) == [Began(1, HIGH), Quiet(2, HIGH, {})]


def test_a_lost_line_end_costs_nothing_but_that_line() -> None:
    decoder = ProbeDecoder()
    events = decoder.feed(line(0, "B 0 z")[:-1] + line(1, "I 1 z") + line(2, "I 2 z"))
    assert events == [Quiet(1, HIGH, {}), Quiet(2, HIGH, {})]
    assert decoder.damaged == 1


def test_what_another_program_says_is_kept_a_little_and_no_line() -> None:
    decoder = ProbeDecoder()
    assert decoder.feed(b"MicroPython v1\r\n>>> " * 100) == []
    assert b">>>" in decoder.last_strays
    assert len(decoder.last_strays) <= 400
    assert decoder.feed(b"!" + b"x" * 10_000 + b"\n" + line(3, "B 1 z")) == [Began(1, HIGH)]


def test_facts() -> None:
    assert facts_of("a=1 b x=y=z") == {"a": "1", "x": "y=z"}
    assert number_in({"a": "1F"}, "a") == 31
    assert number_in({"a": "1f "}, "a") is None
    assert number_in({}, "a") is None


@given(st.binary(max_size=600), st.integers(1, 50))
def test_any_octets_whole_or_in_pieces_never_raise_and_say_the_same(octets: bytes, size: int) -> None:
    whole, pieces = ProbeDecoder(), ProbeDecoder()
    events = []
    for at in range(0, len(octets), size):
        events += pieces.feed(octets[at : at + size])
    assert whole.feed(octets) == events
    assert (whole.strays, whole.damaged) == (pieces.strays, pieces.damaged)


@st.composite
def spoilt_streams(draw: st.DrawFn) -> tuple[list[str], bytes]:
    """Lines numbered from 0, and the octets that arrive: some lost, some changed, some put in."""
    count = draw(st.integers(1, 25))
    words = [f"I {number * 16 + 1:X} z" for number in range(count)]
    octets = bytearray(b"".join(line(number, one) for number, one in enumerate(words)))
    for _ in range(draw(st.integers(0, 12))):
        if not octets:
            break
        at = draw(st.integers(0, len(octets) - 1))
        kind = draw(st.sampled_from(["lose", "lose many", "change", "put in"]))
        if kind == "lose":
            del octets[at]
        elif kind == "lose many":
            del octets[at : at + draw(st.integers(1, 90))]
        elif kind == "change":
            octets[at] = draw(st.integers(0, 255))
        else:
            octets[at:at] = draw(st.binary(min_size=1, max_size=5))
    return words, bytes(octets)


@given(spoilt_streams(), st.integers(1, 64))
def test_spoilt_octets_give_right_lines_or_told_gaps_and_it_finds_its_way_back(
    stream: tuple[list[str], bytes], size: int
) -> None:
    words, octets = stream
    decoder = ProbeDecoder()
    # What comes after, undamaged: a line that the damage may have begun ends at the next mark.
    following = [line(len(words) + number, f"I {1_000_000 + number:X} z") for number in range(3)]
    octets += b"".join(following)
    events = []
    for at in range(0, len(octets), size):
        events += decoder.feed(octets[at : at + size])
    expected = 0
    for event in events:
        if isinstance(event, Lost):
            expected += event.lines
            continue
        assert isinstance(event, Quiet)
        wanted = (expected * 16 + 1) if expected < len(words) else 1_000_000 + expected - len(words)
        if not decoder_started(events, event):
            # The first line that is read sets the numbers: what went before it was never expected.
            expected = (event.ticks - 1) // 16 if event.ticks < 1_000_000 else len(words) + event.ticks - 1_000_000
            wanted = event.ticks
        assert event.ticks == wanted
        expected += 1
    assert expected == len(words) + 3, "the lines after the damage are all there"


def decoder_started(events: list[Any], event: Any) -> bool:
    return next(one for one in events if not isinstance(one, Lost)) is not event


@given(spoilt_streams())
def test_the_probe_obeys_no_command_that_was_not_sent(stream: tuple[list[str], bytes]) -> None:
    words, octets = stream
    reader = LOGIC.LineReader("!")
    found = reader.feed(octets)
    sent = list(enumerate(words))
    assert all(one in sent for one in found)
    assert found == sorted(found)
