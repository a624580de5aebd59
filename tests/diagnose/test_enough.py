"""Where nothing is left that tells more: nothing is asked for twice, and what to do is said."""

from __future__ import annotations

import pytest

from benchtool.commands.session import Session
from benchtool.diagnose.conclude import conclude
from benchtool.diagnose.engine import observe
from benchtool.diagnose.enough import left_over
from benchtool.diagnose.finding import Cause, Diagnosis, Finding
from benchtool.diagnose.readings import ByHand, parse_reading, parse_tried
from benchtool.diagnose.sensible import sensible
from benchtool.taps.address import open_tap


def told(address: str, *readings: str) -> Diagnosis:
    session = Session(open_tap(address, None))
    session.run()
    observed = observe(session.gatherer.evidence(), session.tap.info.settings)
    return sensible(conclude(observed.measured(ByHand(tuple(map(parse_reading, readings))))), listened=True)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_reading_just_given_is_not_asked_for_again(seed: int) -> None:
    found = told(f"sim:demo?fault=noise-broadband&seed={seed}", "ab-idle=0.3")
    asked = " ".join(step.do for step in found.next)
    assert "DC volts between the two data wires" not in asked
    assert "red probe on our + lead, black probe on our - lead" not in asked
    assert not any(step.name for step in found.next)
    assert found.next[0].do.startswith("Enough is known: mend noise-broadband as its finding says")


def finding(cause: Cause, probability: float = 0.99) -> Finding:
    return Finding(cause, "bus", probability, "", (), (), ())


def test_what_was_measured_is_left_out_of_the_advice_and_the_rest_stays() -> None:
    noise = finding(Cause.NOISE_BROADBAND)
    first = left_over(noise, ByHand(), listened=True)
    assert len(first) == 1
    assert "measure DC volts" in first[0].do
    idle = ByHand((parse_reading("ab-idle=0.3"),))
    after = left_over(noise, idle, listened=True)
    assert [step.do.split(":")[0] for step in after] == [
        "Enough is known",
        "Listen again for a minute while one suspect after the other is off",
    ]
    assert "measure again" in left_over(noise, idle, listened=False)[0].do
    assert left_over(finding(Cause.NOISE_BROADBAND, 0.6), idle, listened=True)[0].do.startswith("No more of these")


def test_both_ends_are_done_only_when_both_were_measured() -> None:
    broken = finding(Cause.CONDUCTOR_OPEN)
    one = ByHand((parse_reading("ab-ohms=120"),))
    assert "at one end of the pair, then at the other" in left_over(broken, one, listened=True)[0].do
    both = one + ByHand((parse_reading("ab-ohms-far=120"),))
    assert left_over(broken, both, listened=True)[0].do.startswith("Enough is known: mend conductor-open")


def test_a_sound_bus_needs_no_mending() -> None:
    done = ByHand((parse_reading("ab-ohms=60"),))
    (only,) = left_over(finding(Cause.HEALTHY), done, listened=True)
    assert only.do.startswith("Enough is known: no more")
    assert "mend" not in only.do


def test_actions_that_were_tried_are_done_too() -> None:
    tried = ByHand(tried=(parse_tried("lower-baud=same"), parse_tried("unplug@4=same")))
    (only,) = left_over(finding(Cause.CLOCK_OFF), tried, listened=True)
    assert only.do.startswith("Enough is known: mend clock-off")
