"""Spread against numpy's exact percentile of the same durations."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from benchtool.measure.spread import Spread

BOUND = 2 ** (1 / 64) - 1
"""What the module's head promises: 1.1 %."""


def spread_of(durations: list[int]) -> Spread:
    spread = Spread()
    for duration in durations:
        spread.add(duration)
    return spread


def exact(durations: list[int], share: float) -> int:
    return int(np.percentile(durations, share * 100, method="inverted_cdf"))


DURATIONS = st.lists(st.one_of(st.integers(0, 3000), st.integers(0, 10**13)), min_size=1, max_size=120)
SHARES = st.one_of(st.just(0.0), st.just(0.5), st.just(0.99), st.just(1.0), st.integers(1, 63).map(lambda n: n / 64))


@given(DURATIONS, SHARES)
@example([100], 0.5)
@example([93, 93], 0.5)
@example([2**40], 0.99)
@example([0, 1], 0.5)
def test_percentiles_lie_within_the_bound_of_the_exact_ones(durations: list[int], share: float) -> None:
    found = spread_of(durations).percentile(share)
    assert found == pytest.approx(exact(durations, share), rel=BOUND)


@given(DURATIONS)
def test_least_greatest_and_count_are_exact(durations: list[int]) -> None:
    figures = spread_of(durations).figures()
    assert (figures.count, figures.least_ns, figures.greatest_ns) == (len(durations), min(durations), max(durations))
    assert figures.least_ns is not None
    assert figures.median_ns is not None
    assert figures.p99_ns is not None
    assert figures.greatest_ns is not None
    assert figures.least_ns <= figures.median_ns <= figures.p99_ns <= figures.greatest_ns


def test_the_99th_of_any_hundreds_is_the_right_one_in_spite_of_binary_fractions() -> None:
    for hundreds in range(1, 40):
        count = 100 * hundreds
        spread = Spread()
        for number in range(count):
            spread.add(1_000 if number < count * 99 // 100 else 9_000)
        assert spread.percentile(0.99) == pytest.approx(1_000, rel=BOUND)
    # 0.07 * 100 is 7.000000000000001 in binary fractions
    assert spread_of([1_000] * 7 + [9_000] * 93).percentile(0.07) == pytest.approx(1_000, rel=BOUND)


def test_latencies_of_a_hand_computed_example() -> None:
    # 100 latencies of 2.01 ms … 3.00 ms in steps of 10 us: the 50th is 2.50 ms, the 99th 2.99 ms
    latencies = [2_000_000 + 10_000 * step for step in range(1, 101)]
    random.Random(4).shuffle(latencies)
    figures = spread_of(latencies).figures()
    assert figures.least_ns == 2_010_000
    assert figures.median_ns == pytest.approx(2_500_000, rel=BOUND)
    assert figures.p99_ns == pytest.approx(2_990_000, rel=BOUND)
    assert figures.greatest_ns == 3_000_000


def test_nothing_counted_has_no_figures() -> None:
    assert Spread().percentile(0.5) is None
    figures = Spread().figures()
    assert (figures.count, figures.least_ns, figures.median_ns, figures.p99_ns, figures.greatest_ns) == (0, *[None] * 4)


def test_a_negative_duration_counts_as_none_at_all() -> None:
    figures = spread_of([-5, 40]).figures()
    assert (figures.count, figures.least_ns, figures.greatest_ns) == (2, 0, 40)
    assert spread_of([-5]).percentile(1.0) == 0


def test_memory_is_bounded_whatever_is_counted() -> None:
    spread = Spread()
    for exponent in range(63):
        for part in range(200):
            spread.add((1 << exponent) + part * (1 << exponent) // 200)
    assert spread.count == 63 * 200
    # 64 bins an octave, 63 octaves, and one for zero
    assert len(spread._bins) <= 64 * 63 + 1
