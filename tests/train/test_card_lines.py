"""A small slice of the measure of the diagnosis: held-out lines, each sort of evidence."""

from __future__ import annotations

import pytest

from benchtool.diagnose.card_finding import CardCause
from benchtool.train.card_lines import TRAINING_SEED, Seen, accuracy, converted, summed_up, tapped, work

SEED = 77
"""No line was drawn from it before, and nothing was chosen by it."""


@pytest.mark.parametrize(
    ("seen", "right", "within"), [(Seen.BITS, 0.5, 0.75), (Seen.PULSES, 0.65, 0.75), (Seen.METER, 0.7, 0.8)]
)
def test_slice_of_the_accuracy_on_held_out_lines(seen: Seen, right: float, within: float) -> None:
    assert SEED != TRAINING_SEED
    figures = summed_up(accuracy(seen, 5, SEED, 3))
    assert figures["first right"] >= right
    assert figures["right or in the group named"] >= within
    assert figures["sound line called faulty"] == 0.0


def test_a_worked_line_is_settled_by_its_seed_and_a_converter_sees_bits_alone() -> None:
    line = work(CardCause.HEALTHY, SEED, 0, 3)
    assert line == work(CardCause.HEALTHY, SEED, 0, 3)
    assert [read.bits for read in converted(line)] == [read.bits for read in tapped(line)] == list(line.cards)
    assert all(read.pulses is None for read in converted(line))
