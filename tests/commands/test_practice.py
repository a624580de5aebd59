"""`benchtool practice` with piped commands; its meter and scope against the line model."""

from __future__ import annotations

import stat
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from benchtool.commands.main import main
from benchtool.commands.practice_run import Practice
from benchtool.diagnose.readings import METER
from benchtool.diagnose.sights_known import SIGHTS
from benchtool.simulate import faults, scenario
from benchtool.simulate.faults import FAULTS
from benchtool.simulate.practice import LEVELS, hide
from benchtool.simulate.practice_meter import KINDS, look, meter
from benchtool.simulate.practice_scope import shot


@pytest.fixture(autouse=True)
def _own_home(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("BENCHTOOL_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)


def run(*words: str, typed: str = "") -> Result:
    return CliRunner().invoke(main, ["practice", *words], input=typed)


def test_named_rightly_scored_explained_and_replayed() -> None:
    truth = hide(1, 3).fault
    typed = f"help\nlisten\nmeasure ab-ohms\nlook controllers\nname {truth}\nreplay\nquit\n"
    result = run("--seed", "3", typed=typed)
    assert result.exit_code == 0, result.output
    assert f"Right: {truth}. Score 98 of 100" in result.output  # 1 + 8 + 5 minutes: 4 beyond ten, half a point each
    assert f"It was {truth}" in result.output
    assert "benchtool's own hunt" in result.output
    assert "   1       1      1          98" in " " + run("--scores").output


def test_three_wrong_names_end_it_and_a_wrong_word_does_not() -> None:
    truth = hide(1, 3).fault
    wrong = next(one for one in LEVELS[1] if one != truth)
    result = run("--seed", "3", typed=f"fly\nmeasure soup\nmeasure supply@250\nname nonsense\nname {wrong}\n" * 3)
    assert "That was the last try" in result.output
    assert "no such thing to do" in result.output
    assert "no device at address 250" in result.output


def test_input_that_ends_leaves_the_score_and_the_next_one_is_another() -> None:
    first, second = run(typed="listen\n"), run(typed="")
    assert first.exit_code == second.exit_code == 0
    assert "Left. Score 0" in first.output
    assert "installation 1" in first.output
    assert "installation 2" in second.output


def test_progress_is_private_and_can_be_deleted(tmp_path: Path) -> None:
    run(typed="quit\n")
    file = tmp_path / "home" / "practice.json"
    if sys.platform != "win32":
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert "deleted" in run("--forget").output
    assert not file.exists()
    assert "no progress" in run("--forget").output


def test_a_file_that_is_no_progress_is_left_alone(tmp_path: Path) -> None:
    other = tmp_path / "other.json"
    other.write_text("{}")
    result = run("--progress", str(other), "--forget")
    assert result.exit_code == 4
    assert other.read_text() == "{}"


def test_the_same_level_and_seed_are_the_same_installation() -> None:
    typed = "listen\nmeasure ab-idle\nscope\nquit\n"
    assert run("--seed", "5", typed=typed).output == run("--seed", "5", typed=typed).output


def test_scope_writes_a_record_that_diagnose_reads(tmp_path: Path) -> None:
    run("--seed", "5", "--scope-file", "shot.csv", typed="scope\nquit\n")
    result = CliRunner().invoke(main, ["diagnose", "--waveform", "shot.csv", "--baud", "9600"])
    assert result.exit_code == 0, result.output
    again = run("--seed", "5", "--scope-file", "shot.csv", typed="scope\nquit\n")
    assert again.exit_code == 5
    assert "choose another" in again.output


def test_every_level_has_its_faults_and_all_faults_have_a_level() -> None:
    assert set(FAULTS) == {fault for level in LEVELS.values() for fault in level}
    assert {hide(level, seed).level for level in LEVELS for seed in range(3)} == set(LEVELS)


def test_a_hint_costs_ten_points() -> None:
    game = Practice(hide(1, 3))
    game.hint()
    game.name(game.truth.value)
    assert game.score == 90


def test_the_meter_knows_all_kinds_and_reads_what_circuits_give() -> None:
    assert set(KINDS) == {kind.name for kind in METER}
    sound = faults.apply(scenario.load("demo"), "healthy", {})
    # Sheet 1.4: two 120 ohm terminators in parallel read 60, and a little copper.
    assert 55 < meter(sound, "ab-ohms", None, 1) < 70
    one = faults.apply(scenario.load("demo"), "terminator-missing-one", {})
    assert 110 < meter(one, "ab-ohms", None, 1) < 125
    turned = faults.apply(scenario.load("demo"), "pair-reversed-at-tap", {})
    assert meter(turned, "ab-idle", None, 1) < -0.2 < 0.2 < meter(sound, "ab-idle", None, 1)


def test_eyes_answer_in_the_words_of_the_questions() -> None:
    for fault in FAULTS:
        line = faults.apply(scenario.load("demo"), fault, {})
        for sight in SIGHTS:
            word = look(line, sight.name, 4 if sight.at_device else None, 1, lambda: frozenset({1, 2, 3, 4, 5}))
            assert word == "" or word in sight.words(), (fault, sight.name, word)


def test_a_scope_shows_the_driver_and_its_idle_level() -> None:
    sound = faults.apply(scenario.load("demo"), "healthy", {})
    taken = shot(sound, 4, 1)
    difference = taken.a_v - taken.b_v
    # 1.5 V across 54 ohm is what a driver must give (TIA-485-A); idle above 200 mV (sheet 1.7).
    assert difference.max() > 1.5
    assert difference.min() < -1.5
    assert 0.15 < difference[:50].mean() < 0.4
