"""Every cause has words, and the words keep to the rules for people on ladders."""

from __future__ import annotations

import pytest

from benchtool.diagnose.advice import ADVICE, NOTHING_HEARD
from benchtool.diagnose.card_advice import CARD_ADVICE
from benchtool.diagnose.card_finding import CardCause
from benchtool.diagnose.finding import Cause, Step
from benchtool.diagnose.readings import DOORS, SUPPLY, UNPOWERED, action_of


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


@pytest.mark.parametrize(
    ("causes", "work", "caution"),
    [
        (("terminator-missing-one", "bias-missing"), "fit ", UNPOWERED),
        (("clock-off", "line-too-long-for-rate"), "lower", action_of("lower-baud").caution),
    ],
)
def test_fitting_and_lower_rates_come_after_their_caution(causes: tuple[str, ...], work: str, caution: str) -> None:
    for name in causes:
        todo = ADVICE[Cause(name)].todo
        at = next(place for place, text in enumerate(todo) if caution in text)
        assert any(work in text.lower() for text in todo[at + 1 :]), name


@pytest.mark.parametrize("cause", [CardCause.READER_SILENT, CardCause.BROWN_OUT])
def test_a_supply_measured_at_data_lines_comes_after_its_caution(cause: CardCause) -> None:
    first, *rest = CARD_ADVICE[cause].todo
    assert SUPPLY in first
    assert DOORS in first  # doors, and escape routes
    assert any("measure" in text.lower() and "supply" in text for text in rest)


def test_ohms_to_the_common_wire_are_not_held_to_those_of_the_shield() -> None:
    # Sheet 1.8: 100 kilohm or more from each line to the shield; bias of 560 ohm joins both to the common (sheet 1.7).
    text = next(one for one in ADVICE[Cause.CONDUCTOR_TO_GROUND].todo if "100 kilohm" in one)
    assert "to the shield: 100 kilohm" in text
    assert "the same on both wires" in text
