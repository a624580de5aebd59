"""`benchtool probe check` and `benchtool simulate card`, over a pseudo-terminal with the probe's own program."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from benchtool.capture.card_lines import LineRecord
from benchtool.commands import probe as probe_command
from benchtool.commands import simulate_card
from benchtool.commands.main import main
from benchtool.frames.card.pulses import Burst, PulseReader
from benchtool.taps import probe as probe_link
from benchtool.taps import probe_emit
from benchtool.taps.card_address import open_card_source
from tests.probe.logic_board import LogicBoard, probe_at_terminal

CARD = "00110010100001111111111111"
"""26-bit, site code 101, number 4095 (reference sheet 6.2)."""
SECRET = re.compile(r"4095|\b101\b|0CA1FFF|00110010")


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(probe_command, "_WATCH_S", 0.05)
    monkeypatch.setattr(simulate_card, "_LOOK_S", 0.05)
    # A machine that stalls for seconds fails no test.
    monkeypatch.setattr(probe_link, "_TRIES", 60)
    monkeypatch.setattr(probe_emit, "_LATE_S", 30.0)


def run(*words: str) -> Result:
    return CliRunner().invoke(main, words)


def card(*words: str, port: str = "/dev/x") -> Result:
    return run("simulate", "card", "--port", f"probe:{port}", *words)


def objects(result: Result) -> list[dict[str, Any]]:
    assert result.exit_code == 0, result.output
    return [json.loads(line) for line in result.stdout.splitlines()]


def test_check_of_a_sound_probe() -> None:
    with probe_at_terminal() as (port, _):
        text = run("probe", "check", f"probe:{port}", "--strict")
        (told,) = objects(run("probe", "check", port, "--json"))
    assert text.exit_code == 0, text.output
    for words in ("program 1.0, protocol 1", "125 MHz", "400 ns", "self-test: sound", "D0 is high", "D1 is high"):
        assert words in text.output
    assert (told["self_test"], told["d0"], told["d1"], told["resolution_ns"]) == ("sound", "high", "high", 400)
    assert told["problems"] == []


def test_check_of_a_probe_with_a_line_low_and_a_failed_test() -> None:
    with probe_at_terminal(lambda now: LogicBoard(now, levels=2, test="edges")) as (port, _):
        result = run("probe", "check", port, "--strict")
    assert result.exit_code == 1
    assert "D0 is LOW" in result.output
    assert "D0 is low: no pull-up" in result.output
    assert "the self-test says edges=4" in result.output
    assert "2 thing(s)" in result.output


def test_a_card_is_emitted_as_set_and_masked() -> None:
    with probe_at_terminal() as (port, board):
        result = card("--transmit", "--format", "26-bit", "--site", "101", "--number", "4095", "--strict", port=port)
    assert result.exit_code == 0, result.output
    assert "1 of 1: 26-bit •••, 26 bits; seen back right" in result.output
    assert not SECRET.search(result.output)
    (plan,) = board.plans
    assert "".join("1" if word & 3 == 2 else "0" for word in plan[::2]) == CARD
    assert {word >> 2 for word in plan[::2]} == {46}
    assert {word >> 2 for word in plan[1::2]} == {946}


def test_repeats_with_other_times_as_objects() -> None:
    with probe_at_terminal() as (port, board):
        first, second, last = objects(
            card(
                "0CA1FFF/26",
                "--transmit",
                "--width",
                "20us",
                "--spacing",
                "0.2ms",
                "--repeat",
                "2",
                "--every",
                "10ms",
                "--json",
                port=port,
            )
        )
    assert first == second
    assert first == {
        "kind": "sent", "card": "bits as given", "length": 26, "pulses_seen": 26, "followed": True, "gap": False,
    }  # fmt: skip
    assert last == {"kind": "summary", "sent": 2, "followed": 2, "stopped": False}
    assert [{word >> 2 for word in plan} for plan in board.plans] == [{16, 176}] * 2


def test_a_file_of_reads(tmp_path: Path) -> None:
    file = tmp_path / "cards.txt"
    file.write_text(f"{CARD}\n{CARD[::-1]}\n")
    with probe_at_terminal() as (port, board):
        result = card("--transmit", "--reads", str(file), "--every", "10ms", "--spacing", "200us", port=port)
    assert result.exit_code == 0, result.output
    assert "2 of 2: read 2 •••" in result.output
    assert len(board.plans) == 2
    empty = tmp_path / "none.txt"
    empty.write_text("nothing here\n")
    assert card("--transmit", "--reads", str(empty)).exit_code == 4


def test_bits_are_shown_where_asked_and_outside_limits_said() -> None:
    with probe_at_terminal() as (port, _):
        result = card(CARD, "--transmit", "--show-cards", "--width", "10us", "--spacing", "150us", port=port)
    assert CARD in result.output
    assert "pulses of 10 us are outside the published 20 to 100 us" in result.stderr
    assert "a spacing of 150 us is outside the published 200 us to 20 ms" in result.stderr


def test_lines_that_do_not_follow_are_told() -> None:
    with probe_at_terminal(lambda now: LogicBoard(now, follows=False)) as (port, _):
        result = card(CARD, "--transmit", "--strict", port=port)
    assert result.exit_code == 1
    assert "NOT seen back: is the emit jumper in" in result.output


class OneLine(LogicBoard):
    """The transistor of D1 is missing, or those of both are exchanged."""

    exchanged = False

    def emit(self, words: Any) -> None:
        before = len(self.coming)
        super().emit(words)
        change = {3: 3, 2: 1, 1: 2} if self.exchanged else {3: 3, 2: 2, 1: 3}
        self.coming[before:] = [(ticks, change[levels]) for ticks, levels in self.coming[before:]]


class Exchanged(OneLine):
    exchanged = True


def test_a_missing_and_an_exchanged_transistor_are_told() -> None:
    for kind, words in ((OneLine, "seen back without the pulses of D1"), (Exchanged, "seen back EXCHANGED")):
        with probe_at_terminal(kind) as (port, _):
            assert words in card(CARD, "--transmit", port=port).output


def test_a_low_line_or_another_reader_is_not_emitted_over(monkeypatch: pytest.MonkeyPatch) -> None:
    with probe_at_terminal(lambda now: LogicBoard(now, levels=1)) as (port, board):
        result = card(CARD, "--transmit", port=port)
        assert (result.exit_code, board.plans) == (3, [])
        assert "D1 low: no pull-up" in result.output
        assert card(CARD, "--transmit", "--anyway", port=port).exit_code == 0
        assert len(board.plans) == 1

    def talk(board: LogicBoard) -> None:
        if not board.coming:
            board.pulse(board.now_ms() * 2500 + 50_000, 1)

    monkeypatch.setattr(simulate_card, "_LOOK_S", 30.0)
    with probe_at_terminal(each=talk) as (port, board):
        result = card(CARD, "--transmit", port=port)
        assert (result.exit_code, board.plans) == (3, [])
        assert "somebody else talks on these lines" in result.output


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ((CARD,), "add --transmit"),
        ((), "which card?"),
        ((CARD, "--number", "4095"), "which card?"),
        (("--number", "4095"), "--number needs its --format"),
        (("--site", "101", CARD), "--site goes with --number"),
        (("--format", "26-bit", "--site", "999", "--number", "4095"), "site codes 0 to 255"),
        (("--format", "26-bit", "--number", "4095"), "26-bit carries"),
        (("--format", "37-bit 35", "--site", "101", "--number", "4095"), "has no site code"),
        (("--format", "37-bit", "--number", "4095"), '"37-bit 16+19", "37-bit 35"'),
        (("--format", "nope", "--number", "4095"), "which one?"),
        (("101,4095",), "add its --format"),
        (("0CA1FFF",), "cannot be read as a card"),
        (("--format", "34-bit 32", CARD), "26 bits were given, and 34-bit 32 has 34"),
        ((CARD, "--width", "fast"), "is not a time"),
        ((CARD, "--width", "2us"), "pulses of 5 to 10000 us"),
        ((CARD, "--width", "50us", "--spacing", "52us"), "need a spacing of 55 us"),
    ],
)
def test_what_cannot_be_done_is_said_in_one_line_without_the_card(words: tuple[str, ...], told: str) -> None:
    result = card(*words)
    assert result.exit_code == 2
    assert told in result.stderr
    assert len(result.stderr.splitlines()) == 1
    assert not SECRET.search(result.stderr.replace("-bit 32", "").replace("'101'", ""))


def test_a_printed_number_and_a_pair_are_built() -> None:
    with probe_at_terminal() as (port, board):
        for value in ("101,4095", str(101 << 16 | 4095)):
            assert card(value, "--format", "26-bit", "--transmit", "--every", "10ms", port=port).exit_code == 0
    assert board.plans[0] == board.plans[1]
    assert "".join("1" if word & 3 == 2 else "0" for word in board.plans[0][::2]) == CARD


def test_help_says_what_it_does() -> None:
    assert "CAUTION" in run("simulate", "card", "--help").output
    assert "simulate card" in run("simulate", "--help").output
    assert "check" in run("probe", "--help").output
    assert run("probe", "check", "/dev/nothing").exit_code == 3


def test_ctrl_c_lets_the_lines_go_and_says_what_was_done(monkeypatch: pytest.MonkeyPatch) -> None:
    send = probe_emit.ProbeEmitter.send
    times = [0]

    def stopped(self: probe_emit.ProbeEmitter, bits: str, width_us: int, spacing_us: int) -> probe_emit.Emitted:
        times[0] += 1
        if times[0] == 3:
            raise KeyboardInterrupt
        return send(self, bits, width_us, spacing_us)

    monkeypatch.setattr(probe_emit.ProbeEmitter, "send", stopped)
    with probe_at_terminal() as (port, board):
        result = card(CARD, "--transmit", "--repeat", "9", "--every", "10ms", port=port)
    assert result.exit_code == 0, result.output
    assert "stopped: 2 frames emitted, the lines let go" in result.output
    assert (len(board.plans), board.stopped) == (2, 1)


def test_the_same_card_read_through_the_same_probe() -> None:
    shown: list[int] = []

    def show(board: LogicBoard) -> None:
        if not shown and board.now_ms() > 100:
            shown.append(1)
            for place, bit in enumerate(CARD):
                board.pulse(board.now_ms() * 2500 + 5000 + place * 2500, int(bit))

    with probe_at_terminal(each=show) as (port, _), open_card_source(f"probe:{port}") as source:
        reader = PulseReader()
        bursts: list[Burst] = []
        for _ in range(200):
            for item in source.read(0.1):
                assert isinstance(item, LineRecord)
                bursts += reader.feed(item)
            if bursts:
                break
    (burst,) = bursts
    assert burst.read is not None
    assert burst.read.bits.text == CARD
    assert burst.spacing_ns == 1_000_000
    assert {pulse.width_ns for pulse in burst.read.pulses or ()} == {50_000}
