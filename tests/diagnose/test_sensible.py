"""Steps and words that fit: no idle action after a proof, no listening without a tap."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from benchtool.diagnose.advice import ADVICE, UNHEARD
from benchtool.diagnose.conclude import conclude
from benchtool.diagnose.finding import Cause, Diagnosis, Finding, Step
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.readings import ByHand, parse_reading
from benchtool.diagnose.sensible import sensible
from benchtool.diagnose.summaries import summary

LISTENS = re.compile(r"listen again|we listened|--baud|--format|set benchtool|recording|our adapter|our receiver", re.I)
"""Words that only make sense with a tap."""


def step(name: str) -> Step:
    return Step("Do it.", ("one: this", "other: that"), "", name, 0.04, 5.0)


def diagnosis(cause: Cause, probability: float, *steps: Step) -> Diagnosis:
    advice = ADVICE[cause]
    finding = Finding(cause, "bus", probability, "What it is.", (), advice.could_also_be, advice.todo)
    return Diagnosis((finding,), steps, (), None)


def names(found: Diagnosis) -> list[str]:
    return [one.name for one in found.next]


def test_after_a_proof_only_the_action_that_mends_it_is_left() -> None:
    given = step("swap-clip"), step("lower-baud"), step("unplug@3"), step("ab-idle")
    assert names(sensible(diagnosis(Cause.REVERSED_AT_TAP, 0.98, *given), listened=True)) == ["swap-clip", "ab-idle"]
    assert names(sensible(diagnosis(Cause.STUB_TOO_LONG, 0.98, *given), listened=True)) == [
        "lower-baud",
        "unplug@3",
        "ab-idle",
    ]


def test_while_it_is_open_every_action_stays() -> None:
    given = step("swap-clip"), step("lower-baud")
    assert names(sensible(diagnosis(Cause.REVERSED_AT_TAP, 0.9, *given), listened=True)) == ["swap-clip", "lower-baud"]


def test_there_is_always_a_first_step() -> None:
    found = sensible(diagnosis(Cause.DEVICE_SILENT, 0.99, step("lower-baud")), listened=True)
    assert found.next == ADVICE[Cause.DEVICE_SILENT].steps[:1]


@pytest.mark.parametrize("cause", Cause, ids=lambda cause: cause.value)
def test_without_a_tap_nobody_is_told_to_listen_again(cause: Cause) -> None:
    finding = sensible(diagnosis(cause, 0.5, step("ab-idle")), listened=False).findings[0]
    said = [*finding.todo, *finding.could_also_be, summary(cause, "bus", Observed())]
    assert not [text for text in said if LISTENS.search(text)], cause


def test_with_a_tap_the_words_stay() -> None:
    given = diagnosis(Cause.BAUD_WRONG, 0.5, step("ab-idle"))
    assert sensible(given, listened=True) == given


def test_what_is_said_instead_stands_for_something_that_is_said() -> None:
    said = {text for advice in ADVICE.values() for text in (*advice.todo, *advice.could_also_be)}
    assert set(UNHEARD) <= said, "left over after a change of words"
    for text, instead in UNHEARD.items():
        assert text[0].isupper() == instead[0].isupper()
        assert text.endswith(".") == instead.endswith(".")


def test_a_device_without_an_address_is_one_of_the_devices() -> None:
    unheard = Observed()
    assert summary(Cause.DEVICE_SILENT, "bus", unheard) == "One of the devices does not answer."
    assert summary(Cause.ADDRESS_DUPLICATE, "bus", unheard) == "Two devices have one address."
    assert summary(Cause.DEVICE_SILENT, "address 4", unheard) == "The device at address 4 does not answer."
    heard = replace(unheard, symptoms={})
    assert summary(Cause.DEVICE_SILENT, "bus", heard) == "The device at one address does not answer."


def test_readings_alone_lead_to_steps_that_need_no_tap_or_say_so() -> None:
    for readings in (("ab-ohms=61", "ab-idle=0.24"), ("ab-ohms=118",), ("ab-idle=-0.3",), ("ab-ohms=open",)):
        observed = Observed(by_hand=ByHand(tuple(map(parse_reading, readings))))
        found = sensible(conclude(observed), listened=False)
        for one in found.next:
            assert "listen again" not in one.do
            # Whoever is to listen is told how to begin.
            assert "isten" not in one.do or "Clip an adapter on" in one.do
