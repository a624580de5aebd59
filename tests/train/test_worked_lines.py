"""Worked lines: every cause can be set up, comes out the same again, and reads on a meter as the handbooks say."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.model import CAUSES, bins_of, may_meet, offsets_of
from benchtool.simulate.build import build_pair
from benchtool.train.fit import Settings, fit
from benchtool.train.gather import causes_of, draw, sample
from benchtool.train.lines import sound_line
from benchtool.train.meter import readings
from benchtool.train.sample import Sample
from benchtool.train.spoil import SPOILS, rng_for, worked_line


def test_every_cause_of_a_line_can_be_set_up() -> None:
    assert set(SPOILS) == set(CAUSES) - {Cause.NONE_OF_THESE}
    for cause in SPOILS:
        for index in range(5):
            rng = rng_for(3, index)
            sound = sound_line(rng, protocol="osdp")
            line, _ = SPOILS[cause](sound, rng)
            assert line != sound, cause
            build_pair(line)
            build_pair(worked_line((cause,), rng)[0])


def test_a_worked_line_is_the_same_whenever_it_is_drawn() -> None:
    for index in (4, 11):
        assert draw(5, index, 0.3) == draw(5, index, 0.3)
    assert draw(5, 4, 0.3) != draw(6, 4, 0.3)


def test_all_causes_come_alike_often_and_a_sound_bus_more() -> None:
    drawn = [causes_of(index, 0.3, rng_for(8, index)) for index in range(6000)]
    singles = Counter(causes[0] for causes in drawn if len(causes) == 1)
    assert set(singles) == set(CAUSES)
    assert 2.5 < drawn.count(()) / (sum(singles.values()) / len(singles)) < 5.5
    assert singles.most_common(1)[0][0] is Cause.NONE_OF_THESE
    pairs = [causes for causes in drawn if len(causes) == 2]
    assert 0.27 < len(pairs) / len(drawn) < 0.33
    assert all(may_meet(*pair) for pair in pairs)


def taken(cause: Cause | None, count: int = 40) -> list[dict[str, float]]:
    found = []
    for index in range(count):
        rng = rng_for(21, index)
        causes = () if cause is None else (cause,)
        line, address = worked_line(causes, rng)
        loop = line.line.length_m * line.line.loop_ohm_per_m
        found.append({**readings(line, causes, address, rng, scope=False), "loop": loop, "tap_m": line.tap.position_m})
    return found


def test_ohms_of_sound_lines_are_as_published() -> None:
    # Sheet 1.8: two 120 ohm terminators, the far one through the cable: 120 ∥ (120 + loop), 60 and up; here ±5 % parts.
    for one in taken(None):
        expected = 1 / (1 / 120 + 1 / (120 + one["loop"]))
        assert one["ab-ohms"] == pytest.approx(expected, rel=0.1)
        # Sheet 1.1 and 1.8: above +200 mV is healthy, less a meter error. Far from the bias, cable takes its share.
        assert one["ab-idle"] > (0.19 if one["tap_m"] == 0 else 0.03)


def test_ohms_and_volts_of_terminator_faults_are_as_published() -> None:
    # Sheet 1.8: none reads open, one 120 ohm (through the cable if it is the far one), three about 40 ohm.
    assert all(one["ab-ohms"] > 100_000 for one in taken(Cause.TERMINATOR_MISSING_BOTH))
    for one in taken(Cause.TERMINATOR_MISSING_ONE):
        assert 108 < one["ab-ohms"] < 135 + one["loop"]
    excess = [one["ab-ohms"] for one in taken(Cause.TERMINATOR_EXCESS) if one["loop"] < 10]
    assert excess
    assert all(22 < ohms < 47 for ohms in excess)
    # Sheet 1.8: one terminator missing roughly doubles the idle voltage.
    ratio = np.median([one["ab-idle"] for one in taken(Cause.TERMINATOR_MISSING_ONE)]) / np.median(
        [one["ab-idle"] for one in taken(None)]
    )
    assert 1.5 < ratio < 2.2


def test_polarity_and_bias_show_in_the_idle_voltage() -> None:
    assert all(one["ab-idle"] < (-0.19 if one["tap_m"] == 0 else -0.03) for one in taken(Cause.REVERSED_AT_TAP))
    assert all(abs(one["ab-idle"]) < 0.03 for one in taken(Cause.BIAS_MISSING))
    assert all(one["ab-idle@that"] < 0 < one["ab-idle"] for one in taken(Cause.REVERSED_AT_DEVICE))
    grounded = [one for one in taken(Cause.CONDUCTOR_TO_GROUND) if one["loop"] < 20]
    assert grounded
    assert all(min(one["a-ground-ohms"], one["b-ground-ohms"]) < 60 for one in grounded)


def test_a_sound_line_keeps_the_limits() -> None:
    for index in range(200):
        line = sound_line(rng_for(2, index))
        # Sheet 1.3: length against rate, and 1200 m.
        assert line.line.length_m <= min(1200, 1e8 / line.line.baud) + 0.1
        assert len(line.terminators) == 2
        assert {one.position_m for one in line.terminators} == {0.0, line.line.length_m}
        # Sheet 1.1: an edge takes at most 30 % of a bit.
        assert line.line.rise_ns * 1e-9 <= 0.3 / line.line.baud


def test_pairs_of_causes_are_both_set_up() -> None:
    found = sample((Cause.TERMINATOR_MISSING_BOTH, Cause.DEVICE_SILENT), rng_for(4, 1), 1, listen=True)
    assert found.readings["ab-ohms"] > 100_000
    assert found.symptoms["dead-count"] == 1


def made_up(cause: Cause | None, damage: float, index: int) -> Sample:
    causes = () if cause is None else (cause,)
    return Sample(index, causes, None, 100.0, 9600, {"damage": damage, "strays": None}, {})


def test_the_fit_learns_what_a_symptom_says_and_is_repeatable() -> None:
    rng = np.random.Generator(np.random.PCG64(1))
    samples = [made_up(None, 0.0 if rng.random() < 0.9 else 0.1, index) for index in range(100)]
    samples += [made_up(Cause.NOISE_BROADBAND, 0.1 if rng.random() < 0.9 else 0.0, index) for index in range(100)]
    one, two = (fit(samples, Settings(steps=150)) for _ in range(2))
    assert np.array_equal(one.alone, two.alone)
    row = CAUSES.index(Cause.NOISE_BROADBAND)
    columns = [offsets_of()[:-1] + bins_of({"damage": damage}) for damage in (0.0, 0.1)]
    quiet, noisy = (one.bias_alone[row] + one.alone[row, place].sum() for place in columns)
    # True log-odds are ±ln 9 = ±2.2; held back a little.
    assert 1.5 < noisy < 2.4
    assert -2.4 < quiet < -1.5
