"""`benchtool practice --lines data`: what reading and measuring show against the published circuit, and the score."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from benchtool.commands.main import main
from benchtool.commands.practice_card import CardPractice, fair_reader
from benchtool.commands.practice_game import RefusedError
from benchtool.simulate.card_faults import CARD_FAULTS
from benchtool.simulate.practice_card import CARD_LEVELS, card_reading, hide_reader


@pytest.fixture(autouse=True)
def _own_home(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("BENCHTOOL_HOME", str(tmp_path / "home"))


def run(*words: str, typed: str) -> Result:
    return CliRunner().invoke(main, ["practice", "--lines", "data", *words], input=typed)


def seed_of(level: int, fault: str) -> int:
    return next(seed for seed in range(1, 400) if hide_reader(level, seed).fault == fault)


def test_every_fault_of_data_lines_has_a_level() -> None:
    assert {fault for level in CARD_LEVELS.values() for fault in level} == set(CARD_FAULTS)


def test_an_open_line_brings_no_pulse_and_is_named() -> None:
    # Sheet 6.7: an open D0 lets only ones through.
    seed = seed_of(1, "d0-open")
    result = run("--seed", str(seed), typed="help\nlisten\nname d0-open\nreplay\nquit\n")
    assert result.exit_code == 0, result.output
    counts = re.findall(r"D0 (\d+) pulses, D1 (\d+)", result.output)
    assert counts
    assert all(zero == "0" and int(one) > 0 for zero, one in counts)
    assert "Score 100 of 100" in result.output
    assert "benchtool's own hunt" in result.output


def test_a_guess_without_a_read_earns_the_name_alone() -> None:
    seed = seed_of(1, "d1-open")
    assert json.loads(run("--seed", str(seed), "--json", typed="name d1-open\n").stdout)["score"] == 30


def test_only_the_printed_number_tells_reversed_bits() -> None:
    seed = seed_of(4, "bits-reversed")
    words = ("--level", "4", "--seed", str(seed), "--json")
    without = json.loads(run(*words, typed="listen\nname bits-reversed\n").stdout)
    told = run(*words, typed="listen\nlook printed\nname bits-reversed\n")
    assert json.loads(told.stdout)["probability"] > max(0.9, without["probability"])
    assert "last bit first" in told.stderr


def test_benchtools_own_hunt_asks_for_the_printed_number() -> None:
    for fault in ("bits-reversed", "lines-swapped"):
        work = CardPractice(fair_reader(4, seed_of(4, fault))).hunted
        assert work.work.probability > 0.95
        assert any("look printed (the reads beside" in line and ": 5 of 5 reads" in line for line in work.lines)


def test_pulses_that_are_wide_enough_are_not_called_shorter_than_published() -> None:
    # Sheet 6.1: the shortest pulse published is 20 us; these are 42 us and more.
    game = CardPractice(fair_reader(3, 301))
    game.listen()
    told = "\n".join(game.explain())
    assert game.truth == "pulses-short"
    assert "shorter at the controller than the 20 us" not in told
    assert "fall late" in told


def test_what_makes_no_sense_is_told_and_not_counted() -> None:
    typed = "measure\nmeasure d0-idel\nmeasure supply@3\nlook printed\ntry\nscope\nname d0-opn\nname d0-open@3\n"
    result = run("--seed", "1", "--json", typed=typed)
    told = " ".join(result.stderr.split())
    for words in (
        "measure what? d0-idle 1 min volts on D0, no card at the reader",
        "did you mean d0-idle?",
        "supply is of no one device",
        "listen first",
        "there is nothing to try here",
        "measure d0-traffic",
        "did you mean d0-open?",
        "d0-open is of no one device",
    ):
        assert words in told
    assert json.loads(result.stdout)["minutes"] == 0


def test_where_nothing_came_nothing_can_be_compared_and_that_is_free() -> None:
    game = CardPractice(fair_reader(3, 1))
    assert game.truth == "reader-silent"
    game.listen()
    with pytest.raises(RefusedError, match="nothing to compare"):
        game.look("printed")
    assert game.minutes == game.cost("listen")


def test_the_replay_tells_units_and_no_minus_before_a_nothing() -> None:
    lines = CardPractice(fair_reader(3, 1)).hunted.lines
    assert "2. measure ground-shift (volts between the reader's 0 V and the controller's): 0.00 V" in lines


def test_the_explanation_leads_with_few_signs_and_counts_the_others() -> None:
    game = CardPractice(fair_reader(2, 1))
    game.listen()
    lines = game.explain()
    first = lines.index("What speaks for it most:")
    assert lines[first + 1].startswith("- 4 of 5 reads have the 26 bits wanted; 1 of 5: twice the length (")
    assert re.match(
        r"Besides: \d+ small signs, which together (point to it|point away from it|say little)\.", lines[first + 4]
    )


def test_the_list_of_causes_hangs_behind_its_names(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    lines = run(typed="causes\n").output.splitlines()
    place = next(place for place, line in enumerate(lines) if line.startswith("parity-sense-wrong"))
    assert lines[place + 1].startswith(" " * 20)


def test_the_meter_reads_what_the_circuit_gives_whatever_was_measured_before() -> None:
    hidden = hide_reader(1, seed_of(1, "d0-stuck-low"))
    # A short to 0 V of at most 100 ohm holds a line pulled up by 1 kOhm or more below a tenth of 5 V (Ohm's law).
    assert card_reading(hidden, "d0-idle") < 0.6
    assert card_reading(hidden, "d1-idle") > 4
    assert card_reading(hidden, "d0-idle") == card_reading(hidden, "d0-idle")


@pytest.mark.parametrize("level", CARD_LEVELS)
def test_benchtools_own_hunt_can_find_each_reader(level: int) -> None:
    found = [CardPractice(fair_reader(level, seed)).findable() for seed in range(1, 13)]
    assert all(found)


def test_no_card_number_is_shown() -> None:
    seed = seed_of(4, "healthy")
    hidden = fair_reader(4, seed)
    result = run("--level", "4", "--seed", str(seed), typed="listen\nlook printed\nname healthy\nreplay\nquit\n")
    for card in hidden.cards:
        assert not isinstance(card, str)
        assert str(card.value) not in result.output
        assert card.text not in result.output
