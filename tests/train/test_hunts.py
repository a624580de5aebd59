"""Scripted hunts on simulated buses end at the right cause or its group; `benchtool.train.hunts` runs more."""

from __future__ import annotations

import pytest

from benchtool.diagnose.hunt_answers import FOUND
from benchtool.simulate.faults import FAULTS
from benchtool.train.hunts import cases, hunted, sound

_MOST_ASKED = 20


@pytest.mark.parametrize("case", list(cases(1)), ids="-".join)
def test_a_hunt_on_each_fault_of_the_catalogue_ends_at_the_cause_or_its_group(case: tuple[str, str, str]) -> None:
    done = hunted(case, 1, eyes=True)
    assert done.in_group, (done.first, done.group, done.asked)
    assert len(done.asked) <= _MOST_ASKED


@pytest.mark.parametrize("case", list(sound()), ids=lambda case: case[0])
def test_a_sound_bus_is_not_called_faulty_by_somebody_who_errs(case: tuple[str, str, str]) -> None:
    done = hunted(case, 1, eyes=True, errs=True)
    assert done.right or done.probability < FOUND, (done.first, done.asked)


def test_every_fault_of_the_catalogue_is_hunted() -> None:
    assert {fault for _, fault, _ in cases(1)} == set(FAULTS)
