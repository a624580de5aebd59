"""Points of practice: a guess earns little, proof earns most, whatever else happened. The weights are judgements."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from benchtool.commands.practice_score import CAUSE, LEAST, MOST_WORK, PLACE, PROOF, Score, Work, score

CHANCE = st.floats(0, 1)


def points(probability: float, minutes: float, hunted: Work, *, before: float = 0.05, **other: int) -> Score:
    return score(
        Work(probability, minutes),
        hunted,
        before=before,
        place=None,
        hints=other.get("hints", 0),
        wrong=other.get("wrong", 0),
        gathered=minutes > 0,
    )


def test_proof_counts_from_what_was_known_before_to_what_the_hunt_found() -> None:
    hunted = Work(0.99, 20)
    assert points(0.05, 0, hunted).total == CAUSE
    assert points(0.95, 5, hunted).total == 100
    assert points(0.5, 5, hunted).total == CAUSE + (PROOF + PLACE) // 2


def test_work_beyond_that_of_the_hunt_costs_and_no_more_than_a_cap() -> None:
    assert points(0.95, 20, Work(0.99, 20)).total == 100
    assert points(0.95, 30, Work(0.99, 20)).total == 95
    assert points(0.95, 900, Work(0.99, 20)).total == 100 - MOST_WORK


def test_where_the_hunt_does_not_find_it_work_counts() -> None:
    lost = Work(0.01, 40)
    assert points(0.02, 40, lost).proof == PROOF + PLACE
    assert points(0.02, 10, lost).proof == round((PROOF + PLACE) / 4)


@given(
    CHANCE, CHANCE, CHANCE, st.floats(0, 500), st.floats(0, 100), st.integers(0, 9), st.integers(0, 2), st.booleans()
)
def test_points_stay_in_bounds_and_their_lines_add_up(
    mine: float, theirs: float, before: float, minutes: float, hunted: float, hints: int, wrong: int, place: bool
) -> None:
    found = score(
        Work(mine, minutes),
        Work(theirs, hunted),
        before=before,
        place=place,
        hints=hints,
        wrong=wrong,
        gathered=minutes > 0,
    )
    assert LEAST <= found.total <= 100
    added = sum(value or 0 for value in found.as_object().values())
    assert found.total == max(LEAST, added)
    if minutes == 0:
        assert found.total <= CAUSE + PLACE


@given(CHANCE, CHANCE, st.floats(0.1, 1))
def test_more_proof_is_never_worth_less(one: float, other: float, hunt: float) -> None:
    less, more = sorted((one, other))
    hunted = Work(hunt, 10)
    assert points(less, 5, hunted).proof <= points(more, 5, hunted).proof
