"""`benchtool practice` with piped commands; its meter and scope against the line model."""

from __future__ import annotations

import json
import re
import stat
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from benchtool.commands import practice_progress
from benchtool.commands.main import main
from benchtool.commands.practice_run import Practice
from benchtool.commands.practice_talk import Talk
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.readings import METER
from benchtool.diagnose.sights_known import SIGHTS
from benchtool.reports.practice_tells import SIGNS, TELLS
from benchtool.reports.practice_text import _IN_TABLE, _WORTH, UNTOLD
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
    assert "bus        1       1      1          98" in run("--scores").output


def test_a_guess_earns_little_and_proof_earns_most() -> None:
    truth = hide(1, 3).fault
    assert "Score 30 of 100" in run("--seed", "3", typed=f"name {truth}\n").output
    assert "Score 100 of 100" in run("--seed", "3", typed=f"listen\nname {truth}\n").output


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
    wrong = next(one for one in LEVELS[1] if one != truth)
    result = run("--seed", "3", typed=f"fly\nname nonsense\nname {wrong}\n" * 3)
    assert "That was the last try" in result.output
    assert "nothing to do here" in result.output


def test_input_that_ends_leaves_it_open_and_given_up_the_next_is_another() -> None:
    first, second = run(typed="listen\n"), run(typed="")
    assert first.exit_code == second.exit_code == 0
    assert "Left open, not counted" in first.output
    assert "benchtool practice --level 1 --seed 1" in " ".join(first.output.split())
    assert "installation 1" in first.output
    assert "installation 1" in second.output  # left open, so it is there still
    assert "Given up: score 0." in run(typed="explain\nquit\n").output
    assert "installation 2" in run(typed="").output


def test_progress_is_private_and_can_be_deleted(tmp_path: Path) -> None:
    run(typed="quit\nquit\n")
    file = tmp_path / "home" / "practice.json"
    assert file.read_text() == ""  # left, not given up
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
    assert practice_progress.load(file) == (rows, 0)


def test_progress_that_cannot_be_kept_is_told_first_and_spoils_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(path: Path) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(practice_progress, "_opened", refused)
    result = run("--progress", "mine.json", "--seed", "3", typed="listen\nexplain\n")
    assert result.exit_code == 0
    assert "progress will not be kept: mine.json: Permission denied" in result.stderr
    assert "It was" in result.stdout
    assert not Path("mine.json").exists()


def test_a_folder_that_is_a_file_is_told(tmp_path: Path) -> None:
    (tmp_path / "plain").write_text("")
    result = run("--progress", "plain/mine.json", "--seed", "3", typed="listen\nquit\n")
    assert result.exit_code == 4
    assert "plain/mine.json" in result.output


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
    assert re.search("  ab-idle +2 min +volts between the data wires while nobody talks", kinds)
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


def test_eyes_agree_with_the_bus_and_tell_where_the_long_branch_is() -> None:
    noisy = Practice(hide(3, 503))
    assert all(0 < one.answered < one.requests for one in noisy.heard.addresses)
    assert "comes and goes" in noisy.look("who-is-dead")[-1]
    stub = Practice(hide(4, 104))
    assert stub.truth == "stub-too-long"
    assert stub.look("branches")[-1].endswith(f"the longest is that of address {stub.place}")


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


def test_the_explanation_leads_with_few_signs_that_were_shown_and_counts_the_others() -> None:
    for level, seed in ((2, 101), (3, 1), (3, 2), (2, 1)):
        game = Practice(hide(level, seed))
        shown = "\n".join(game.listen())
        lines = game.explain()
        first = next(place for place, line in enumerate(lines) if line.startswith("What speaks for it most"))
        last = next(place for place, line in enumerate(lines) if "small signs, which together" in line)
        told = [line.removeprefix("- ").partition(" (")[0] for line in lines[first + 1 : last]]
        assert 1 <= len(told) <= 3
        for sign in told:
            # In a sentence of the listening, or in the columns of its table.
            assert sign in shown or any(word in sign for word in ("silence", "damaged", "answer", "requests")), sign
        assert "all other signs" not in "\n".join(lines)


