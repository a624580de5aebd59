"""Worked lines: every cause can be set up, comes out the same again, and reads on a meter as the handbooks say."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from benchtool.capture.chunk import Chunk
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.model import CAUSES, bins_of, may_meet, offsets_of
from benchtool.simulate.build import build_pair
from benchtool.train.fit import Settings, fit
from benchtool.train.gather import causes_of, draw, joined, sample, shows
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
    # A dead bias supply and inputs beside them leave at least 375 ∥ 60 of 60: 14 % less (sheet 1.8).
    for one in taken(None):
        expected = 1 / (1 / 120 + 1 / (120 + one["loop"]))
        assert 0.80 * expected < one["ab-ohms"] < 1.08 * expected
        # From the far end it is the same, with the near terminator behind the cable.
        assert one["ab-ohms-far"] == pytest.approx(one["ab-ohms"], rel=0.2)
        # Sheet 1.1 and 1.8: above +200 mV is healthy, less a meter error. Far from the bias, cable takes its share.
        assert one["ab-idle"] > (0.19 if one["tap_m"] == 0 else 0.03)


def test_ohms_and_volts_of_terminator_faults_are_as_published() -> None:
    # Sheet 1.8: none reads open or, with all that may lie beside it, 375 ohm; one 120 ohm (through the cable if it
    # is the far one) or 90.9; three about 40 ohm.
    none = [one["ab-ohms"] for one in taken(Cause.TERMINATOR_MISSING_BOTH, 80)]
    assert min(none) > 330
    assert max(none) > 100_000
    for one in taken(Cause.TERMINATOR_MISSING_ONE):
        assert 85 < one["ab-ohms"] < 135 + one["loop"]
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


def test_grounds_swap_with_our_leads_where_the_clip_is_reversed() -> None:
    """The lead that is on the pulled-down wire reads the pull-down; the other nothing, or more."""
    sound = [one for one in taken(None) if one["b-ground-ohms"] < 10_000]
    swapped = [one for one in taken(Cause.REVERSED_AT_TAP) if one["a-ground-ohms"] < 10_000]
    assert len(sound) > 20
    assert len(swapped) > 20
    assert sum(one["b-ground-ohms"] < one["a-ground-ohms"] for one in sound) > 0.7 * len(sound)
    assert sum(one["a-ground-ohms"] < one["b-ground-ohms"] for one in swapped) > 0.7 * len(swapped)


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
    assert found.readings["ab-ohms"] > 330
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


def test_who_joins_late_hears_the_first_and_last_transmission_in_part() -> None:
    chunks = [Chunk(1000 * n, 1000 * n + 400, bytes(range(4)), bytes((0, 1, 0, 2))) for n in range(5)]
    cut = set()
    for index in range(20):
        found = list(joined(iter(chunks), rng_for(6, index)))
        assert found[1:-1] == chunks[1:-1]
        first, last = found[0], found[-1]
        assert chunks[0].octets.endswith(first.octets)
        assert chunks[-1].octets.startswith(last.octets)
        assert (first.end_ns, last.t_ns) == (chunks[0].end_ns, chunks[-1].t_ns)
        assert first.end_ns - first.t_ns == 100 * len(first.octets)
        assert len(first.marks) == len(first.octets)
        cut.add((len(first.octets), len(last.octets)))
    assert {one for one, _ in cut} == {other for _, other in cut} == {1, 2, 3, 4}
    assert list(joined(iter(()), rng_for(6, 0))) == []


def test_what_only_octets_can_show_has_to_show_there() -> None:
    assert shows((Cause.BIAS_MISSING,), {"anything-wrong": 0.0})
    assert not shows((Cause.STUB_TOO_LONG,), {"anything-wrong": 3.0})
    assert shows((Cause.STUB_TOO_LONG,), {"anything-wrong": 4.0})
    # A device whose clock is so far off that it understands nothing is as silent as any other.
    assert not shows((Cause.CLOCK_OFF,), {"anything-wrong": 90.0, "marks-framing": 0.0})
    assert shows((Cause.CLOCK_OFF,), {"anything-wrong": 90.0, "damaged-worst": 0.4})


def test_what_is_on_no_list_is_traffic_of_no_known_protocol_or_silence() -> None:
    heard = [sample((Cause.NONE_OF_THESE,), rng_for(12, index), index).symptoms for index in range(12)]
    silent = [one for one in heard if one["load"] == 0]
    talking = [one for one in heard if one["load"]]
    assert silent
    assert len(talking) > len(silent)
    # Nothing of it is a sound frame of a protocol that is known.
    assert all(one["damage"] is None or one["damage"] > 0.9 for one in talking)
