"""`benchtool hunt` with piped answers."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from benchtool.commands import hunt_keep, hunt_talk
from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.main import main
from benchtool.commands.site_ask import PlainAsker
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.decode import decode_as
from benchtool.frames.card.formats import FORMATS
from benchtool.simulate.card_address import simulated


@pytest.fixture(autouse=True)
def _own_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)


def run(*words: str, typed: str = "") -> Result:
    return CliRunner().invoke(main, ["hunt", *words], input=typed)


def test_a_silent_reader_is_found_and_a_page_written() -> None:
    result = run("sim:demo?fault=device-silent&at=4", "--page", "visit.md", typed="4\n\n1\n0.1\n")
    assert result.exit_code == 0, result.output
    assert "escape" in result.output
    assert "device-silent at address 4" in result.output
    assert "WHOM TO CALL" in result.output
    page = Path("visit.md").read_text()
    assert "listened" in page
    assert "no light, no beep" in page


def test_a_page_that_is_there_is_kept_unless_told_otherwise_and_a_hunt_goes_on_in_its_own_file() -> None:
    Path("visit.md").write_text("# Hunt for a dead reader\n\nof another visit")
    kept = run("sim:demo", "--page", "visit.md", typed=".\n")
    assert kept.exit_code == Exit.OUTPUT
    assert "--page visit.md is there already; add --overwrite" in kept.output
    assert "of another visit" in Path("visit.md").read_text()
    assert run("sim:demo", "--page", "visit.md", "--overwrite", "--save", "h.json", typed=".\n").exit_code == 0
    assert "unfinished" in Path("visit.md").read_text().lower()
    assert run("sim:demo", "--save", "h.json", typed=".\n").exit_code == Exit.OUTPUT
    assert run("--resume", "h.json", "--save", "h.json", typed=".\n").exit_code == 0


def test_a_break_that_silences_several_sends_nobody_to_each_of_them() -> None:
    result = run("sim:modbus?fault=conductor-open&at=17", typed="17\n\n3\n1.8\n0.522\n")
    assert "conductor-open on the segment" in result.output
    assert "hunt there as well" not in result.output


def test_each_answer_is_saved_at_once_so_that_a_closed_terminal_loses_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    kept: list[int] = []
    asks = PlainAsker.ask

    def ask(self: PlainAsker, prompt: str, choices: Sequence[str] = (), kept_: str = "") -> str:
        kept.append(len(json.loads(Path("h1.json").read_text())["answers"]) if Path("h1.json").exists() else 0)
        return asks(self, prompt, choices, kept_)

    monkeypatch.setattr(PlainAsker, "ask", ask)
    run("--lines", "bus", "--save", "h1.json", typed="4\n\n\n<\n")
    assert kept == [0, 1, 2, 3, 2]


def test_a_hunt_that_cannot_be_saved_goes_on_and_says_so_once(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(path: str, text: str) -> None:
        raise CommandError(f"{path}: no room", Exit.OUTPUT)

    monkeypatch.setattr(hunt_keep, "write_text", full)
    result = run("--lines", "bus", "--save", "h1.json", typed="4\n\n\n.\n")
    assert result.exit_code == Exit.OUTPUT
    assert result.output.count("Not saved") == 1
    assert "3. " in result.output


def test_the_last_answer_of_an_ended_hunt_can_be_taken_back_at_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    typed = "4\n\n1\n0.1\n"
    run("sim:demo?fault=device-silent&at=4", "--save", "piped.json", typed=f"{typed}<\n")
    answers = json.loads(Path("piped.json").read_text())["answers"]
    monkeypatch.setattr(hunt_talk, "at_terminal", lambda: True)
    result = run("--resume", "piped.json", typed="x\n<\n.\n")
    assert "the hunt is over; Enter or <" in result.output
    assert f"Taken back: {answers[-1][0]}" in result.output
    assert json.loads(Path("piped.json").read_text())["answers"] == answers[:-1]


def test_what_it_is_and_what_to_do_come_last_where_a_small_screen_shows_them() -> None:
    shown = run("sim:demo?fault=device-silent&at=4", typed="4\n\n1\n0.1\n").output
    assert shown.index("WHOM TO CALL") < shown.index("RESULT") < shown.index("\nDO\n")


def test_left_and_resumed() -> None:
    result = run("sim:demo?fault=device-silent&at=4", typed="4\n?\n\nx\n.\n")
    assert result.exit_code == 0, result.output
    assert "'x' is none of the answers: 1 dark, 2 mute, 3 beeps, 4 restarts" in " ".join(result.output.split())
    assert len(json.loads(Path("hunt.json").read_text())["answers"]) == 2
    again = run("--resume", "hunt.json", "--page", "p.html", typed="<\ns\n.\n")
    assert again.exit_code == 0, again.output
    assert "Taken back: listen" in again.output
    assert Path("p.html").read_text().startswith("<!doctype html>")


def test_no_answers_at_all_still_save_where_it_stands() -> None:
    result = run("sim:bench")
    assert result.exit_code == 0
    assert Path("hunt.json").exists()


def test_the_page_tells_in_words_what_was_done_and_that_a_hunt_was_left() -> None:
    run("sim:demo?fault=device-silent&at=4", "--page", "left.md", typed="4\n\n.\n")
    run("--lines", "bus", "--page", "some.html", typed="4\n.\n")
    run("sim:demo?fault=device-silent&at=4", "--page", "over.md", typed="4\n\n1\n0.1\n")
    left, over = (" ".join(Path(name).read_text().split()) for name in ("left.md", "over.md"))
    assert "Unfinished" in left
    assert "Unfinished" not in over
    assert "What does the reader at address 4 do when a card is held to it? no light, no beep" in over
    assert "(reader@4)" in over
    text = Path("some.html").read_text()
    assert "@page" in text
    assert "Unfinished" in text


def test_without_a_tap_the_first_question_is_how_the_reader_is_wired() -> None:
    result = run(typed="?\n2\n" + "\n" * 3 + "2\n4.9\n.\n")
    assert result.exit_code == 0, result.output
    assert "D0" in result.output
    assert "Learned" in result.output or "changes little" in result.output


def test_a_reader_with_data_lines_is_hunted_with_its_reads() -> None:
    result = run("sim:card?fault=d0-open", typed="\n")
    assert result.exit_code == 0, result.output
    assert "d0-open" in result.output.split("RESULT")[1]


def test_a_swap_can_be_judged_by_listening_again() -> None:
    # A bus that stays as it is cannot get better.
    typed = "5\n" + "\n" * 4
    result = run("sim:demo?fault=pair-reversed-at-device&at=5", typed=typed + "l\n" * 6)
    assert result.exit_code == 0, result.output


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("--resume", "nowhere.json"), 4),
        (("sim:bench", "--page", "x.pdf"), 2),
        (("sim:bench", "--save", "there.json"), 5),
    ],
)
def test_errors_are_one_line(words: tuple[str, ...], code: int) -> None:
    Path("there.json").write_text("mine")
    result = run(*words)
    assert result.exit_code == code
    assert result.output.count("\n") == 1
    assert Path("there.json").read_text() == "mine"


def test_a_tap_that_is_not_there_is_said_at_once_and_the_hunt_goes_on() -> None:
    result = run("visit.cap", typed="4\n\ns\n.\n")
    assert result.exit_code == 0, result.output
    assert "time to mend it" in result.output
    assert "mend that" in result.output


@pytest.mark.parametrize("tap", ["sim:nosuch", "sim:demo?fault=nosuch", "sim:card?fault=nosuch"])
def test_a_wrong_name_of_a_simulated_bus_is_said_before_any_question(tap: str) -> None:
    result = run(tap)
    assert result.exit_code in (2, 3)
    assert "nosuch" in result.output
    assert "pace" not in result.output
    assert "1." not in result.output
    assert not Path("hunt.json").exists()


@pytest.mark.parametrize(
    ("typed", "wired"),
    [("pair", "address"), ("A/B", "address"), ("+/-", "address"), ("D0/D1", "a card to"), ("two", "a card to")],
)
def test_how_a_reader_is_wired_is_taken_in_usual_words(typed: str, wired: str) -> None:
    result = run(typed=f"{typed}\n.\n")
    assert wired in result.output.split("1-2 >")[1]


def test_a_mistyped_wiring_gets_the_answers_told() -> None:
    result = run(typed="blue\n.\n")
    assert "'blue' is none of the answers: 1 pair, 2 data; . leaves." in result.output


def test_text_is_no_go_ahead_to_listen() -> None:
    result = run("sim:demo", typed="4\nno\n.\n")
    assert "'no': Enter alone listens now; s where it cannot be done" in result.output
    assert "Heard" not in result.output


def test_every_question_tells_how_to_skip_go_back_leave_and_get_help() -> None:
    result = run("sim:demo?fault=pair-reversed-at-device&at=5", typed="5\n\n\n\n\n\n\n\n.\n")
    asked = result.output.count(" > ")
    assert asked > 5
    for key in ("? how", "< back", ". leave", "Enter: "):
        assert result.output.count(key) == asked, key


@pytest.mark.parametrize("columns", [40, 60, 80, 120])
def test_a_hunt_is_as_wide_as_the_terminal_and_breaks_no_word(columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hunt_talk, "width", lambda: columns - 1)
    result = run("sim:demo?fault=device-silent&at=3", typed="3\n?\n\n?\n\n?\n-2.1\n")
    plain = result.output.splitlines()
    assert max(map(len, plain)) < columns
    if columns > 80:
        assert max(map(len, plain)) > 80
    monkeypatch.setattr(hunt_talk, "width", lambda: 10_000)
    Path("hunt.json").unlink()
    whole = run("sim:demo?fault=device-silent&at=3", typed="3\n?\n\n?\n\n?\n-2.1\n")
    assert result.output.split() == whole.output.split()


def test_leaving_before_the_first_question_saves_nothing() -> None:
    result = run(typed=".\n")
    assert result.exit_code == 0
    assert "nothing to save" in result.output
    assert not list(Path().iterdir())


def test_what_was_found_at_once_is_all_told_with_the_reading_it_rests_on() -> None:
    # 2.1 V of the wrong sign on an idle pair: swapped wires there, and no terminator to hold the bias down (sheet 1.4).
    result = run("sim:demo?fault=device-silent&at=3", "--page", "p.md", typed="3\n\n\n-2.1\n")
    told = " ".join(result.output.split("RESULT")[1].split())
    assert "pair-reversed-at-device at address 3" in told
    assert "At the same time terminator-missing-both" in told
    before = " ".join(result.output.split("RESULT")[0].split())
    assert "ab-idle@3: -2.1 V. Without it pair-reversed-at-device would be at" in before
    assert "Measure it once more before you act on it." in before
    page = " ".join(Path("p.md").read_text().split())
    assert told.split(" DO ")[0] in page
    assert "## WHAT COUNTED MOST - ab-idle@3: -2.1 V" in page


def test_a_reading_that_fits_nothing_is_questioned_at_once_and_at_the_end() -> None:
    result = run("--page", "p.md", typed="pair\n\n\n9.2\n.\n")
    shown = " ".join(result.output.split())
    assert "no cause in play gives such a reading" in shown
    assert "measure it again: < takes it back." in shown
    assert "## MEASURE AGAIN\n\n- ab-idle" in Path("p.md").read_text()


def test_a_recording_is_taken_in_without_clipping_anything_on() -> None:
    capture = Path(__file__).parent.parent.parent / "fixtures" / "capture" / "golden-big.pcapng"
    result = run(str(capture), typed="3\n\n.\n")
    assert "take in what was recorded" in result.output
    assert "Clip the adapter" not in result.output
    assert "Heard 11 octets" in result.output


def test_two_silent_devices_are_both_told_with_one_evidence() -> None:
    # The reader at 5 of this bus never answers; the fault silences 3 as well.
    result = run("sim:demo?fault=device-silent&at=3", typed="3\n\n1\n" + "\n" * 20)
    told = result.output.split("RESULT")[1]
    assert "device-silent at address 3" in told
    assert result.output.count("\nWHY") == 1


def test_a_card_number_typed_in_a_hunt_is_shown_and_saved_nowhere() -> None:
    tap = "sim:card?fault=bits-reversed&same=yes"
    _, cards, _ = simulated(tap)
    assert isinstance(cards[0], Bits)
    read = decode_as(FORMATS[0], cards[0])
    site, number = read.site_code, read.card_number
    typed = f"\n{site},{number}x\n{site},{number}\n"
    result = run(tap, "--page", "p.md", "--save", "h.json", typed=typed)
    assert result.exit_code == 0, result.output
    assert re.search(r"bits-reversed: (9\d|100)%", result.output), result.output
    assert "last bit first" in Path("p.md").read_text()
    kept = result.output + Path("p.md").read_text() + Path("h.json").read_text()
    assert str(number) not in kept
    assert result.output.count("***") == 2


@pytest.mark.parametrize("fault", ["pair-reversed-at-tap", "baud-wrong", "format-wrong"])
def test_a_hunt_goes_on_at_the_right_setting_to_the_dead_reader(fault: str) -> None:
    result = run(f"sim:demo?fault={fault},conductor-open&metres=100", typed="5\n\n\n.\n")
    assert result.exit_code == 0, result.output
    heard = [line for line in result.output.splitlines() if "Heard " in line]
    assert "0 answered" in heard[0]
    assert " 5 addresses" in heard[1]
    assert "device-silent" in result.output.split("Left.")[1]


@pytest.mark.skipif(os.name != "posix", reason="signals as on POSIX")
@pytest.mark.parametrize("kill", ["SIGKILL", "SIGTERM"])
def test_a_hunt_that_is_killed_goes_on_from_the_last_answer(kill: str) -> None:
    words = [sys.executable, "-m", "benchtool", "hunt", "--lines", "bus", "--save", "killed.json"]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as hunting:
        assert hunting.stdin is not None
        assert hunting.stdout is not None
        hunting.stdin.write("4\n1\n")
        hunting.stdin.flush()
        assert any(line.startswith("3. ") for line in hunting.stdout)
        hunting.send_signal(getattr(signal, kill))
    # A polite kill is answered with how to go on, and the exit code that shells give it (128 and the signal's number).
    assert hunting.returncode == (143 if kill == "SIGTERM" else -signal.SIGKILL)
    assert json.loads(Path("killed.json").read_text())["answers"] == [["address", "4"], ["who-is-dead", "one"]]
    result = run("--resume", "killed.json", typed=".\n")
    assert "Taken up again: 2 questions are done" in result.output
    assert "3. " in result.output


def test_the_line_that_takes_a_hunt_up_again_writes_its_page_again() -> None:
    left = run("sim:demo?fault=device-silent&at=4", "--page", "visit.md", typed="4\n\n.\n")
    assert "benchtool hunt --resume hunt.json --page visit.md --overwrite" in left.output
    assert "Unfinished" in Path("visit.md").read_text()
    words = left.output.splitlines()[-2].split()[2:] if "page:" in left.output.splitlines()[-1] else []
    ended = run(*words, typed="1\n0.1\n")
    assert ended.exit_code == 0, ended.output
    assert "Unfinished" not in Path("visit.md").read_text()


def test_a_hunt_at_data_lines_says_that_it_reads_anew() -> None:
    shown = run("sim:card?fault=reader-silent", typed="\n.\n").output
    assert "card data is not saved, so this reads anew" in shown
    assert "look again with" not in shown


def test_a_reading_that_goes_against_what_was_heard_is_questioned_at_once() -> None:
    shown = run("sim:demo?fault=healthy", typed="4\n\n\n-0.25\n.\n").output
    assert "the probes were swapped" in " ".join(shown.split())


@pytest.mark.parametrize("name", ["--page", "--save"])
def test_overwrite_replaces_neither_what_is_read_nor_what_is_no_hunt(name: str) -> None:
    ending = ".md" if name == "--page" else ".json"
    capture = Path("visit.txt")
    capture.write_text("0.000 53 05 08 00 04 60 7F\n")
    read = run("visit.txt", "--page", "visit.txt", "--overwrite", typed=".\n")
    assert read.exit_code == Exit.USAGE
    assert "is the file that is being read" in read.output
    other = Path(f"other{ending}")
    other.write_text('{"benchtool-diagnosis": 1}')
    part = Path(f"{other}.part")
    part.write_text("somebody's")
    kept = run("sim:demo", name, str(other), "--overwrite", typed=".\n")
    assert kept.exit_code == Exit.OUTPUT
    assert "there is another file of that name" in kept.output
    assert other.read_text() == '{"benchtool-diagnosis": 1}'
    assert run("sim:demo", name, f"mine{ending}", typed=".\n").exit_code == 0
    assert run("sim:demo", name, f"mine{ending}", "--overwrite", typed=".\n").exit_code == 0
    assert part.read_text() == "somebody's"
    assert not list(Path().glob(".mine*")), "nothing is left beside it"
