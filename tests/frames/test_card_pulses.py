"""Levels of D0 and D1 to reads: worked frames of sheet 6.2, silences, oddities, and that no edge is lost."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.capture.card_lines import Edge, LineRecord
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.pulses import (
    FRAME_END_NS,
    GLITCH_NS,
    STUCK_NS,
    Burst,
    Odd,
    PulseReader,
    bursts_of,
    reads_of,
)
from benchtool.frames.card.read import Source

US, MS = 1_000, 1_000_000
WORKED = "00110010100001111111111111"  # sheet 6.2: site 101, number 4095


def edges(bits: str, width: int = 50 * US, spacing: int = MS, begin: int = 10 * MS) -> list[Edge]:
    """A frame as edges."""
    found = []
    for place, bit in enumerate(bits):
        at = begin + place * spacing
        found += [Edge(at, int(bit), high=False), Edge(at + width, int(bit), high=True)]
    return found


def record(found: list[Edge], end: int | None = None, resolution: int = US) -> LineRecord:
    """A record that begins at 0 with both lines high."""
    ordered = tuple(sorted(found, key=lambda edge: edge.t_ns))
    last = ordered[-1].t_ns if ordered else 0
    return LineRecord(ordered, 0, last + 100 * MS if end is None else end, (True, True), resolution, "test")


def test_worked_frame_is_read_with_its_pulses() -> None:
    (read,) = reads_of(record(edges(WORKED)), source=Source.PROBE)
    assert read.bits == Bits.of(WORKED)
    assert (read.source, read.t_ns, read.resolution_ns, read.where) == (Source.PROBE, 10 * MS, US, "test")
    assert read.pulses is not None
    assert {pulse.width_ns for pulse in read.pulses} == {50 * US}


@pytest.mark.parametrize(("width", "spacing"), [(20, 200), (100, 20_000), (50, 1000), (80, 2000), (100, 1000)])
def test_frames_at_the_published_limits_and_typical_ones_are_read(width: int, spacing: int) -> None:
    # Sheet 6.1: 20 to 100 us wide, 200 us to 20 ms apart; typical 100/1, 50/2, 80/2.
    (burst,) = bursts_of(record(edges(WORKED, width * US, spacing * US)))
    assert burst.read is not None
    assert burst.read.bits == Bits.of(WORKED)
    assert burst.oddities == ()
    assert burst.spacing_ns == spacing * US


def test_silence_ends_a_frame_and_a_shorter_one_does_not() -> None:
    second = 10 * MS + 25 * MS + FRAME_END_NS
    apart = record(edges(WORKED) + edges(WORKED, begin=second + US))
    assert [read.bits.length for read in reads_of(apart)] == [26, 26]
    together = record(edges(WORKED) + edges(WORKED, begin=second))
    assert [read.bits.length for read in reads_of(together)] == [52]
    assert [read.bits.length for read in reads_of(together, 5 * MS)] == [26, 26]


def test_glitch_is_no_bit_but_told() -> None:
    (burst,) = bursts_of(record([*edges(WORKED), Edge(10_500 * US, 0, high=False), Edge(10_503 * US, 0, high=True)]))
    assert burst.read is not None
    assert burst.read.bits == Bits.of(WORKED)
    assert [(odd.kind, odd.line, odd.duration_ns, odd.edges) for odd in burst.oddities] == [(Odd.GLITCH, 0, 3 * US, 2)]


def test_short_pulses_of_a_whole_frame_are_still_read() -> None:
    (read,) = reads_of(record(edges(WORKED, 6 * US)))
    assert read.bits == Bits.of(WORKED)


def test_ringing_after_a_pulse_belongs_to_it() -> None:
    at = 10 * MS + 50 * US
    ringing = [Edge(at + 2 * US, 0, high=False), Edge(at + 4 * US, 0, high=True)]
    (burst,) = bursts_of(record(edges(WORKED) + ringing))
    assert burst.read is not None
    assert burst.read.bits == Bits.of(WORKED)
    assert burst.read.pulses is not None
    assert burst.read.pulses[0].width_ns == 50 * US
    assert [(odd.kind, odd.edges) for odd in burst.oddities] == [(Odd.RINGING, 2)]


def test_pulse_that_is_interrupted_for_a_moment_is_one_pulse() -> None:
    cut = [Edge(10_020 * US, 0, high=True), Edge(10_022 * US, 0, high=False)]
    (burst,) = bursts_of(record(edges(WORKED) + cut))
    assert burst.read is not None
    assert burst.read.pulses is not None
    assert burst.read.bits == Bits.of(WORKED)
    assert burst.read.pulses[0].width_ns == 50 * US


def test_short_pulse_at_an_edge_of_the_other_line_is_crosstalk() -> None:
    coupled = [Edge(10_000 * US + 500, 1, high=False), Edge(10_002 * US, 1, high=True)]
    (burst,) = bursts_of(record(edges(WORKED) + coupled))
    assert burst.read is not None
    assert burst.read.bits == Bits.of(WORKED)
    assert [odd.kind for odd in burst.oddities] == [Odd.CROSSTALK]


def test_both_lines_low_at_once_is_told_and_both_are_bits() -> None:
    found = [Edge(0, 0, high=False), Edge(30 * US, 1, high=False), Edge(50 * US, 0, high=True)]
    (burst,) = bursts_of(record([*found, Edge(80 * US, 1, high=True)]))
    assert burst.read is not None
    assert burst.read.bits.text == "01"
    assert [(odd.kind, odd.duration_ns) for odd in burst.oddities] == [(Odd.OVERLAP, 20 * US)]


def test_pulses_that_did_not_come_are_counted_from_the_pauses() -> None:
    # D0 open (sheet 6.7): only the ones arrive.
    (burst,) = bursts_of(record([edge for edge in edges(WORKED) if edge.line == 1]))
    assert burst.read is not None
    assert burst.read.bits.text == "1" * WORKED.count("1")
    # The zeros before the first one and after the last cannot be known.
    assert burst.count(Odd.MISSING) == WORKED.strip("0").count("0")
    assert burst.spacing_ns == MS


def test_pulses_too_many_are_not_taken_for_the_rhythm() -> None:
    more = [edge for place in (3, 9, 17) for edge in edges(WORKED[place], 20 * US, begin=(10 + place) * MS + 120 * US)]
    (burst,) = bursts_of(record(edges(WORKED) + more))
    assert burst.read is not None
    assert burst.read.bits.length == 29
    assert burst.spacing_ns == MS
    assert burst.count(Odd.MISSING) == 0


def test_line_stuck_low_does_not_hide_the_other() -> None:
    ones = [edge for edge in edges(WORKED) if edge.line == 1]
    low = LineRecord(tuple(ones), 0, 200 * MS, (False, True), US, "test")
    bursts = bursts_of(low)
    assert [burst.read.bits.length for burst in bursts if burst.read] == [WORKED.count("1")]
    kinds = {odd.kind for burst in bursts for odd in burst.oddities}
    assert {Odd.STUCK_LOW, Odd.LOW_AT_END} <= kinds


def test_long_low_is_no_bit() -> None:
    low = [Edge(MS, 0, high=False), Edge(2 * MS + STUCK_NS, 0, high=True)]
    (burst,) = bursts_of(record(low))
    assert burst.read is None
    assert [(odd.kind, odd.edges) for odd in burst.oddities] == [(Odd.STUCK_LOW, 2)]


def test_gap_between_pieces_ends_the_frame_and_is_no_silence() -> None:
    reader = PulseReader()
    half = record(edges(WORKED)[:26], end=30 * MS)
    assert reader.feed(half) == []
    later = LineRecord(tuple(edges(WORKED)[26:]), 31 * MS, 200 * MS, (True, True), US)
    found = reader.feed(later) + reader.flush()
    assert [burst.read.bits.length for burst in found if burst.read] == [13, 13]


def test_level_that_changed_unseen_between_pieces_is_told() -> None:
    reader = PulseReader()
    reader.feed(record([Edge(MS, 0, high=False)], end=2 * MS))
    found = reader.feed(LineRecord((), 2 * MS, 90 * MS, (True, True), US)) + reader.flush()
    assert [odd.kind for burst in found for odd in burst.oddities] == [Odd.LOST_EDGE]
    assert sum(burst.edges for burst in found) == 1


@pytest.mark.parametrize("coarse", [10 * US, 20 * US])
def test_coarse_record_keeps_pulses_that_may_be_long_enough(coarse: int) -> None:
    found = [
        Edge(round(edge.t_ns / coarse) * coarse, edge.line, edge.high) for edge in edges(WORKED, 20 * US, 777 * US)
    ]
    (read,) = reads_of(record(found, resolution=coarse))
    assert read.bits == Bits.of(WORKED)


# ---- properties


times = st.lists(st.integers(0, 400 * MS), max_size=60).map(sorted)


@st.composite
def any_record(draw: st.DrawFn) -> LineRecord:
    """Edges at any times and to any levels, alternating or not, ends at any time after."""
    found = [
        Edge(t_ns, draw(st.integers(0, 1)), draw(st.booleans()))
        for t_ns in draw(st.one_of(times, st.lists(st.integers(0, 2 * MS), max_size=60).map(sorted)))
    ]
    end = (found[-1].t_ns if found else 0) + draw(st.sampled_from([0, MS, 60 * MS]))
    levels = draw(st.booleans()), draw(st.booleans())
    return LineRecord(tuple(found), 0, end, levels, draw(st.sampled_from([1, US, 10 * US, 100 * US])))


def explained(bursts: list[Burst]) -> int:
    return sum(burst.edges for burst in bursts)


@given(any_record(), st.sampled_from([MS, FRAME_END_NS]))
def test_no_edge_is_lost_without_a_trace(line: LineRecord, timeout: int) -> None:
    bursts = bursts_of(line, timeout)
    assert explained(bursts) == len(line.edges)
    for burst in bursts:
        assert burst.begin_ns <= burst.end_ns
        assert burst.read is None or len(burst.read.pulses or ()) == burst.read.bits.length


@given(any_record(), st.integers(-(10**12), 10**12))
def test_when_a_record_begins_changes_nothing(line: LineRecord, off: int) -> None:
    moved = LineRecord(
        tuple(edge._replace(t_ns=edge.t_ns + off) for edge in line.edges),
        line.begin_ns + off,
        line.end_ns + off,
        line.high_at_begin,
        line.resolution_ns,
    )
    bursts, others = bursts_of(line), bursts_of(moved)
    assert [[odd._replace(t_ns=odd.t_ns + off) for odd in burst.oddities] for burst in bursts] == [
        list(burst.oddities) for burst in others
    ]
    assert [(burst.begin_ns + off, burst.end_ns + off) for burst in bursts] == [
        (burst.begin_ns, burst.end_ns) for burst in others
    ]
    assert [burst.read and burst.read.bits for burst in bursts] == [burst.read and burst.read.bits for burst in others]


@given(any_record(), st.data())
def test_pieces_say_the_same_as_the_whole(line: LineRecord, data: st.DataObject) -> None:
    cuts = sorted({0, line.end_ns, *data.draw(st.lists(st.integers(0, line.end_ns), max_size=5))})
    reader, found = PulseReader(), []
    level = list(line.high_at_begin)
    done = 0
    for begin, end in pairwise(cuts):
        # An edge at the very end of a piece belongs to it, but for the record's own end.
        inside = [edge for edge in line.edges[done:] if edge.t_ns < end or end == line.end_ns]
        found += reader.feed(LineRecord(tuple(inside), begin, end, (level[0], level[1]), line.resolution_ns))
        for edge in inside:
            # What the reader takes for the level after an edge that leads nowhere.
            level[edge.line] = edge.high
        done += len(inside)
    found += reader.flush()
    if len(cuts) > 1:
        whole = bursts_of(line)
        assert [burst.read.bits for burst in found if burst.read] == [burst.read.bits for burst in whole if burst.read]
        assert explained(found) == len(line.edges)


@given(
    st.text("01", min_size=1, max_size=64),
    st.integers(20, 100),
    st.integers(200, 20_000),
    st.lists(st.integers(0, 9), min_size=64, max_size=64),
)
def test_any_frame_within_the_limits_comes_back(bits: str, width: int, spacing: int, late: list[int]) -> None:
    found = []
    for place, (bit, off) in enumerate(zip(bits, late, strict=False)):
        at = (5000 + place * spacing + off) * US
        found += [Edge(at, int(bit), high=False), Edge(at + width * US, int(bit), high=True)]
    (burst,) = bursts_of(record(found))
    assert burst.read is not None
    assert burst.read.bits == Bits.of(bits)
    assert not {odd.kind for odd in burst.oddities} - {Odd.MISSING}


@given(st.lists(st.tuples(st.integers(0, 30), st.integers(0, 1), st.integers(1, 3)), max_size=8))
def test_short_spikes_change_no_bit(spikes: list[tuple[int, int, int]]) -> None:
    found = edges(WORKED)
    for place, line, width in {spike[0]: spike for spike in spikes}.values():
        # Half a bit after a pulse began, far from any edge.
        at = 10 * MS + place * MS + 500 * US
        found += [Edge(at, line, high=False), Edge(at + width * US, line, high=True)]
    reads = [burst.read for burst in bursts_of(record(found)) if burst.read]
    assert [read.bits for read in reads] == [Bits.of(WORKED)]
    assert all(width * US < GLITCH_NS for _, _, width in spikes)
