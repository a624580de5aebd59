"""Every cause has words, and the words keep to the rules for people on ladders."""

from __future__ import annotations

import pytest

from benchtool.diagnose.advice import ADVICE, NOTHING_HEARD
from benchtool.diagnose.finding import Cause, Step
from benchtool.diagnose.readings import DOORS, SUPPLY, UNPOWERED


def all_steps() -> list[Step]:
    return [*NOTHING_HEARD, *dict.fromkeys(step for advice in ADVICE.values() for step in advice.steps)]


@pytest.mark.parametrize("cause", Cause, ids=lambda cause: cause.value)
def test_every_cause_says_what_it_is_confused_with_and_how_to_mend_it(cause: Cause) -> None:
    advice = ADVICE[cause]
    assert advice.could_also_be
    assert advice.todo
    assert advice.steps
    for other in advice.could_also_be:
        # The report writes "Could also be: …; ….", so each is part of a sentence.
        assert other[0].islower(), other
        assert not other.endswith((".", ";")), other
    for todo in advice.todo:
        assert todo[0].isupper(), todo
        assert todo.endswith("."), todo
    assert len(set(advice.todo)) == len(advice.todo)


@pytest.mark.parametrize("cause", Cause, ids=lambda cause: cause.value)
def test_work_on_wires_without_or_with_power_says_its_caution_first(cause: Cause) -> None:
    todo = ADVICE[cause].todo
    for place, text in enumerate(todo):
        if "power off" in text and not text.startswith("Caution"):
            assert any(UNPOWERED in earlier for earlier in todo[:place]), text
        if "supply at" in text:
            assert any(SUPPLY in earlier and DOORS in earlier for earlier in todo[:place]), text


@pytest.mark.parametrize("step", all_steps(), ids=lambda step: step.do[:40])
def test_every_step_says_what_each_result_would_mean(step: Step) -> None:
    assert step.do.endswith(".")
    assert len(step.expect) >= 2, "a measurement with one outcome settles nothing"
    for reading in step.expect:
        assert ":" in reading, reading


def test_steps_that_touch_live_or_dead_wires_carry_a_caution() -> None:
    for step in all_steps():
        if "power off" in step.do:
            assert step.caution == UNPOWERED, step.do
        elif "volts" in step.do or "terminals" in step.do:
            assert step.caution, step.do
        if "lock released" in step.do:
            assert step.caution == DOORS
