"""Sets of causes, weights that add up, groups that cannot be told apart, and the next measurement."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.diagnose import draws, measurements, model, weigh
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.model import CAUSES, INDEX, all_sets
from benchtool.diagnose.priors import EXCLUSIVE, PAIRS, PRIORS
from benchtool.diagnose.readings import ACTIONS, METER, ByHand, Reading, Tried, kind_of
from benchtool.diagnose.symptoms import SYMPTOMS
from benchtool.diagnose.weigh import SUREST, Belief, believe, entropy, levelled, normalised

AT = {cause: {5: 0.9, 7: 0.1} for cause in CAUSES}


def test_sets_hold_every_cause_alone_and_every_pair_that_can_meet() -> None:
    sets = all_sets()
    assert sets.members[0] == ()
    assert {row for row in sets.members if len(row) == 1} == {(cause,) for cause in CAUSES}
    pairs = [set(row) for row in sets.members if len(row) == 2]
    assert not any(pair <= group for pair in pairs for group in EXCLUSIVE)
    assert {Cause.TERMINATOR_MISSING_ONE, Cause.DEVICE_SILENT} in pairs
    assert set(PRIORS) == set(Cause)
    chances = np.exp(sets.log_prior)
    assert chances.sum() == pytest.approx(1)
    assert chances[sets.size == 2].sum() == pytest.approx(PAIRS)


def some_symptoms(rng: np.random.Generator) -> dict[str, float | None]:
    return {
        one.name: None if rng.random() < 0.2 else float(rng.choice([*one.edges, one.edges[0] - 1, one.edges[-1] + 1]))
        for one in SYMPTOMS
    }


def test_the_weights_shown_add_up_to_the_score() -> None:
    rng = np.random.Generator(np.random.PCG64(5))
    tables = model.load()
    for _ in range(20):
        values = some_symptoms(rng)
        scores = tables.scores(values)
        for cause in CAUSES:
            assert sum(tables.weights(values, cause).values()) == pytest.approx(scores[1 + INDEX[cause]], abs=1e-6)
        assert scores[0] == 0


def test_probabilities_add_up() -> None:
    belief = believe(None, ByHand((Reading("ab-ohms", 118.0),)), None, {})
    assert belief.probability.sum() == pytest.approx(1)
    present = belief.present()
    sets = all_sets()
    for cause in CAUSES:
        share = belief.probability[sets.holds[:, INDEX[cause]]].sum()
        assert present[cause] == pytest.approx(share)


def test_without_any_evidence_the_priors_stand() -> None:
    belief = believe(None, ByHand(), None, {})
    assert np.allclose(belief.probability, np.exp(all_sets().log_prior))


@pytest.mark.parametrize(
    ("ohms", "volts", "cause"),
    [
        # Sheet 1.8: readings of a multimeter; idle volts from sheet 1.7's table for 560 ohm bias at 5 V.
        (61, 0.254, Cause.HEALTHY),
        (1e6, 3.0, Cause.TERMINATOR_MISSING_BOTH),
        (40, 0.172, Cause.TERMINATOR_EXCESS),
        (61, -0.254, Cause.REVERSED_AT_TAP),
        (61, 0.0, Cause.BIAS_MISSING),
        (1.5, 0.01, Cause.PAIR_SHORTED),
        (60, 0.03, Cause.BIAS_WEAK),
        # Sheet 1.8: a bias whose dead supply is a short, or 32 unit loads, join the wires of a dead bus.
        (56.9, 0.254, Cause.HEALTHY),
        (1120, 2.9, Cause.TERMINATOR_MISSING_BOTH),
        (375, 2.9, Cause.TERMINATOR_MISSING_BOTH),
    ],
)
def test_published_meter_readings_alone_find_the_cause(ohms: float, volts: float, cause: Cause) -> None:
    hand = ByHand((Reading("ab-ohms", ohms), Reading("ab-idle", volts)))
    present = believe(None, hand, 60.0, {}).present()
    assert max(present, key=lambda one: present[one]) is cause


def test_one_terminator_missing_and_a_wire_open_before_it_read_alike_and_are_a_group() -> None:
    # Sheet 1.8: 120 ohm, and the idle voltage of 560 ohm bias doubles from 254 to 484 mV, either way.
    belief = believe(None, ByHand((Reading("ab-ohms", 120.0), Reading("ab-idle", 0.484))), 60.0, {})
    present = belief.present()
    leader, second = sorted(present, key=lambda one: -present[one])[:2]
    assert {leader, second} == {Cause.TERMINATOR_MISSING_ONE, Cause.CONDUCTOR_OPEN}
    assert second in belief.group(leader)
    assert max(levelled(belief, present)[0].values()) <= SUREST + 0.01


def test_cable_resistance_is_allowed_for() -> None:
    # Sheet 1.8: 1000 m of AWG 24 with both terminators reads 84.7 ohm: not a missing one.
    hand = ByHand((Reading("ab-ohms", 84.7), Reading("ab-idle", 0.3)))
    long = believe(None, hand, 1000.0, {}).present()
    assert long[Cause.HEALTHY] > 0.3
    assert long[Cause.TERMINATOR_MISSING_ONE] < 0.05
    short = believe(None, hand, 20.0, {}).present()
    assert short[Cause.HEALTHY] < long[Cause.HEALTHY]


def test_two_causes_are_found_from_two_readings() -> None:
    hand = ByHand((Reading("ab-idle", -0.172), Reading("ab-ohms", 40.0)))
    belief = believe(None, hand, 50.0, {})
    present = belief.present()
    leaders = sorted(present, key=lambda one: -present[one])[:2]
    assert set(leaders) == {Cause.REVERSED_AT_TAP, Cause.TERMINATOR_EXCESS}
    assert belief.two() > 0.6
    partner = belief.partner(Cause.REVERSED_AT_TAP)
    assert partner is not None
    assert partner[0] is Cause.TERMINATOR_EXCESS


@given(st.lists(st.floats(-8, 8), min_size=len(CAUSES), max_size=len(CAUSES)))
@settings(max_examples=50)
def test_nobody_is_surer_than_allowed_among_what_cannot_be_told_apart(scores: list[float]) -> None:
    logs = model.set_scores(np.round(np.array(scores)), np.zeros(len(CAUSES)) - 3, all_sets())
    belief = Belief(logs, normalised(logs + all_sets().log_prior))
    shown, group = levelled(belief, belief.present())
    assert sum(shown.values()) == pytest.approx(sum(belief.present().values()))
    leader = max(belief.present(), key=lambda one: belief.present()[one])
    others = belief.group(leader)
    assert leader not in others
    if others:
        assert group == (leader, *others)
        assert shown[leader] <= SUREST * (shown[leader] + sum(shown[one] for one in others)) + 1e-9


def test_what_cannot_be_told_apart_beside_a_second_cause_is_a_group() -> None:
    # A reversed clip is certain; whether one terminator is missing or a wire is open reads alike (sheet 1.8).
    sets = all_sets()
    logs = np.full(len(sets.members), -30.0)
    alike = (Cause.TERMINATOR_MISSING_ONE, Cause.CONDUCTOR_OPEN)
    for cause, score in zip(alike, (0.5, 0.0), strict=True):
        logs[sets.index((Cause.REVERSED_AT_TAP, cause))] = score
    belief = Belief(logs, normalised(logs + sets.log_prior + 0.4 * sets.holds[:, INDEX[alike[0]]]))
    shown, group = levelled(belief, belief.present())
    assert belief.group(Cause.REVERSED_AT_TAP) == ()
    assert group == alike
    assert shown[Cause.REVERSED_AT_TAP] > 0.99
    assert shown[alike[0]] == pytest.approx(0.6, abs=0.01)
    assert shown[alike[1]] == pytest.approx(0.4, abs=0.01)


@pytest.mark.parametrize("kind", METER, ids=lambda kind: kind.name)
def test_results_of_a_measurement_are_probabilities(kind: object) -> None:
    known = next(one for one in METER if one is kind)
    belief = believe(None, ByHand(), None, {})
    table = draws.load().outcomes(known, 5 if known.at_device else None, None, AT, belief.probability)
    assert table is not None
    assert np.allclose(table.sum(axis=1), 1)
    assert (table > 0).all()


def test_information_gain_is_never_negative_and_never_more_than_there_is() -> None:
    belief = believe(None, ByHand(), None, AT)
    found = measurements.choices(belief, ByHand(), None, AT)
    assert len(found) == len(METER) + len(ACTIONS)
    for choice in found:
        assert -1e-9 <= choice.gain_bits <= belief.bits()
    assert [choice.worth for choice in found] == sorted((choice.worth for choice in found), reverse=True)


def test_the_gain_is_what_the_fall_of_the_entropy_is_on_average() -> None:
    # Two equal causes and a test that is right 9 times of 10: 1 - H(0.9) = 0.531 bits (textbook).
    table = np.array([[0.9, 0.1], [0.1, 0.9]])
    before = np.array([0.5, 0.5])
    assert entropy(before) == pytest.approx(1)
    assert 1 - measurements._expected(before, table) == pytest.approx(0.531, abs=1e-3)


def test_what_is_done_is_not_suggested_again() -> None:
    hand = ByHand((Reading("ab-ohms", 60.0),), (Tried("swap-clip", False),))
    belief = believe(None, hand, None, AT)
    names = [choice.name for choice in measurements.choices(belief, hand, None, AT)]
    assert "ab-ohms" not in names
    assert "swap-clip" not in names
    assert "ab-idle@5" in names


def test_with_the_power_off_already_other_ohms_take_no_time() -> None:
    hand = ByHand((Reading("ab-ohms", 60.0),))
    belief = believe(None, hand, None, AT)
    ohms = [one for one in measurements.choices(belief, hand, None, AT) if one.name.endswith("ground-ohms")]
    assert {one.minutes for one in ohms} == {1.0}


def test_swapping_the_clip_settles_a_reversed_clip() -> None:
    before = believe(None, ByHand((Reading("ab-idle", -0.25),)), None, AT).present()[Cause.REVERSED_AT_TAP]
    hand = ByHand((Reading("ab-idle", -0.25),), (Tried("swap-clip", True),))
    assert believe(None, hand, None, AT).present()[Cause.REVERSED_AT_TAP] > before
    hand = ByHand((Reading("ab-idle", -0.25),), (Tried("swap-clip", False),))
    assert believe(None, hand, None, AT).present()[Cause.REVERSED_AT_TAP] < before


def test_a_reading_of_the_suspected_device_tells_reversed_from_silent() -> None:
    at = {cause: {5: 0.98} for cause in (Cause.DEVICE_SILENT, Cause.REVERSED_AT_DEVICE)}
    present = believe(None, ByHand((Reading("ab-idle@", -0.25, 5),)), 50.0, at).present()
    assert max(present, key=lambda one: present[one]) is Cause.REVERSED_AT_DEVICE


def test_what_a_result_would_mean_is_said_in_ranges() -> None:
    belief = believe(None, ByHand(), 30.0, {})
    lines = measurements.meanings(kind_of("ab-ohms"), None, belief.present(), 30.0, {})
    # Sheet 1.8: one terminator reads 120 ohm, down to 90.9 with all that may lie beside it; none 375 ohm or more.
    one = next(line for line in lines if "terminator-missing-one" in line)
    low, high = (float(part) for part in one.split(" ohm")[0].split(" to "))
    assert 90 < low < 115
    assert 115 < high < 130
    none = next(line for line in lines if "terminator-missing-both" in line)
    assert none.split(" ohm")[1].startswith(" or more")
    assert float(none.split(" ohm")[0]) > 375


@pytest.mark.parametrize("ohms", [375.0, 1120.0, 3000.0, 24_000.0])
def test_ohms_alone_find_missing_terminators_whatever_else_joins_a_dead_pair(ohms: float) -> None:
    before = believe(None, ByHand(), None, {}).present()[Cause.TERMINATOR_MISSING_BOTH]
    after = believe(None, ByHand((Reading("ab-ohms", ohms),)), None, {}).present()[Cause.TERMINATOR_MISSING_BOTH]
    assert after > 5 * before


def test_a_shield_that_is_not_joined_to_the_bias_does_not_make_a_bias_missing() -> None:
    # Sheet 1.8: each line to the shield 100 kilohm or more is sound; sheet 1.7: 254 mV is a sound bias.
    readings = (Reading("ab-ohms", 61.0), Reading("ab-idle", 0.254))
    to_shield = (Reading("a-ground-ohms", 1e6), Reading("b-ground-ohms", 1e6))
    present = believe(None, ByHand((*readings, *to_shield)), 60.0, {}).present()
    assert max(present, key=lambda one: present[one]) is Cause.HEALTHY
    assert present[Cause.BIAS_MISSING] < 0.1


@pytest.mark.parametrize(("length_m", "baud", "sign"), [(900.0, 230_400, 1), (600.0, 230_400, 0), (900.0, 9600, -1)])
def test_a_pair_beyond_the_rule_speaks_for_too_long_a_line(length_m: float, baud: int, sign: int) -> None:
    # Sheet 1.3: metres times bit/s at most 1e8, so 434 m at 230400 and 10 km at 9600.
    by_length = weigh.by_length(length_m, baud)
    assert np.sign(by_length[all_sets().index((Cause.LINE_TOO_LONG,))]) == sign
    assert by_length[0] == by_length[all_sets().index((Cause.BIAS_MISSING,))] == 0
    before = believe(None, ByHand(), length_m, {}).present()[Cause.LINE_TOO_LONG]
    after = believe(None, ByHand(), length_m, {}, baud).present()[Cause.LINE_TOO_LONG]
    assert np.sign(round(after - before, 9)) == sign


def test_of_a_length_without_a_rate_nothing_follows() -> None:
    assert not weigh.by_length(900.0, None).any()
    assert not weigh.by_length(None, 230_400).any()


def test_one_slip_does_not_hide_what_all_other_readings_say() -> None:
    sound = (Reading("ab-ohms-far", 120.0), Reading("ab-idle", 0.48), Reading("a-idle", 2.74), Reading("b-idle", 2.26))
    right = believe(None, ByHand((*sound, Reading("ab-ohms", 120.0))), 60.0, {}).present()
    slipped = believe(None, ByHand((*sound, Reading("ab-ohms", 12_000.0))), 60.0, {}).present()
    # An open wire of the trunk leaves one terminator at each end too.
    one_left = (Cause.TERMINATOR_MISSING_ONE, Cause.CONDUCTOR_OPEN)
    assert sum(right[cause] for cause in one_left) > 0.8
    assert sum(slipped[cause] for cause in one_left) > slipped[Cause.HEALTHY]


@pytest.mark.parametrize("each_ohm", [37_000.0, 75_000.0, 150_000.0])
def test_receivers_of_small_load_are_no_bias(each_ohm: float) -> None:
    """An eighth of a unit load is 96 kilohm (sheet 1.2); off, an input reads above its load (sheet 1.8).

    A pull resistor is far below: 4.7 kilohm is the greatest of the published examples with terminators (sheet 1.7).
    """
    hand = ByHand(
        (
            Reading("ab-idle", 0.02),
            Reading("ab-ohms", 61.0),
            Reading("a-ground-ohms", each_ohm),
            Reading("b-ground-ohms", each_ohm),
        )
    )
    present = believe(None, hand, None, {}).present()
    assert present[Cause.BIAS_MISSING] > 0.8
    assert present[Cause.BIAS_WEAK] < 0.1
