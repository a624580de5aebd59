"""What is kept of practice: at once, privately, one bad line spoiling no other."""

from __future__ import annotations

import json
import re
import stat
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from benchtool.commands import practice_progress
from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.practice_run import Practice
from benchtool.commands.practice_talk import Talk
from benchtool.simulate.practice import hide
from tests.commands.practising import at_home
from tests.commands.practising import practise as run


@pytest.fixture(autouse=True)
def _own_home(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    at_home(monkeypatch, tmp_path)


def test_input_that_ends_leaves_it_open_and_given_up_the_next_is_another() -> None:
    first, second = run(typed="listen\n"), run(typed="")
    assert first.exit_code == second.exit_code == 0
    assert "Left open, not counted" in first.output
    assert "benchtool practice --level 1 --seed 1" in " ".join(first.output.split())
    assert "installation 1" in first.output
    assert "installation 1" in second.output  # left open, so it is there still
    assert "Given up." in run(typed="explain\nquit\n").output
    assert "installation 2" in run(typed="").output


def test_progress_is_private_and_can_be_deleted(tmp_path: Path) -> None:
    run(typed="quit\nquit\n")
    file = tmp_path / "home" / "practice.json"
    assert run("--scores").output.endswith("left open: bus, level 1, installation 1\n")  # left, not given up
    run(typed="explain\n")
    if sys.platform != "win32":
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
    [row] = json.loads(run("--scores", "--json").output)
    assert (row["level"], row["seed"], row["score"], row["right"]) == (1, 1, 0, False)
    assert "deleted" in run("--forget").output
    assert not file.exists()
    assert "no progress" in run("--forget").output


def test_two_practices_at_once_lose_nothing(tmp_path: Path) -> None:
    file = tmp_path / "mine.json"
    rows = [practice_progress.Played("data", 2, seed, "noise", "noise", 90, 4) for seed in (1, 2)]
    assert practice_progress.load(file).rows == []  # both have looked before either has written
    for row in rows:
        practice_progress.keep(file, row)
    assert practice_progress.load(file) == (rows, 0, {})


def test_progress_that_cannot_be_kept_is_told_first_and_spoils_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(path: Path) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(practice_progress, "_opened", refused)
    result = run("--progress", "mine.json", "--seed", "3", typed="listen\nexplain\n")
    assert result.exit_code == 0
    assert "progress will not be kept: mine.json: Permission denied" in result.stderr
    assert "It was" in result.stdout
    assert not Path("mine.json").exists()


def test_a_score_that_cannot_be_written_spoils_no_explanation(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(path: Path, played: practice_progress.Played) -> None:
        raise CommandError(f"{path}: cannot be written (No space left on device)", Exit.OUTPUT)

    monkeypatch.setattr(practice_progress, "keep", full)
    result = run("--progress", "mine.json", "--seed", "3", typed=f"listen\nname {hide(1, 3).fault}\nreplay\nquit\n")
    assert result.exit_code == 5
    assert "Score 100 of 100" in result.stdout
    assert "benchtool's own hunt:" in result.stdout
    assert result.stderr.endswith("mine.json: cannot be written (No space left on device)\n")


def test_a_folder_that_is_a_file_is_told(tmp_path: Path) -> None:
    (tmp_path / "plain").write_text("")
    result = run("--progress", "plain/mine.json", "--seed", "3", typed="listen\nquit\n")
    assert result.exit_code == 4
    assert "plain/mine.json" in result.output


def test_a_home_that_is_out_of_reach_does_not_keep_from_practising(monkeypatch: pytest.MonkeyPatch) -> None:
    Path("plain").write_text("")
    monkeypatch.setenv("BENCHTOOL_HOME", "plain/home")
    result = run("--seed", "3", typed="listen\nexplain\n")
    assert result.exit_code == 0
    assert "--progress FILE keeps it elsewhere" in result.stderr
    assert "It was" in result.stdout


@pytest.mark.parametrize("text", ["{}", "[1]\n", "soup", '{"benchtool-practice": 1}\n', '{"benchtool-practice": 9}\n'])
def test_a_file_that_is_no_progress_is_left_alone(tmp_path: Path, text: str) -> None:
    other = tmp_path / "other.json"
    other.write_text(text)
    for words in (("--forget",), ("--scores",), ("--seed", "3")):
        assert run("--progress", str(other), *words).exit_code == 4
    assert other.read_text() == text


def test_the_score_is_kept_as_soon_as_the_answer_stands() -> None:
    game, kept = Practice(hide(1, 3)), list[int]()

    class KilledError(Exception):
        pass

    class Asker:
        def __init__(self) -> None:
            self._lines = iter(("listen", f"name {game.truth}"))

        def ask(self, prompt: str, choices: Sequence[str] = (), kept: str = "") -> str:
            line = next(self._lines, None)
            if line is None:
                raise KilledError  # the terminal is closed while the explanation is read
            return line

    with pytest.raises(KilledError):
        Talk(game, "", None, lambda lines: None, lambda: kept.append(game.score)).play(Asker())
    assert kept == [100]


def test_a_spoilt_line_spoils_no_other(tmp_path: Path) -> None:
    file = tmp_path / "mine.json"
    good = practice_progress.Played("bus", 1, 5, "noise-mains", "noise-mains", 70, 9)
    practice_progress.keep(file, good)
    with file.open("ab") as end:
        end.write(b"\x00\x00\n" + b'{"benchtool-practice": 1, "li')  # the power went in the middle
    practice_progress.keep(file, good._replace(seed=6))
    assert practice_progress.load(file) == ([good, good._replace(seed=6)], 2, {})
    result = run("--progress", "mine.json", "--scores")
    assert result.exit_code == 0
    assert "mine.json: lines that cannot be read, and are left out: 2" in result.stderr
    assert "bus        1       2      2          70" in result.stdout
    assert run("--progress", "mine.json", typed="explain\n").exit_code == 0
    assert b"\x00\x00" in file.read_bytes()
    assert "deleted" in run("--progress", "mine.json", "--forget").output


@pytest.mark.parametrize("foreign", [b"diary: 2 May\n", b"\xff\x00\n", b'{"other": 1}\n', b"[]\n", b"x" * 300 + b"\n"])
@pytest.mark.parametrize("first", [True, False])
def test_a_file_with_lines_of_another_is_not_deleted(tmp_path: Path, foreign: bytes, first: bool) -> None:
    file = tmp_path / "mixed.json"
    file.write_bytes(foreign if first else b"")
    practice_progress.keep(file, practice_progress.Played("bus", 1, 5, "noise-mains", "noise-mains", 70, 9))
    if not first:
        file.write_bytes(file.read_bytes() + foreign)
    before = file.read_bytes()
    result = run("--progress", "mixed.json", "--forget")
    assert result.exit_code == 4
    assert "mixed.json: 1 of its lines are no record of practice; it is kept" in result.stderr
    assert file.read_bytes() == before


def test_a_foreign_line_beyond_what_is_read_is_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "mixed.json"
    file.write_bytes(b"diary\n")
    for seed in range(20):
        practice_progress.keep(file, practice_progress.Played("bus", 1, seed, "noise", "noise", 70, 9))
    monkeypatch.setattr(practice_progress, "_MOST_OCTETS", 1000)
    assert practice_progress.load(file).spoilt == 0
    assert run("--progress", "mixed.json", "--forget").exit_code == 4
    assert file.exists()


def test_of_a_long_file_the_last_lines_are_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "long.json"
    for seed in range(100, 120):
        practice_progress.keep(file, practice_progress.Played("bus", 1, seed, "noise", "noise", 70, 9))
    length = len(file.read_bytes().splitlines(keepends=True)[0])
    for octets, read in ((3 * length, 3), (3 * length + 1, 3), (4 * length - 1, 3), (20 * length, 20), (10**6, 20)):
        monkeypatch.setattr(practice_progress, "_MOST_OCTETS", octets)
        kept = practice_progress.load(file)
        assert [row.seed for row in kept.rows] == list(range(120 - read, 120))
        assert kept.spoilt == 0


def test_an_installation_played_again_is_not_counted_again() -> None:
    truth = hide(1, 3).fault
    run("--seed", "3", typed="explain\n")
    result = run("--seed", "3", typed=f"listen\nname {truth}\n")
    assert "You have played this one before" in result.output
    scores = run("--scores").output
    assert "bus        1       1      0           0" in scores
    assert "played again, not counted: 1" in scores


def test_what_is_left_open_stays_hidden_in_json() -> None:
    held = json.loads(run("--seed", "3", "--json", typed="listen\n").stdout)
    assert [held[key] for key in ("fault", "tap", "place", "probability", "counted")] == [None] * 4 + [False]
    held = json.loads(run("--seed", "3", "--json", typed="listen\nexplain\n").stdout)
    assert held["fault"] == hide(1, 3).fault


def test_two_practices_killed_after_their_answers_keep_both_scores(tmp_path: Path) -> None:
    file = tmp_path / "mine.json"
    words = [sys.executable, "-m", "benchtool", "practice", "--progress", str(file), "--seed"]
    seeds = ("1", "3")
    running = [
        subprocess.Popen([*words, seed], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
        for seed in seeds
    ]
    try:
        for process, seed in zip(running, seeds, strict=True):
            assert process.stdin is not None
            assert process.stdout is not None
            process.stdin.write(f"listen\nname {hide(1, int(seed)).fault}\n".encode())
            process.stdin.flush()
            assert any(b"Score" in line for line in process.stdout)
    finally:
        for process in running:
            process.kill()
            process.communicate()
    kept = practice_progress.load(file)
    assert sorted((row.seed, row.right) for row in kept.rows) == [(1, True), (3, True)]
    assert kept.spoilt == 0


def test_what_is_left_open_goes_on_where_it_was_left() -> None:
    typed = "listen\nmeasure ab-idle\nname pair-shorted\nhint\nmeasure\nlook reader\n"
    left = run("--level", "4", "--seed", "5", typed=typed)
    reading = re.search(r"^ab-idle .* V$", left.output, re.MULTILINE)
    assert reading is not None
    assert "It goes on where you left it: benchtool practice --level 4 --seed 5" in " ".join(left.output.split())
    for words in ((), ("--level", "4"), ("--lines", "bus"), ("--level", "4", "--seed", "5")):
        again = run(*words, typed="")
        assert "installation 5" in again.output, words
        assert ("It is the one you left open: --seed N" in again.output) == ("--seed" not in words)
        lines = again.output.splitlines()
        first = lines.index("Going on where you left it, 3 min of work so far:")
        assert lines[first + 1 : first + 4] == ["- listen", f"- measure {reading[0]}", "- name pair-shorted: wrong"]
        assert lines[first + 4].startswith("- hint: ")
    held = json.loads(run("--json", typed="name bus-overloaded\n").stdout)
    assert (held["seed"], held["points"]["wrong"], held["points"]["hints"], held["minutes"]) == (5, -15, -10, 3)
    assert "installation 6" in run("--level", "4", typed="").output  # the next, as 5 is played


def test_ctrl_c_twice_wipes_no_wrong_name(monkeypatch: pytest.MonkeyPatch) -> None:
    game, steps = Practice(hide(1, 3)), list[str]()

    class Leaving:
        def __init__(self) -> None:
            self._lines = iter(("name device-silent", "name device-silent", None, None))

        def ask(self, prompt: str, choices: Sequence[str] = (), kept: str = "") -> str:
            line = next(self._lines)
            if line is None:
                raise KeyboardInterrupt
            return line

    Talk(game, "", None, lambda lines: None, did=steps.append).play(Leaving())
    assert steps == ["name device-silent"]
    again = Practice(hide(1, 3))
    Talk(again, "", None, lambda lines: None).resume(steps)
    assert again.standing == (0, 0, 1)


def test_an_installation_of_another_kind_is_asked_for_by_its_options() -> None:
    run("--lines", "data", "--level", "2", typed="listen\n")
    assert "Going on" not in run("--level", "1", typed="").output
    assert "Going on" in run("--lines", "data", typed="").output
    assert "Level 2" in run("--level", "2", typed="").output
    assert "left open: data, level 2, installation 1" in run("--scores").output
