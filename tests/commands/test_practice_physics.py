"""Meter, scope and eyes of practice against the line model and published values."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from benchtool.commands.main import main
from benchtool.commands.practice_run import Practice
from benchtool.diagnose.readings import METER
from benchtool.diagnose.sights_known import SIGHTS
from benchtool.reports.practice_text import UNTOLD
from benchtool.simulate import faults, scenario
from benchtool.simulate.faults import FAULTS
from benchtool.simulate.practice import hide
from benchtool.simulate.practice_meter import KINDS, look, meter
from benchtool.simulate.practice_scope import shot
from tests.commands.practising import at_home
from tests.commands.practising import practise as run


@pytest.fixture(autouse=True)
def _own_home(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    at_home(monkeypatch, tmp_path)


def test_two_talkers_at_once_are_no_evidence_of_a_scope_that_shows_one() -> None:
    game = Practice(hide(3, 2))
    assert game.truth == "two-controllers"
    lines, _ = game.scope("")
    assert not any(name in game.observed().by_hand.scope for name in UNTOLD)
    assert any(line.startswith("- mark (1)") or "mark (1)" in line for line in lines)


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


@pytest.mark.parametrize(("level", "seed", "address"), [(3, 25, 4), (3, 34, 1), (4, 5, 5), (4, 12, 2), (4, 19, 2)])
def test_a_low_idle_level_makes_no_talker_reversed(level: int, seed: int, address: int) -> None:
    # With five octets each these shots were read the wrong way round: their idle level tells nothing.
    hidden = hide(level, seed)
    game = Practice(hidden)
    assert "reversed" not in hidden.fault
    game.scope(str(address) if address in game.devices else "")
    assert game.observed().by_hand.scope["scope-reversed"] == 0


def test_a_scope_shows_the_driver_and_its_idle_level() -> None:
    sound = faults.apply(scenario.load("demo"), "healthy", {})
    taken = shot(sound, 4, 1)
    difference = taken.a_v - taken.b_v
    # 1.5 V across 54 ohm is what a driver must give (TIA-485-A); idle above 200 mV (sheet 1.7).
    assert difference.max() > 1.5
    assert difference.min() < -1.5
    assert 0.15 < difference[:50].mean() < 0.4


def test_the_meter_knows_all_kinds_and_reads_what_circuits_give() -> None:
    assert set(KINDS) == {kind.name for kind in METER}
    sound = faults.apply(scenario.load("demo"), "healthy", {})
    # Sheet 1.4: two 120 ohm terminators in parallel read 60, and a little copper.
    assert 55 < meter(sound, "ab-ohms", None, 1) < 70
    one = faults.apply(scenario.load("demo"), "terminator-missing-one", {})
    assert 110 < meter(one, "ab-ohms", None, 1) < 125
    turned = faults.apply(scenario.load("demo"), "pair-reversed-at-tap", {})
    assert meter(turned, "ab-idle", None, 1) < -0.2 < 0.2 < meter(sound, "ab-idle", None, 1)


def test_what_overloads_a_bus_is_read_with_the_power_off_too() -> None:
    # Sheet 1.8: a sound receiver reads far above its load when off; sheet 1.1: 60 ohm beside 32 unit loads are 51.7. A
    # load beyond one unit is a resistance, powered or not: 5 devices of 80 unit loads are 12 kohm / (5 * 79) from each
    # wire to 0 V, both in series across the pair, and as much again between the wires.
    loaded = faults.apply(scenario.load("demo"), "bus-overloaded", {})
    each = 12_000 / (400 - 5)
    across = 1 / (1 / 60 + 1 / (2 * each) + 1 / (2 * each))
    assert across < 52
    # The bias's own resistors and 140 m of copper add and take a little.
    assert meter(loaded, "ab-ohms", None, 1) == pytest.approx(across, rel=0.35)
    assert meter(loaded, "ab-ohms", None, 1) < 52
    assert meter(loaded, "a-ground-ohms", None, 1) < 60
    sound = faults.apply(scenario.load("demo"), "healthy", {})
    assert meter(sound, "a-ground-ohms", None, 1) > 300


def test_eyes_answer_in_the_words_of_the_questions() -> None:
    for fault in FAULTS:
        line = faults.apply(scenario.load("demo"), fault, {})
        for sight in SIGHTS:
            word = look(line, sight.name, 4 if sight.at_device else None, 1, lambda: dict.fromkeys(range(1, 6), 1.0))
            assert word == "" or word in sight.words(), (fault, sight.name, word)


def test_eyes_agree_with_the_bus_and_tell_where_the_long_branch_is() -> None:
    noisy = Practice(hide(3, 503))
    assert all(0 < one.answered < one.requests for one in noisy.heard.addresses)
    assert "comes and goes" in noisy.look("who-is-dead")[-1]
    stub = Practice(hide(4, 104))
    assert stub.truth == "stub-too-long"
    assert stub.look("branches")[-1].endswith(f"the longest is that of address {stub.place}")


def test_scope_writes_a_record_that_diagnose_reads() -> None:
    run("--seed", "5", "--scope-file", "shot.csv", typed="scope\nquit\n")
    result = CliRunner().invoke(main, ["diagnose", "--waveform", "shot.csv", "--baud", "9600"])
    assert result.exit_code == 0, result.output
    again = run("--seed", "5", "--scope-file", "shot.csv", typed="scope\nquit\n")
    assert again.exit_code == 5
    assert "choose another" in again.output