def test_what_benchtool_works_out_by_itself_is_told_apart() -> None:
    game = Practice(hide(1, 3))
    assert game.truth == "pair-reversed-at-tap"
    assert "on paper" not in "\n".join(game.listen())
    lines = game.explain()
    worked = lines.index("What benchtool works out of the same octets:")
    assert "on paper" not in "\n".join(lines[:worked])
    assert "on paper" in lines[worked + 1]


def test_signs_by_which_a_fault_is_known_are_signs_that_listening_shows() -> None:
    assert set(SIGNS) <= set(TELLS)
    for names in SIGNS.values():
        assert set(names) <= {*_WORTH, *_IN_TABLE}


def test_given_up_one_is_told_what_would_have_told_it() -> None:
    game = Practice(hide(2, 2))
    assert game.truth == "terminator-missing-both"
    game.listen()
    told, *rows = game.missed()
    assert told.startswith("What would have told it (benchtool's own hunt came to ")
    assert rows
    for row in rows:
        line, minutes = re.fullmatch(r"- ((?:measure|look|try) \S+) \((\S+) min\)", row).groups()  # type: ignore[union-attr]
        word, _, name = line.partition(" ")
        {"measure": game.measure, "look": game.look, "try": game.attempt}[word](name)
        assert float(minutes) > 0
    assert not game.missed()


def test_two_talkers_at_once_are_no_evidence_of_a_scope_that_shows_one() -> None:
    game = Practice(hide(3, 2))
    assert game.truth == "two-controllers"
    lines, _ = game.scope("")
    assert not any(name in game.observed().by_hand.scope for name in UNTOLD)
    assert any(line.startswith("- mark (1)") or "mark (1)" in line for line in lines)


def test_the_replay_is_in_words() -> None:
    game = Practice(hide(3, 1))
    lines = game.hunted.lines
    assert lines[1] == "1. listen"  # who is dead is not asked where nobody is
    measured = [line for line in lines if re.match(r"\d+\. measure ", line)]
    assert measured
    assert all(re.match(r"\d+\. measure \S+ \([a-z ]+.*\): -?[0-9.]+k? (V|ohm)$", line) for line in measured)
    words = lines.index("IN WORDS")
    assert any(line.startswith("noise-impulsive ") and "Bursts of noise" in line for line in lines[words:])
    assert any(line.startswith("bias-weak: ") for line in lines)


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
        end.write(b"\xff\x00\n" + b'{"benchtool-practice": 1, "li')  # the power went in the middle
    practice_progress.keep(file, good._replace(seed=6))
    assert practice_progress.load(file) == ([good, good._replace(seed=6)], 2)
    result = run("--progress", "mine.json", "--scores")
    assert result.exit_code == 0
    assert "mine.json: lines that cannot be read, and are left out: 2" in result.stderr
    assert "bus        1       2      2          70" in result.stdout
    assert run("--progress", "mine.json", typed="explain\n").exit_code == 0
    assert b"\xff\x00" in file.read_bytes()
    assert "deleted" in run("--progress", "mine.json", "--forget").output


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


@pytest.mark.parametrize("columns", [40, 60, 80])
def test_the_scope_is_drawn_within_the_terminal(monkeypatch: pytest.MonkeyPatch, columns: int) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    game = Practice(hide(1, 3))
    lines, taken = game.scope("17")
    drawn = lines[1:11]
    assert max(map(len, drawn)) <= columns
    assert [line[:6].strip() for line in (drawn[0], drawn[4], drawn[8])] == ["+4 V", "+0 V", "-4 V"]
    assert "A-B, all" in drawn[9]
    assert ("8 bits of it" in drawn[9]) == (columns >= 60)
    # The whole record: the line of 0 V all along, and both talkers above and below it.
    assert set("".join(line[7:] for line in drawn[:9])) <= set("#- ")
    least, most = (taken.a_v - taken.b_v).min(), (taken.a_v - taken.b_v).max()
    rows = [place for place, line in enumerate(drawn[:9]) if "#" in line]
    assert rows[0] == round((1 - most / 4) * 4)
    assert rows[-1] == round((1 - least / 4) * 4)


