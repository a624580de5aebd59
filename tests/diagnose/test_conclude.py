"""Findings after readings: places move with them, evidence adds up, groups stay probabilities."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchtool.diagnose import conclude as conclude_module
from benchtool.diagnose import draws, measurements, model, weigh
from benchtool.diagnose.conclude import conclude
from benchtool.diagnose.finding import Cause, Diagnosis, Finding
from benchtool.diagnose.mends import action_chance
from benchtool.diagnose.model import INDEX, all_sets
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.places import AtAddress, places
from benchtool.diagnose.readings import ACTIONS, ByHand, parse_reading, parse_tried
from benchtool.reports.diagnosis_text import group_text

PRIOR = np.exp(all_sets().log_prior)


def at(address: int, answered: int = 100) -> AtAddress:
    return AtAddress("osdp", address, 100, answered, 100 - answered, 0, 0, 2.0, 3.0)


def hand(*texts: str) -> ByHand:
    return ByHand(tuple(map(parse_reading, texts)))


def finding(found: Diagnosis, cause: Cause) -> list[Finding]:
    return [one for one in found.findings if one.cause is cause]


def test_a_reading_says_which_of_two_silent_devices_is_reversed() -> None:
    addresses = (at(1), at(3, 0), at(5, 0))
    before = conclude(Observed(octets=1, addresses=addresses))
    assert {one.place for one in finding(before, Cause.REVERSED_AT_DEVICE)} == {"address 3", "address 5"}
    after = conclude(Observed(octets=1, addresses=addresses, by_hand=hand("ab-idle@3=0.25", "ab-idle@5=-0.25")))
    assert [one.place for one in finding(after, Cause.REVERSED_AT_DEVICE)] == ["address 5"]
    assert after.findings[0].cause is Cause.REVERSED_AT_DEVICE


def test_an_action_says_where_too() -> None:
    where = places((at(1), at(3, 0), at(5, 0)))
    tried = ByHand(tried=(parse_tried("swap-wires@3=same"),))
    moved = draws.load().placed(tried, None, where, PRIOR)[Cause.REVERSED_AT_DEVICE]
    # Bayes by hand: odds of 0.98 / 0.02, times (1 - 0.96) / (1 - 0.03).
    odds = 0.98 / 0.02 * 0.04 / 0.97
    assert moved[3] == pytest.approx(odds / (1 + odds))
    assert moved[5] == 0.98


@pytest.mark.parametrize("addresses", [(), (at(1), at(2))], ids=["nothing heard", "others heard"])
def test_a_device_never_heard_can_be_the_one(addresses: tuple[AtAddress, ...]) -> None:
    found = conclude(Observed(addresses=addresses, by_hand=hand("ab-idle@0=-0.25")))
    assert (found.findings[0].cause, found.findings[0].place) == (Cause.REVERSED_AT_DEVICE, "address 0")
    found = conclude(Observed(addresses=addresses, by_hand=hand("supply@9=6.5")))
    assert {one.cause for one in found.findings[:2]} == {Cause.DEVICE_RESETTING, Cause.DEVICE_SILENT}
    assert found.findings[0].place == "address 9"


def test_where_is_told_once_for_one_place_and_adds_up() -> None:
    where = places(tuple(at(address, 90) for address in (1, 2, 3)))
    moved = draws.load().placed(hand("supply@2=6.5"), None, where, PRIOR)[Cause.DEVICE_RESETTING]
    assert sum(moved.values()) == pytest.approx(1)
    assert moved[2] > 0.8 > where[Cause.DEVICE_RESETTING][2]


def test_a_short_inside_a_device_can_be_unplugged() -> None:
    where = places((at(1), at(2)))
    chance = action_chance("unplug@", 2, all_sets(), where)
    assert chance[1 + INDEX[Cause.PAIR_SHORTED]] > chance[0]


@pytest.mark.parametrize(
    ("cause", "readings"),
    [
        (Cause.HEALTHY, ("ab-ohms=61", "ab-idle=0.254", "a-idle=2.63")),
        (Cause.TERMINATOR_MISSING_ONE, ("ab-ohms=120", "ab-idle=0.484", "a-idle=2.7", "b-idle=2.2")),
        (Cause.CONDUCTOR_OPEN, ("ab-ohms=120", "ab-idle=0.484", "a-idle=2.7", "b-idle=2.2")),
    ],
)
@pytest.mark.parametrize("listened", [False, True])
def test_evidence_adds_up_over_octets_and_readings(cause: Cause, readings: tuple[str, ...], listened: bool) -> None:
    symptoms: dict[str, float | None] | None = {"load": 0.3} if listened else None
    seen = Observed(
        symptoms=symptoms,
        told={"load": ("the bus is busy", {})},
        octets=100,
        length_m=60.0,
        by_hand=hand(*readings),
    )
    belief = weigh.believe(symptoms, seen.by_hand, seen.length_m, {})
    evidence = conclude_module._evidence(cause, seen, belief, conclude_module._measured(seen, {}))
    singles = belief.probability[1 : 1 + len(model.CAUSES)]
    row = 1 + (int(singles.argmax()) if cause is Cause.HEALTHY else INDEX[cause])
    odds = (belief.log_likelihood[row] - belief.log_likelihood[0]) / math.log(10)
    assert sum(proof.weight for proof in evidence) == pytest.approx(-odds if cause is Cause.HEALTHY else odds, abs=0.15)
    assert sum(proof.text.startswith("measured: ") for proof in evidence) == len(readings)


def test_silence_speaks_against_a_sound_bus_in_the_evidence() -> None:
    found = conclude(Observed(symptoms={"load": 0.0}))
    assert max(proof.weight for proof in found.findings[0].evidence) > 5


def test_a_group_is_never_more_than_certain() -> None:
    # Without evidence the priors stand, where the marginals of all causes add up to more than 1.
    found = conclude(Observed())
    assert found.group is not None
    assert found.group.probability <= 1
    assert "more" in group_text(found)
    assert len(group_text(found)) < 300


def test_the_next_suspect_is_measured_when_the_first_one_is_done() -> None:
    where = places((at(1), at(3, 0), at(5, 0)))
    belief = weigh.believe(None, ByHand(), None, where)
    suspects = measurements.suspects(belief, where)
    assert set(suspects[:2]) == {3, 5}
    done = hand(f"ab-idle@{suspects[0]}=0.25")
    names = [choice.name for choice in measurements.choices(belief, done, None, where)]
    assert f"ab-idle@{suspects[0]}" not in names
    assert f"ab-idle@{suspects[1]}" in names


def test_readings_alone_are_not_called_answers() -> None:
    found = conclude(Observed(by_hand=hand("ab-ohms=61", "ab-idle=0.25")))
    assert found.findings[0].cause is Cause.HEALTHY
    assert "answer" not in found.findings[0].summary


def test_what_splits_the_group_comes_before_what_settles_other_causes() -> None:
    where = places((at(1), at(5, 60)))
    share = np.zeros(len(all_sets().members))
    share[0] = share[1 + INDEX[Cause.REVERSED_AT_TAP]] = 0.3
    group = (Cause.DEVICE_RESETTING, Cause.DEVICE_SLOW)
    for cause in group:
        share[1 + INDEX[cause]] = 0.2
    belief = weigh.Belief(np.zeros(len(share)), share)
    best = measurements.choices(belief, ByHand(), None, where)[0]
    assert best.name in ("ab-idle", "swap-clip")
    assert measurements.choices(belief, ByHand(), None, where, group)[0].name == "supply@5"
    same = {choice.name for choice in measurements.choices(belief, ByHand(), None, where)}
    assert {choice.name for choice in measurements.choices(belief, ByHand(), None, where, group)} == same


def test_the_place_is_found_beside_a_second_cause_too() -> None:
    # Sheet 1.8: one terminator missing doubles the idle voltage, at the reversed device as well.
    found = conclude(Observed(by_hand=hand("ab-ohms=120", "ab-idle=0.484", "ab-idle@5=-0.484")))
    assert [one.place for one in finding(found, Cause.REVERSED_AT_DEVICE)] == ["address 5"]
    assert found.group is None or Cause.HEALTHY not in found.group.causes


def test_on_a_bus_that_sounds_clean_no_action_is_suggested_or_says_anything() -> None:
    clean: dict[str, float | None] = {"load": 0.3, "damage": 0.0, "failed-exchanges": 0.0}
    tried = ByHand(tried=(parse_tried("lower-baud=same"),))
    assert np.allclose(
        weigh.believe(clean, tried, None, {}).probability, weigh.believe(clean, ByHand(), None, {}).probability
    )
    found = conclude(Observed(symptoms=clean, octets=1000, addresses=(at(1),), by_hand=hand("ab-ohms=61")))
    names = {step.name.rstrip("0123456789") for step in found.next}
    assert not names & {action.name for action in ACTIONS}
    noisy = {**clean, "damage": 0.1}
    assert not np.allclose(
        weigh.believe(noisy, tried, None, {}).probability, weigh.believe(noisy, ByHand(), None, {}).probability
    )


def test_where_nothing_was_listened_to_listening_is_suggested_and_nothing_that_needs_it() -> None:
    for readings in ((), ("ab-ohms=61", "ab-idle=0.24"), ("ab-ohms=1", "ab-idle=0")):
        found = conclude(Observed(by_hand=hand(*readings)))
        assert "listen" in found.next[-1].do
        assert len(found.next) <= 3
        names = {step.name.rstrip("0123456789") for step in found.next}
        assert not names & {action.name for action in ACTIONS}
