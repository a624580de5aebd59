"""Which question is next, and when none is: worth by bits a minute; judgements of this project."""

from __future__ import annotations

import numpy as np
import pytest

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.hunt import Hunt
from benchtool.diagnose.hunt_choose import _turns, best_question, how_to_read
from benchtool.diagnose.hunt_question import Answer
from benchtool.diagnose.model import all_sets
from benchtool.diagnose.readings import kind_of
from benchtool.diagnose.weigh import Belief


def _belief(**shares: float) -> Belief:
    """Of single causes, by their names with `_`."""
    found = np.zeros(len(all_sets().members))
    for name, share in shares.items():
        found[all_sets().index([Cause(name.replace("_", "-"))])] = share
    return Belief(np.zeros(len(found)), found)


@pytest.mark.parametrize(("likelier", "turns"), [(0.5, 0.0), (0.8, 0.0), (0.99, 0.1 * 0.99 + 0.9 * 0.01)])
def test_how_probable_it_is_that_an_answer_makes_another_cause_lead(likelier: float, turns: float) -> None:
    # The answer that speaks for the short turns 1 to 9 over where it is more than nine times likelier with it.
    belief = _belief(device_silent=0.9, pair_shorted=0.1)
    table = np.full((len(all_sets().members), 2), 0.5)
    shorted, silent = (all_sets().index([cause]) for cause in (Cause.PAIR_SHORTED, Cause.DEVICE_SILENT))
    table[shorted], table[silent] = (likelier, 1 - likelier), (1 - likelier, likelier)
    assert _turns(belief, table) == pytest.approx(turns)


def test_nothing_is_asked_that_cannot_change_what_is_told() -> None:
    hunt = Hunt(listens=False)
    hunt.also([Answer("ab-ohms", "12k"), Answer("terminators", "none")])
    assert not hunt.state.group
    done = {one.name for one in hunt.answers}
    sure = hunt.state.belief.probability.copy()
    sure[:] = 1e-9
    sure[all_sets().index([Cause.TERMINATOR_MISSING_BOTH])] = 1.0
    certain = hunt.state._replace(belief=Belief(np.zeros(len(sure)), sure / sure.sum()))
    assert best_question(hunt.observed, certain, done, None, listens=False) is None


def test_switching_off_is_counted_once_for_readings_in_a_row() -> None:
    def minutes(*names: str) -> float:
        hunt = Hunt(listens=False)
        hunt.also([Answer(name, "60" if name.endswith("ohms") else "0.3") for name in names])
        return hunt.minutes

    # 8 minutes each by itself, 6 of them to warn the users, switch off and on again.
    assert minutes("ab-ohms") == 8
    assert minutes("ab-ohms", "a-ground-ohms") == 10
    assert minutes("ab-ohms", "ab-idle", "a-ground-ohms") == 18
    # 6 minutes each by itself, 5 of them to unplug the device and plug it in again.
    hunt = Hunt(listens=False)
    hunt.also([Answer("still-answers@4", "no"), Answer("unplug@4", "same")])
    assert hunt.minutes == 7
    hunt.also([Answer("unplug@5", "same")])
    assert hunt.minutes == 13


def _sights_asked(*answers: tuple[str, str], most: int = 30) -> list[str]:
    hunt = Hunt(listens=False)
    hunt.also([Answer(*one) for one in answers])
    names: list[str] = []
    while (question := hunt.next_question()) is not None and len(names) < most:
        names.append(question.name)
        hunt.take("")
    return names


def test_where_terminators_are_is_asked_once() -> None:
    assert sum(name in ("terminators", "end-boxes") for name in _sights_asked(("address", "4"))) == 1
    # The lamps of the controller have an answer of the same word; it says nothing of terminators.
    asked = _sights_asked(("address", "4"), ("controller", "both"))
    assert {"terminators", "end-boxes"} & set(asked)


def test_without_an_adapter_no_rate_of_ours_is_compared() -> None:
    assert "rate-set" not in _sights_asked(("address", "4"))


def test_how_to_stop_polling_is_told_where_it_has_to_be_stopped() -> None:
    for name in ("ab-idle", "ab-idle@"):
        assert "To stop polling" in how_to_read(kind_of(name))
    assert "To stop polling" not in how_to_read(kind_of("supply@"))
