"""The factor on all weights: scores that are too sure are taken back, shy ones raised, right ones left."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.model import INDEX, all_sets
from benchtool.diagnose.priors import PAIRS, PRIORS
from benchtool.train.calibrate import as_often_as_met, best_factor
from benchtool.train.sample import Sample

NOISE = 1 + INDEX[Cause.NOISE_BROADBAND]


def drawn() -> tuple[list[Sample], list[bool]]:
    """Sound and noisy lines, and a sign that is seen on 9 of 10 noisy ones and 1 of 10 sound ones."""
    samples, seen = [], []
    for index in range(200):
        causes = (Cause.NOISE_BROADBAND,) if index % 2 else ()
        samples.append(Sample(index, causes, None, 100.0, 9600, {}, {}))
        seen.append((index // 2 % 10 == 0) != bool(index % 2))
    return samples, seen


@pytest.mark.parametrize(("too_sure", "factor"), [(1.0, 1.0), (2.0, 0.5), (0.7, 1.43)])
def test_weights_are_taken_so_that_probabilities_are_true(too_sure: float, factor: float) -> None:
    samples, seen = drawn()
    scores = np.full((len(samples), len(all_sets().members)), -60.0)  # all other causes are out of the question
    scores[:, 0] = 0.0
    # The true log-odds of a sign that is nine times commoner with the fault than without.
    scores[:, NOISE] = [too_sure * math.log(9) * (1 if sign else -1) for sign in seen]
    assert best_factor(scores, samples) == pytest.approx(factor, abs=0.06)


def test_samples_weigh_as_often_as_they_are_met() -> None:
    samples, _ = drawn()
    samples.append(Sample(1, (Cause.BIAS_MISSING, Cause.NOISE_MAINS), None, 100.0, 9600, {}, {}))
    weights = as_often_as_met(samples)
    whole = sum(PRIORS.values())
    assert weights[:-1:2].sum() == pytest.approx((1 - PAIRS) * PRIORS[Cause.HEALTHY] / whole)
    assert weights[1::2].sum() == pytest.approx((1 - PAIRS) * PRIORS[Cause.NOISE_BROADBAND] / whole)
    assert weights[-1] == pytest.approx(PAIRS)
