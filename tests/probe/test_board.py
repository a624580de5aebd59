"""main.py, probe_logic.py and probe_pio.py together, on a modelled board: what is on the lines is what is told."""

from __future__ import annotations

import itertools
from typing import Any

import pytest

from benchtool.frames.card.pulses import PulseReader
from benchtool.taps.probe_protocol import Answer, Edges, Lost, Overrun, ProbeDecoder, Sent, command_line
from benchtool.taps.probe_source import Pieces
from tests.probe.board_model import Running

CARD = "00110010100001111111111111"
"""26-bit, site code 101, number 4095 (reference sheet 6.2)."""
LINE = {"0": 2, "1": 1}
"""Levels while that bit's line is low: D0 is the bit of value 1."""


@pytest.fixture
def running() -> Running:
    return Running()


def show(running: Running, at_us: float, bits: str, width: float, spacing: float) -> float:
    """A reader's frame from outside; when it is over, in us."""
    for number, bit in enumerate(bits):
        running.world.outside(at_us + number * spacing, LINE[bit])
        running.world.outside(at_us + number * spacing + width, 3)
    return at_us + len(bits) * spacing


def reads(running: Running) -> tuple[list[Any], list[str]]:
    pieces, pulses = Pieces("here", 400), PulseReader()
    found = []
    for event in ProbeDecoder().feed(bytes(running.world.said)):
        piece = pieces.take(event)
        if piece is not None:
            found += [burst.read for burst in pulses.feed(piece) if burst.read is not None]
    return found, pieces.problems


@pytest.mark.parametrize(
    ("width", "spacing"), [(20, 200), (50, 200), (100, 1000), (50.3, 777.7)], ids=lambda value: f"{value}us"
)
def test_a_frame_on_the_lines_is_read_right_with_its_times(running: Running, width: float, spacing: float) -> None:
    running.run(3)
    end = show(running, 5000, CARD, width, spacing)
    running.run(end / 1000 + 110)
    (read,), problems = reads(running)
    assert problems == []
    assert read.bits.text == CARD
    for pulse in read.pulses:
        assert abs(pulse.width_ns - width * 1000) <= 400
    starts = [pulse.start_ns for pulse in read.pulses]
    for number, start in enumerate(starts):
        assert abs(start - starts[0] - number * spacing * 1000) <= 400


def test_a_pause_of_the_program_for_300_ms_loses_nothing_of_the_fastest_legal_frame(running: Running) -> None:
    running.run(3)
    bits = (CARD * 2)[:37]
    show(running, 5000, bits, 20, 200)
    running.run(300, pause_ms=300)
    running.run(110)
    (read,), problems = reads(running)
    assert (read.bits.text, problems) == (bits, [])


def test_more_changes_than_the_ring_holds_are_told_as_lost(running: Running) -> None:
    running.run(3)
    for number in range(2100):
        running.world.outside(5000 + number * 10, 2)
        running.world.outside(5005 + number * 10, 3)
    running.run(60, pause_ms=60)
    show(running, 100_000, CARD, 50, 1000)
    running.run(200)
    events = ProbeDecoder().feed(bytes(running.world.said))
    assert [event.changes for event in events if isinstance(event, Overrun)] == [4200]
    found, problems = reads(running)
    assert found[-1].bits.text == CARD
    assert len(problems) == 1


