"""Whether damage keeps step with the mains: told from polling that keeps step by itself."""

from __future__ import annotations

import random

import pytest

from benchtool.measure.mains_phase import mains_phase


def polls(seconds: float, period_s: float) -> list[int]:
    return [round(index * period_s * 1e9) for index in range(int(seconds / period_s))]


@pytest.mark.parametrize("mains_hz", [50.0, 60.0, 49.95, 60.04])
def test_damage_at_the_zero_crossings_is_found(mains_hz: float) -> None:
    rng = random.Random(1)
    sound = polls(20, 0.0373)
    damaged = [round(rng.randrange(0, 20 * int(2 * mains_hz)) / (2 * mains_hz) * 1e9) for _ in range(60)]
    damaged = sorted(t + rng.randrange(600_000) for t in damaged)
    found = mains_phase(damaged, sound)
    assert found is not None
    assert found.hertz == round(mains_hz / 10) * 20
    assert found.score > 15
    assert found.resultant > 0.6


def test_random_damage_is_not() -> None:
    worst = 0.0
    for seed in range(60):
        rng = random.Random(seed)
        damaged = sorted(rng.randrange(20 * 10**9) for _ in range(40))
        found = mains_phase(damaged, polls(20, 0.0373))
        assert found is not None
        worst = max(worst, found.score)
    assert worst < 12


def test_random_damage_to_polling_in_step_with_the_mains_is_not() -> None:
    # Polled every 50 ms: every frame, damaged or not, lies at the same phase of 100 Hz.
    rng = random.Random(3)
    sound = polls(20, 0.05)
    damaged = sorted(rng.sample(sound, 40))
    found = mains_phase(damaged, sound)
    assert found is not None
    assert found.score < 8


def test_too_few_times_say_nothing() -> None:
    assert mains_phase(polls(1, 0.2), polls(10, 0.05)) is None
    assert mains_phase(polls(10, 0.05), []) is None
    late = [t + 200 * 10**9 for t in polls(10, 0.05)]
    assert mains_phase(late, polls(10, 0.05)) is None


def test_stray_octets_in_silences_need_no_sound_ones() -> None:
    rng = random.Random(4)
    stray = [round((index + rng.random() * 0.05) * 1e7) for index in range(200) if rng.random() < 0.3]
    found = mains_phase(stray, None)
    assert found is not None
    assert (found.hertz, found.score > 20) == (100.0, True)
    anywhere = mains_phase(sorted(rng.randrange(10**10) for _ in range(60)), None)
    assert anywhere is not None
    assert anywhere.score < 10
