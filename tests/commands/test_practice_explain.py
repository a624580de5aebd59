"""What a learner is told afterwards: the signs that were shown, in plain words, and the replay."""

from __future__ import annotations

import re

import numpy as np
import pytest

from benchtool.commands.practice_card import CardPractice, fair_reader
from benchtool.commands.practice_run import Practice
from benchtool.diagnose import draws, model
from benchtool.diagnose.card_evidence import CardEvidence
from benchtool.diagnose.card_finding import CardCause
from benchtool.diagnose.card_readings import CardMeterReading
from benchtool.diagnose.finding import Cause, Proof
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.readings import ByHand, Reading, kind_of
from benchtool.reports import practice_together
from benchtool.reports.practice_explain import proof_lines
from benchtool.reports.practice_tells import SIGNS, TELLS, tells
from benchtool.reports.practice_text import _IN_TABLE, _WORTH
from benchtool.simulate.practice import hide


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
            # In a sentence of the listening, or its figures in one, or in the columns of its table.
            figures = all(figure in shown for figure in re.findall(r"\d+", sign))
            assert (
                sign in shown or figures or any(word in sign for word in ("silence", "damaged", "answer", "requests"))
            ), sign
        assert "all other signs" not in "\n".join(lines)


_PAIR = ("ab-idle", "a-idle", "b-idle", "ab-ohms", "ab-ohms-far", "a-ground-ohms", "b-ground-ohms")


@pytest.mark.parametrize(("level", "seed"), [(2, 23), (1, 5), (3, 4), (3, 5), (1, 4), (4, 5), (4, 22)])
def test_readings_that_are_true_do_not_speak_against_the_truth(level: int, seed: int) -> None:
    game = Practice(hide(level, seed))
    game.listen()
    for name in _PAIR:
        game.measure(name)
    told = game.explain()
    assert not any("fit together" in line for line in told)
    assert "What speaks against it:" not in told
    [at_once] = [line for line in told if line.startswith("- all 7 readings at once")]
    assert "likelier with this fault" in at_once
    # Some worked line of the fault shows all seven: no further off than seven errors of a meter make by chance (the
    # chi-squared distribution of 7: 24.3 at 1 in 1000).
    known, row = draws.load(), 1 + model.INDEX[Cause(game.truth)]
    lines = slice(known.starts[row], known.starts[row] + known._counts()[row])
    apart = np.zeros(known._counts()[row])
    for one in game.observed().by_hand.readings:
        kind, values = kind_of(one.kind), known.values[lines, known.columns.index(one.kind)]
        apart += np.nan_to_num((values - kind.scale(one.value)) / kind.spread(one.value), nan=20.0) ** 2
    assert apart.min() < 24.3


def test_readings_that_do_not_go_together_are_told_with_the_one_that_clashes() -> None:
    # 61 and 60 ohm are two terminators (sheet 1.8); a sound bus idles at 0.2 V and more (1.7).
    hand = ByHand((Reading("ab-ohms", 61), Reading("ab-ohms-far", 60), Reading("ab-idle", 0.01)))
    told = practice_together.of_bus(Cause.HEALTHY, Observed().measured(hand))
    assert told is not None
    lines = proof_lines([Proof("how the readings fit together on one bus", -3.0, {})], 3, healthy=True, together=told)
    against = lines.index("What speaks against it:")
    assert lines[against + 1].startswith("- all 3 readings at once: ")
    assert lines[against + 1].endswith("; what goes least with it is ab-idle 0.010 V")
    assert not any("fit together" in line for line in lines)
    assert practice_together.of_bus(Cause.HEALTHY, Observed().measured(ByHand(hand.readings[:1]))) is None


def test_readings_at_data_lines_are_weighed_at_once_too() -> None:
    readings = (CardMeterReading("d0-idle", 5.0), CardMeterReading("ground-shift", 1.5))
    told = practice_together.of_lines(CardCause.HEALTHY, CardEvidence(readings=readings))
    assert told is not None
    assert told.weight < 0
    assert told.clash == "ground-shift 1.50 V"


def test_marked_characters_are_told_once() -> None:
    game = Practice(hide(1, 2))
    game.listen()
    told = [line for line in game.explain() if line.startswith("- ") and "framing error" in line]
    assert len(told) == 1


def test_without_sequence_numbers_none_jump() -> None:
    game = Practice(hide(3, 2))
    assert game.truth == "two-controllers"
    assert "modbus" in game.title
    assert "sequence" not in "\n".join(game.explain())
    assert "sequence numbers that jump" in tells(Cause.TWO_CONTROLLERS)


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


def test_words_that_nobody_knows_at_first_sight_are_told_where_they_stand() -> None:
    sound = Practice(hide(1, 1)).listen()
    assert any(line.startswith("- all ") and line.endswith(" frames are sound") for line in sound)
    assert not any("spans" in line for line in sound)
    noisy = Practice(hide(2, 101)).listen()
    [meaning] = [line for line in noisy if line.startswith("  (")]
    assert "spans: octets that make no whole frame" in meaning
    assert "stray octets: octets between frames" in meaning


def test_who_gathered_nothing_is_told_so() -> None:
    games = (Practice(hide(1, 3)), CardPractice(fair_reader(4, 9)))
    for game in games:
        told = "\n".join(game.explain())
        assert "You had gathered nothing that could speak for it." in told
        assert "more like" not in told


@pytest.mark.parametrize(("level", "seed"), [(1, 1), (2, 2), (3, 1), (4, 1), (4, 3)])
def test_the_replay_ends_at_the_same_truth(level: int, seed: int) -> None:
    game = Practice(hide(level, seed))
    lines = game.hunted.lines
    assert lines[lines.index("RESULT") + 1].startswith(game.truth)


def test_what_else_it_looks_like_is_in_words() -> None:
    game = Practice(hide(3, 1))
    assert game.truth == "bias-weak"
    game.listen()
    [line] = [line for line in game.explain() if line.startswith("What you gathered makes it")]
    other = line.partition("more like ")[2].partition(",")[0]
    assert other != game.truth
    assert line.rstrip().endswith(".")
    assert len(line.partition("%: ")[2].split()) > 4  # a sentence, not the name alone