def test_the_explanation_is_true_of_the_place() -> None:
    game = Practice(hide(3, 102))
    listening = "\n".join(game.listen())
    told = "\n".join(game.explain())
    assert game.truth == "driver-held-late"
    assert "against the mains" not in listening
    assert "controller's own driver" in told
    assert "all 5 addresses" in told
    assert "address 1: 19 of 19" not in told


def test_the_explanation_says_how_a_fault_mostly_shows() -> None:
    assert set(TELLS) == set(Cause) - {Cause.NONE_OF_THESE}
    game = Practice(hide(2, 101))
    game.listen()
    told = "\n".join(game.explain())
    assert game.truth == "noise-impulsive"
    assert "single octets FF, FE, F8" in told
    assert "- 50 of 52 stray octets are a short dip of the line" in told
    assert "splits it from noise-broadband" in told
    assert "score 4.4" not in told


def test_a_home_that_is_out_of_reach_does_not_keep_from_practising(monkeypatch: pytest.MonkeyPatch) -> None:
    Path("plain").write_text("")
    monkeypatch.setenv("BENCHTOOL_HOME", "plain/home")
    result = run("--seed", "3", typed="listen\nexplain\n")
    assert result.exit_code == 0
    assert "--progress FILE keeps it elsewhere" in result.stderr
    assert "It was" in result.stdout


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


@pytest.mark.parametrize("text", ["{}", "[1]\n", "soup", '{"benchtool-practice": 1}\n', '{"benchtool-practice": 9}\n'])
def test_a_file_that_is_no_progress_is_left_alone(tmp_path: Path, text: str) -> None:
    other = tmp_path / "other.json"
    other.write_text(text)
    for words in (("--forget",), ("--scores",), ("--seed", "3")):
        assert run("--progress", str(other), *words).exit_code == 4
    assert other.read_text() == text


def test_the_same_level_and_seed_are_the_same_installation() -> None:
    typed = "listen\nmeasure ab-idle\nscope\nquit\n"
    assert run("--seed", "5", typed=typed).output == run("--seed", "5", typed=typed).output


def test_scope_writes_a_record_that_diagnose_reads() -> None:
    run("--seed", "5", "--scope-file", "shot.csv", typed="scope\nquit\n")
    result = CliRunner().invoke(main, ["diagnose", "--waveform", "shot.csv", "--baud", "9600"])
    assert result.exit_code == 0, result.output
    again = run("--seed", "5", "--scope-file", "shot.csv", typed="scope\nquit\n")
    assert again.exit_code == 5
    assert "choose another" in again.output


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
            word = look(line, sight.name, 4 if sight.at_device else None, 1, lambda: dict.fromkeys(range(1, 6), 1.0))
            assert word == "" or word in sight.words(), (fault, sight.name, word)


@pytest.mark.parametrize(("level", "seed", "address"), [(3, 25, 4), (3, 34, 1), (4, 5, 5), (4, 12, 2), (4, 19, 2)])
def test_a_low_idle_level_makes_no_talker_reversed(level: int, seed: int, address: int) -> None:
    # With five octets each these shots were read the wrong way round: their idle level tells nothing.
    hidden = hide(level, seed)
    game = Practice(hidden)
    assert "reversed" not in hidden.fault
    game.scope(str(address) if address in game.devices else "")
    assert game.observed().by_hand.scope["scope-reversed"] == 0


def test_words_that_nobody_knows_at_first_sight_are_told_where_they_stand() -> None:
    sound = Practice(hide(1, 1)).listen()
    assert any(line.startswith("- all ") and line.endswith(" frames are sound") for line in sound)
    assert not any("spans" in line for line in sound)
    noisy = Practice(hide(2, 101)).listen()
    [meaning] = [line for line in noisy if line.startswith("  (")]
    assert "spans: octets that make no whole frame" in meaning
    assert "stray octets: octets between frames" in meaning


def test_a_scope_shows_the_driver_and_its_idle_level() -> None:
    sound = faults.apply(scenario.load("demo"), "healthy", {})
    taken = shot(sound, 4, 1)
    difference = taken.a_v - taken.b_v
    # 1.5 V across 54 ohm is what a driver must give (TIA-485-A); idle above 200 mV (sheet 1.7).
    assert difference.max() > 1.5
    assert difference.min() < -1.5
    assert 0.15 < difference[:50].mean() < 0.4