def test_words_that_are_overwritten_while_they_are_read_are_told_as_lost(
    running: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    running.run(3)
    for number in range(2100):
        running.world.outside(5000 + number * 10, 2)
        running.world.outside(5005 + number * 10, 3)
    running.world.advance(22_400)
    read = running.board._words

    def slow(count: int) -> Any:
        words = read(count)
        running.world.advance(1000)
        return words

    monkeypatch.setattr(running.board, "_words", slow)
    words, lost = running.board.edges()
    assert (words, lost > 4096) == ([], True)


def test_words_that_the_dma_did_not_fetch_in_time_are_told_as_lost(running: Running) -> None:
    running.run(3)
    running.world.dma_works = False
    end = show(running, 5000, CARD, 50, 1000)
    running.run(end / 1000 + 5)
    running.world.dma_works = True
    show(running, end + 100_000, CARD, 50, 1000)
    running.run(300)
    found, problems = reads(running)
    assert any("lost" in problem for problem in problems)
    assert found[-1].bits.text == CARD
    assert all(len(read.bits.text) == 26 or read.bits.text in CARD for read in found)


def test_what_it_emits_is_on_the_lines_to_the_microsecond_and_is_seen_back(running: Running) -> None:
    running.run(3)
    running.world.to_board += command_line(5, f"send 32 C8 {CARD}")
    running.run(20)
    assert [levels for _, levels in running.world.pulled] == [
        level for bit in CARD for level in ((2 if bit == "1" else 1), 0)
    ]
    times = [cycle / 25 for cycle, _ in running.world.pulled]
    assert [later - sooner for sooner, later in itertools.pairwise(times)] == ([50.0, 150.0] * 26)[:-1]
    running.run(100)
    (read,), problems = reads(running)
    assert (read.bits.text, problems) == (CARD, [])
    events = ProbeDecoder().feed(bytes(running.world.said))
    assert Answer(5, "sending") in events
    order = [type(event) for event in events if isinstance(event, Sent | Edges)]
    assert order[-1] is Sent, "the last change is told before the frame is said to be out"
    assert not any(isinstance(event, Lost) for event in events)


def test_stop_lets_the_lines_go_at_once(running: Running) -> None:
    running.run(3)
    running.world.to_board += command_line(5, f"send 2710 4E20 {'1' * 20}")
    running.run(5)
    assert running.world.lines() == 1, "D1 is low for 10 ms"
    running.world.to_board += command_line(6, "stop")
    running.run(1)
    assert running.world.lines() == 3
    running.run(100)
    assert running.world.lines() == 3


def test_the_self_test_finds_both_programs_sound_again_and_again(running: Running) -> None:
    running.run(3)
    for number in (1, 2):
        running.world.to_board += command_line(number, "test")
        running.run(2)
    answers = [event for event in ProbeDecoder().feed(bytes(running.world.said)) if isinstance(event, Answer)]
    assert answers == [Answer(1, "sound"), Answer(2, "sound")]
    assert running.world.pulled == [], "nothing went onto the card lines"


def test_the_ring_is_taken_up_again_before_the_dma_has_moved_all_that_it_may(running: Running) -> None:
    running.main._MOST_MOVES = 60
    running.board._move()
    running.run(3)
    at = 5000.0
    for _ in range(4):
        at = show(running, at, CARD, 50, 200) + 60_000
    running.run(400)
    found, problems = reads(running)
    assert ([read.bits.text for read in found], problems) == ([CARD] * 4, [])


def test_it_says_what_it_runs_on(running: Running) -> None:
    running.run(1)
    assert b"!0000 H protocol=1 program=1.0 tick=190 clock=7735940 ring=1000 micropython=1.27.0 " in running.world.said


def test_the_lamp_flashes_when_quiet_is_lit_by_pulses_and_blinks_while_a_line_stays_low(running: Running) -> None:
    def lamp(ms: int) -> list[int]:
        seen = []
        for _ in range(ms // 10):
            running.run(10)
            seen.append(int(running.world.lamp))
        return seen

    quiet = lamp(4000)
    assert 2 <= sum(quiet) <= 14, "50 ms every 2 s"
    show(running, 4_000_000, CARD, 50, 1000)
    assert lamp(200)[5:] == [1] * 15
    running.world.outside(5_000_000, 2)
    lamp(1300)
    stuck = lamp(1000)
    assert 40 <= sum(stuck) <= 60
    assert sum(one != other for one, other in itertools.pairwise(stuck)) >= 8
