"""`benchtool practice` with piped commands; its meter and scope against the line model."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from pathlib import Path

import pytest

from benchtool.commands.practice_run import Practice
from benchtool.commands.practice_talk import Talk
from benchtool.simulate.faults import FAULTS
from benchtool.simulate.practice import LEVELS, hide
from tests.commands.practising import at_home
from tests.commands.practising import practise as run


@pytest.fixture(autouse=True)
def _own_home(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    at_home(monkeypatch, tmp_path)


def test_named_rightly_scored_explained_and_replayed() -> None:
    truth = hide(1, 3).fault
    typed = f"help\nlisten\nmeasure ab-ohms\nlook controllers\nname {truth}\nreplay\nquit\n"
    result = run("--seed", "3", typed=typed)
    assert result.exit_code == 0, result.output
    assert f"Right: {truth}." in result.output
    # 1 + 8 + 5 minutes: 4 beyond ten, half a point each.
    words = " ".join(result.output.split())
    assert (
        "-2 the work: 14 min, 10 of them free (benchtool's own hunt took 1); half a point for each of the other 4"
        in words
    )
    assert "Score 98 of 100." in result.output
    assert f"It was {truth}" in result.output
    assert "benchtool's own hunt" in result.output
    assert "bus        1       1      1          98" in run("--scores").output


def test_a_guess_earns_little_and_proof_earns_most() -> None:
    truth = hide(1, 3).fault
    assert "Score 30 of 100" in run("--seed", "3", typed=f"name {truth}\n").output
    assert "Score 100 of 100" in run("--seed", "3", typed=f"listen\nname {truth}\n").output


def test_a_name_without_its_device_is_asked_for_it_once_and_then_taken() -> None:
    game = Practice(hide(1, next(seed for seed in range(50) if hide(1, seed).fault == "device-silent")))
    assert "At which device? name device-silent@" in game.name("device-silent")[0]
    assert not game.over
    assert not game.named
    assert game.standing == (0, 0, 0)
    # A wrong one is asked in the same words, so that the question gives nothing away.
    assert "At which device? name pair-reversed-at-device@" in game.name("pair-reversed-at-device")[0]
    game.name("device-silent")
    game.name("device-silent")
    assert game.right


def test_the_same_wrong_name_is_counted_once() -> None:
    game = Practice(hide(1, 3))
    assert "-15 points. 2 more tries." in game.name("pair-shorted")[0]
    assert "said pair-shorted before" in game.name("pair-shorted")[0]
    assert "-15 points. 1 more try." in game.name("healthy")[0]
    game.name(game.truth)
    assert game.points is not None
    assert game.points.wrong == 30


def test_the_score_is_told_last() -> None:
    for typed in (f"listen\nname {hide(1, 3).fault}\nquit\n", "explain\nquit\n"):
        lines = [line for line in run("--seed", "3", typed=typed).output.splitlines() if "practice>" not in line]
        assert re.fullmatch(r"Score \d+ of 100\.", lines[-1])


def test_what_is_tried_tells_what_was_heard_and_is_weighed_with_it() -> None:
    game = Practice(hide(1, 2))
    assert game.truth == "pair-reversed-at-tap"
    *_, before, told = game.attempt("swap-clip")
    assert before == "Listened before, to compare (1 min; listen shows it)."
    assert re.search(r"before, 332 of 332 .* damaged, no request is heard; with it, all 658 frames are sound", told)
    assert game.minutes == game.cost("listen") + game.cost("swap-clip")
    assert game.probability() > 0.95


def test_level_four_hides_nothing_that_is_loud() -> None:
    for fault in LEVELS[4]:
        game = Practice(hide(4, next(seed for seed in range(1, 99) if hide(4, seed).fault == fault)))
        assert all(10 * one.answered >= 9 * one.requests for one in game.heard.addresses), fault


def test_the_first_installation_is_not_the_one_of_the_demo() -> None:
    assert hide(1, 1).fault != "device-silent"


def test_help_tells_the_words_of_the_scope() -> None:
    words = " ".join(Practice(hide(1, 3)).helped("scope"))
    for word in ("talker", "second step within an edge", "common mode", "rate, in bit/s"):
        assert f"- {word}" in words
    lines, _ = Practice(hide(1, 3)).scope("17")
    assert any(re.match(r"- rate \d+ bit/s", line) for line in lines)


def test_a_device_is_named_with_its_address() -> None:
    seed = next(seed for seed in range(50) if hide(1, seed).fault == "device-silent")
    place = hide(1, seed).options["at"]
    other = next(str(one.address) for one in hide(1, seed).line.devices if str(one.address) != place)
    assert " 10 of 10  the place" in run("--seed", str(seed), typed=f"name device-silent@{place}\n").output
    missed = run("--seed", str(seed), typed=f"name device-silent@{other}\n").output
    assert "  0 of 10  the place" in missed
    assert f"It is at address {place}, which you did not find" in missed


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("measure", "measure what? a-idle 1 min volts from the wire on our + lead"),
        ("look", "look what? who-is-dead 0.5 min Who does not work?"),
        ("try", "try what? swap-clip 1 min the two leads of our own clip swapped"),
        ("name", "name what? healthy Nothing wrong was found"),
        ("name", "An @ wants the device behind it, where you know it: name device-silent@17"),
        ("measure ab-omhs", "did you mean ab-ohms?"),
        ("measure a", "no such reading"),
        ("look changed", "Nobody here can tell."),
        ("measure supply", "measure supply@17"),
        ("measure supply@250", "there is no device 250 here (devices 17, 18, 19)"),
        ("measure supply@", "an address is wanted, such as supply@17"),
        ("measure ab-ohms@17", "ab-ohms is of no one device"),
        ("scope 9", "there is no device 9 here"),
        ("name bias-mising", "did you mean bias-missing?"),
        ("name terminator", "did you mean terminator-missing-one or terminator-missing-both or terminator-excess or"),
        ("name silent", "did you mean device-silent? causes lists them, and nothing was counted"),
        ("name device silent@4", "there is no device 4 here"),
        ("name bias-missing@19", "bias-missing is of no one device"),
        ("name device-silent@4", "there is no device 4 here"),
        ("mesure ab-ohms", "did you mean measure?"),
        ("listen 4", "listen takes nothing behind it"),
    ],
)
def test_what_makes_no_sense_is_told_and_not_counted(typed: str, told: str) -> None:
    result = run("--seed", "3", "--json", typed=f"{typed}\n")
    assert told in " ".join(result.stderr.split())
    held = json.loads(result.stdout)
    assert held["minutes"] == 0
    assert held["named"] is None


def test_three_wrong_names_end_it() -> None:
    truth = hide(1, 3).fault
    wrong = [one for one in LEVELS[1] if one != truth and one not in Practice.placed]
    wrong = [*wrong, "healthy", "bias-weak"][:3]
    result = run("--seed", "3", typed="".join(f"fly\nname nonsense\nname {one}\n" for one in wrong))
    assert "That was the last try" in result.output
    assert "nothing to do here" in result.output


class Typing:
    """Somebody who types these lines."""

    def __init__(self, *lines: str) -> None:
        self._lines = iter(lines)

    def ask(self, prompt: str, choices: Sequence[str] = (), kept: str = "") -> str:
        try:
            return next(self._lines)
        except StopIteration:
            raise EOFError from None


class Breaking:
    """Somebody who presses Ctrl-C at some questions: None."""

    def __init__(self, *lines: str | None) -> None:
        self._lines = iter(lines)

    def ask(self, prompt: str, choices: Sequence[str] = (), kept: str = "") -> str:
        line = next(self._lines)
        if line is None:
            raise KeyboardInterrupt
        return line


def test_ctrl_c_empties_the_line_and_the_second_leaves_it_open() -> None:
    game, told = Practice(hide(1, 3)), list[str]()
    Talk(game, "", None, told.extend).play(Breaking(None, "listen", None, None, "name healthy"))
    assert told[0] == told[-1] == "Ctrl-C again, or quit, leaves."
    assert game.minutes == 1
    assert not game.named


def test_several_pasted_lines_are_several_commands() -> None:
    game, told = Practice(hide(1, 3)), list[str]()
    Talk(game, "", None, told.extend).play(Breaking("listen\nmeasure ab-ohms", "quit", "quit"))
    assert game.minutes == 9
    assert "(8 min, 9 so far)" in told
    assert told[-1].startswith("You have not named it.")


def test_every_name_the_program_uses_can_be_measured_and_asked_about() -> None:
    game = Practice(hide(1, 101))
    assert game.measure("ab-idle")[-1].startswith("ab-idle ")
    assert game.measure("ab-id")[-1].startswith("ab-idle ")
    assert game.measure("ab-idle@1")[-1].startswith("ab-idle@1 ")
    for name in (*game.measurable, *game.visible, *game.tryable):
        assert game.cost(name) > 0
        assert game.helped(name.removesuffix("@"))[0].split()[1].startswith(name.removesuffix("@"))
    kinds = "\n".join(game.kinds_lines())
    assert re.search("\nab-idle +2 min +volts between the data wires while nobody talks", kinds)
    assert [line.split()[0].removesuffix("@") for line in game.causes_lines()] == list(game.causes)
    assert game.helped("quit")[0].startswith("quit")
    assert game.helped("device-silent")[0].startswith("device-silent@ ")
    assert "switch" in game.helped("quiet")[0]
    assert "did you mean ab-idle?" in game.helped("ab-idel")[0]


def test_a_caution_is_in_full_once_and_the_same_hint_is_free_again() -> None:
    game = Practice(hide(1, 3))
    assert game.measure("ab-ohms")[0].endswith("leave mains work to licensed people.")
    assert game.measure("ab-ohms-far")[0] == "! Caution, as before: take power off the whole bus first"
    assert game.hint()[0].startswith("Next worth its time")
    assert "Free this time" in game.hint()[0]
    game.listen()
    game.name(game.truth)
    assert game.points is not None
    assert game.points.hints == 10


def test_what_cannot_get_better_is_evidence_of_nothing() -> None:
    # Nothing is damaged there, so that a lower rate can improve nothing.
    game = Practice(hide(4, 104))
    game.listen()
    before = game.probability()
    assert "nothing to improve" in game.attempt("lower-baud")[-1]
    assert game.probability() == before


def test_a_hint_is_the_line_to_type_and_tells_its_cost() -> None:
    game = Practice(hide(4, 1))
    game.listen()
    told = game.hint()[0]
    assert told.endswith("(-10 points)")
    line = told.removeprefix("Next worth its time: ").partition(". ")[0]
    word, _, name = line.partition(" ")
    done = {"measure": game.measure, "look": game.look, "try": game.attempt}[word](name)
    assert done[-1].startswith(name)
    opening = " ".join(run("--seed", "1", typed="").output.split())
    assert "A hint costs 10 points, a wrong name 15." in opening


def test_ctrl_c_stops_what_is_worked_out_and_not_the_practice(monkeypatch: pytest.MonkeyPatch) -> None:
    game, told = Practice(hide(1, 3)), list[str]()

    def interrupted() -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(game, "hunt", interrupted)
    with pytest.raises(EOFError):
        Talk(game, "", None, told.extend).play(Typing("listen", f"name {game.truth}"))
    assert told[-1] == "Stopped."
    assert not game.over
    monkeypatch.undo()
    game.name(game.truth)
    assert game.score == 100


def test_the_same_level_and_seed_are_the_same_installation(monkeypatch: pytest.MonkeyPatch) -> None:
    typed = "listen\nmeasure ab-idle\nscope\nquit\n"
    here = run("--seed", "5", typed=typed).output
    monkeypatch.setenv("BENCHTOOL_HOME", "another")
    assert here == run("--seed", "5", typed=typed).output


def test_every_level_has_its_faults_and_all_faults_have_a_level() -> None:
    assert set(FAULTS) == {fault for level in LEVELS.values() for fault in level}
    assert {hide(level, seed).level for level in LEVELS for seed in range(3)} == set(LEVELS)


def test_a_hint_costs_ten_points_and_none_where_nothing_is_left_to_ask() -> None:
    game = Practice(hide(1, 3))
    assert game.hint()[0].startswith("Next worth its time: listen. ")
    assert game.hint()[0].endswith("(Free this time.)")
    game.listen()
    assert "enough" in game.hint()[0]
    game.name(game.truth)
    assert game.score == 90


def test_a_hint_asks_for_nothing_that_nobody_here_can_tell() -> None:
    game = Practice(hide(4, 9))
    game.listen()
    game.attempt("lower-baud")
    assert "changed" not in game.hint()[0]


def test_beginnings_of_names_are_enough_where_they_mean_one() -> None:
    game = Practice(hide(1, 3))
    assert game.measure("supp@17")[-1] == game.measure("supply@17")[-1]
    assert game.look("termin")[-1].endswith(game.look("terminators")[-1].partition(": ")[2])


def test_lines_keep_whole_words_in_a_narrow_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    lines = run("--seed", "3", typed="help\nlisten\nkinds\nname\nscope\nquit\n").output.splitlines()
    assert max(len(line) for line in lines if "sim:" not in line) <= 60
    assert "terminator-missing-one" in " ".join(lines)
