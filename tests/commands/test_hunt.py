"""`benchtool hunt` with piped answers."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from benchtool.commands.main import main


@pytest.fixture(autouse=True)
def _own_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)


def run(*words: str, typed: str = "") -> Result:
    return CliRunner().invoke(main, ["hunt", *words], input=typed)


def test_a_silent_reader_is_found_and_a_page_written() -> None:
    result = run("sim:demo?fault=device-silent&at=4", "--page", "visit.md", typed="4\n\n1\n")
    assert result.exit_code == 0, result.output
    assert "escape" in result.output
    assert "device-silent at address 4" in result.output
    assert "WHOM TO CALL" in result.output
    page = Path("visit.md").read_text()
    assert "listened" in page
    assert "no light, no beep" in page


def test_left_and_resumed() -> None:
    result = run("sim:demo?fault=device-silent&at=4", typed="4\n?\n\nx\n.\n")
    assert result.exit_code == 0, result.output
    assert "is wanted" in result.output
    assert len(json.loads(Path("hunt.json").read_text())["answers"]) == 2
    again = run("--resume", "hunt.json", "--page", "p.html", typed="<\ns\n.\n")
    assert again.exit_code == 0, again.output
    assert "Taken back: listen" in again.output
    assert Path("p.html").read_text().startswith("<!doctype html>")


def test_no_answers_at_all_still_save_where_it_stands() -> None:
    result = run("sim:bench")
    assert result.exit_code == 0
    assert Path("hunt.json").exists()


def test_without_a_tap_the_first_question_is_how_the_reader_is_wired() -> None:
    result = run(typed="?\n2\n4.9\n.\n")
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


def test_a_tap_that_is_not_there_is_said_and_the_hunt_goes_on() -> None:
    result = run("sim:nosuch", typed="4\n\ns\n.\n")
    assert result.exit_code == 0, result.output
    assert "mend that" in result.output
