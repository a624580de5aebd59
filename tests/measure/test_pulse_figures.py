"""Pulses beside the published limits of sheet 6.1; statistics against Python's own."""

from __future__ import annotations

import statistics
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.frames.card.bits import Bits
from benchtool.frames.card.pulses import Burst, Odd, Oddity
from benchtool.frames.card.read import CardRead, Pulse, Source
from benchtool.measure.pulse_figures import PulseFigures, PulseTally, stats
from benchtool.measure.waveform_limits import Verdict

US, MS = 1_000, 1_000_000


def burst(
    widths: list[int], spacing: int, fine: int = 1, late: list[int] | None = None, odd: tuple[Oddity, ...] = ()
) -> Burst:
    """A frame of zeros and ones in turn."""
    late = late or [0] * len(widths)
    pulses = tuple(Pulse(i & 1, i * spacing + late[i], width) for i, width in enumerate(widths))
    read = CardRead(Bits(0, len(widths)), Source.EDGES, "", 0, pulses, fine)
    return Burst(0, pulses[-1].start_ns + widths[-1], read, odd, spacing)


def figures(*bursts: Burst) -> PulseFigures:
    tally = PulseTally()
    for one in bursts:
        tally.add(one)
    return tally.figures()


def verdicts(seen: PulseFigures) -> list[Verdict]:
    return [check.verdict for check in seen.checks]


@pytest.mark.parametrize(
    ("width", "spacing"), [(100, 1000), (50, 2000), (50, 1000), (80, 2000), (20, 1000), (100, 20_000)]
)
def test_typical_readers_pass_when_timed_exactly(width: int, spacing: int) -> None:
    # Sheet 6.1: what manuals call typical, and the limits themselves; a limit belongs to what is allowed.
    assert verdicts(figures(burst([width * US] * 26, spacing * US))) == [Verdict.PASS] * 5


def test_widths_outside_fail_and_are_counted() -> None:
    seen = figures(burst([50 * US, 19 * US, 50 * US, 101 * US], MS))
    d0, d1 = seen.checks[:2]
    assert (d0.verdict, d0.outside) == (Verdict.PASS, 0)
    assert (d1.verdict, d1.outside) == (Verdict.FAIL, 2)


def test_spacing_outside_fails() -> None:
    assert figures(burst([50 * US] * 4, 150 * US)).checks[2].verdict is Verdict.FAIL
    assert figures(burst([50 * US] * 4, 21 * MS)).checks[2].verdict is Verdict.FAIL


def test_where_the_two_ways_to_count_spacing_differ_there_is_no_verdict() -> None:
    # 250 us from start to start, 150 us from end to start: manuals do not say which is meant.
    check = figures(burst([100 * US] * 4, 250 * US)).checks[2]
    assert check.verdict is Verdict.UNKNOWN
    assert "from the end of a pulse" in check.note


@pytest.mark.parametrize(
    ("width", "fine", "expected"),
    [
        (20, 10, Verdict.UNKNOWN),
        (30, 10, Verdict.PASS),
        (10, 10, Verdict.UNKNOWN),
        (9, 10, Verdict.FAIL),
        (100, 1, Verdict.UNKNOWN),
        (99, 1, Verdict.PASS),
        (102, 1, Verdict.FAIL),
    ],
)
def test_a_coarse_record_does_not_judge_what_it_cannot_see(width: int, fine: int, expected: Verdict) -> None:
    seen = figures(burst([width * US] * 4, MS, fine * US))
    assert seen.checks[0].verdict is expected


def test_overlaps_and_lines_that_rest_low_fail() -> None:
    overlap = (Oddity(Odd.OVERLAP, None, 0, 20 * US),)
    assert verdicts(figures(burst([50 * US] * 4, MS, US, odd=overlap)))[3:] == [Verdict.FAIL, Verdict.PASS]
    brief = (Oddity(Odd.OVERLAP, None, 0, US),)
    assert verdicts(figures(burst([50 * US] * 4, MS, US, odd=brief)))[3] is Verdict.UNKNOWN
    low = (Oddity(Odd.STUCK_LOW, 0, 0, 50 * MS),)
    assert verdicts(figures(burst([50 * US] * 4, MS, US, odd=low)))[4] is Verdict.FAIL


def test_nothing_seen_is_no_pass() -> None:
    assert verdicts(figures()) == [Verdict.UNKNOWN] * 5


def test_jitter_is_of_the_rhythm_and_leaves_pauses_out() -> None:
    late = [0, 1000, 0, -1000, 0, 0]
    seen = figures(burst([50 * US] * 6, MS, late=late))
    steps = [MS + after - before for before, after in pairwise(late)]
    assert seen.jitter_peak_ns == max(steps) - min(steps)
    middle = statistics.median(steps)
    assert seen.jitter_ns == pytest.approx((sum((step - middle) ** 2 for step in steps) / len(steps)) ** 0.5)


@given(st.lists(st.integers(0, 10**9), min_size=1, max_size=50))
def test_statistics_agree_with_pythons(values: list[int]) -> None:
    found = stats(values)
    assert found is not None
    assert (found.number, found.least, found.greatest) == (len(values), min(values), max(values))
    assert found.median == statistics.median(values)
    assert found.mean == pytest.approx(statistics.fmean(values))
    deviation = statistics.stdev(values) if len(values) > 1 else 0.0
    assert found.deviation == pytest.approx(deviation, rel=1e-6, abs=1e-3)
