"""Scripted hunts on simulated buses end at the right cause or its group; `python -m benchtool.train.hunts` runs all."""

from __future__ import annotations

import pytest

from benchtool.simulate.faults import FAULTS
from benchtool.train.hunts import cases, hunted


@pytest.mark.parametrize(
    "case",
    [
        ("demo", "pair-reversed-at-device", "5"),
        ("demo", "pair-shorted", "2"),
        ("demo", "terminator-missing-one", ""),
        ("demo", "address-duplicate", "5"),
        ("demo", "device-silent", "4"),
        ("demo", "noise-impulsive", ""),
    ],
    ids=lambda case: case[1],
)
def test_hunt_ends_at_the_cause(case: tuple[str, str, str]) -> None:
    done = hunted(case, 1, eyes=True)
    assert done.right, (done.first, done.group, done.asked)
    assert len(done.asked) <= 20


def test_every_fault_of_the_catalogue_is_hunted() -> None:
    assert {fault for _, fault, _ in cases(1)} == set(FAULTS)
