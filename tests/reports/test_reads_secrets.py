"""What is shown of hidden cards says nothing of their numbers: parity verdicts, pulses, what is odd, pictures.

The counting of bits given away is linear algebra over two elements: each parity group told is one equation of the bits.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from itertools import combinations
from math import log2

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.capture.card_lines import Edge
from benchtool.frames.card.build import build_bits
from benchtool.frames.card.decode import decode_in
from benchtool.frames.card.formats import FORMATS, CardField, CardFormat, ParityGroup, Sense, find_formats
from benchtool.frames.card.pulses import Odd, Oddity
from benchtool.frames.hidden import verdicts_told
from benchtool.measure.pulse_figures import PulseFigures
from benchtool.reports.reads_hidden import odd_objects, outside_words
from benchtool.reports.reads_html import reads_html
from benchtool.reports.reads_json import read_object, summary_object
from benchtool.reports.reads_outcome import Outcome
from benchtool.reports.reads_plot import plots
from tests.frames.test_card_pulses import MS, US, edges, record
from tests.reports.test_reads_reports import outcome_of, text_of

(ROW,) = find_formats("26-bit")
OWN = CardFormat(
    "own 26",
    26,
    (CardField("card_number", tuple(range(2, 26))),),
    (ParityGroup(1, Sense.EVEN, tuple(range(2, 20))), ParityGroup(26, Sense.ODD, tuple(range(8, 26)))),
    "invented",
)
CARDS = st.tuples(st.integers(1, 254), st.integers(0, 65535))
"""With zeros and ones in each: a line without any pulse is seen, and told."""


def rank(rows: list[int]) -> int:
    """Of equations over two elements, each a mask of bits."""
    found: list[int] = []
    for row in rows:
        for one in found:
            row = min(row, row ^ one)
        if row:
            found.append(row)
    return len(found)


def equations(row: CardFormat) -> list[int]:
    return [sum(1 << place for place in group.members) for group in row.parity]


def given_away(in_force: CardFormat, *others: CardFormat) -> int:
    """Bits of a number in the format in force that the verdicts of others on its groups tell, one by one."""
    held = equations(in_force)
    return rank(held + [mask for other in others for mask in equations(other)]) - rank(held)


def test_a_verdict_on_hidden_parity_bits_tells_nothing_of_the_number() -> None:
    """Two of 26 bits are told, but whatever the number, both stay as probable: the parity bits are hidden with it."""
    for row in FORMATS:
        number = [1 << place for place in range(1, row.length + 1) if place not in {group.bit for group in row.parity}]
        whole = len(number) + len(row.parity)
        assert rank(number + equations(row)) == whole, row.name


@pytest.mark.parametrize("length", [26, 34, 37])
def test_built_in_formats_of_one_length_give_nothing_away_beside_each_other(length: int) -> None:
    rows = [row for row in FORMATS if row.length == length]
    for one, other in combinations(rows, 2):
        assert given_away(one, other) == 0
    for value in (0, 1, (1 << length) - 1, 1 << length - 1, 0x155555555 % (1 << length)):
        readings = tuple(decode_in(rows, (value, length)))
        assert verdicts_told(readings) == (True,) * len(rows)
        assert len({reading.parity_ok for reading in readings}) == 1


def test_a_format_with_other_groups_would_give_two_bits_away() -> None:
    assert given_away(ROW, OWN) == 2
    # PASS or FAIL alone, one number in four passing: 0.81 bits.
    assert -(0.25 * log2(0.25) + 0.75 * log2(0.75)) == pytest.approx(0.811, abs=1e-3)


@given(CARDS)
def test_only_the_format_that_holds_is_told(card: tuple[int, int]) -> None:
    readings = tuple(decode_in([ROW, OWN], build_bits("26-bit", *card)))
    assert verdicts_told(readings) == (True, False)
    assert verdicts_told(()) == ()


def seen(site: int, number: int, rows: tuple[CardFormat, ...] = (ROW, OWN)) -> Outcome:
    """A reader whose D1 pulses are 3 us wider, and too short all of them."""
    bits = build_bits("26-bit", site, number).text
    found: list[Edge] = []
    for place, bit in enumerate(bits):
        width = 15 * US if bit == "0" else 18 * US
        start = (place + 1) * MS
        found += [Edge(start, int(bit), False), Edge(start + width, int(bit), True)]
    outcome = outcome_of(record(found))
    outcome.taken = [
        replace(one, readings=tuple(decode_in(rows, one.read.bits)) if one.read else ()) for one in outcome.taken
    ]
    return outcome


def shown(outcome: Outcome, *, show: bool = False) -> str:
    """All that benchtool says of it: text, JSON, page and pictures."""
    return "\n".join(
        [
            text_of(outcome, show=show),
            *(json.dumps(read_object(one, show=show)) for one in outcome.taken),
            json.dumps(summary_object(outcome, show=show)),
        ]
    )


FEW, MANY = (1, 2), (254, 65535)
"""Cards with 2 and with 23 ones before parity."""


@given(CARDS, CARDS)
def test_the_same_is_shown_of_every_card(one: tuple[int, int], other: tuple[int, int]) -> None:
    assert shown(seen(*one)) == shown(seen(*other))
    assert shown(seen(*one), show=True) != shown(seen(*other), show=True) or one == other


def test_the_same_page_and_pictures_are_shown_of_cards_with_few_and_many_ones() -> None:
    assert Counter(build_bits("26-bit", *FEW).text)["1"] + 15 < Counter(build_bits("26-bit", *MANY).text)["1"]
    few, many = seen(*FEW), seen(*MANY)
    assert reads_html(few, sources=["x"], show=False) == reads_html(many, sources=["x"], show=False)
    assert [plot.svg for _, plot in plots(few, show=False)] == [plot.svg for _, plot in plots(many, show=False)]
    assert reads_html(few, sources=["x"], show=True) != reads_html(many, sources=["x"], show=True)


def test_how_many_pulses_are_outside_is_told_in_words_that_count_none() -> None:
    figures = seen(*FEW).figures
    assert isinstance(figures, PulseFigures)
    zeros, ones, spacing = figures.checks[:3]
    assert [outside_words(check, show=False) for check in (zeros, ones, spacing)] == ["all", "all", "none"]
    assert zeros.stats is not None
    assert outside_words(zeros._replace(outside=1), show=False) == "some"
    assert outside_words(zeros, show=True) == f"{zeros.stats.number} of {zeros.stats.number}"


def test_what_is_odd_at_each_pulse_is_one_line_a_kind() -> None:
    """Ringing at each pulse, told in order with its line, is the card."""
    odd = [Oddity(Odd.RINGING, line, (1 + at) * MS, 200, 2, 1) for at, line in enumerate((1, 0, 0, 1))]
    assert [one["line"] for one in odd_objects(odd, show=True)] == [1, 0, 0, 1]
    assert odd_objects(odd, show=False) == [
        {"kind": Odd.RINGING.value, "line": None, "t_ns": None, "duration_ns": 200, "times": None}
    ]


def with_odd(site: int, number: int) -> Outcome:
    """At each pulse of D1 a crossing too many, and beside each a short one: their number is that of the ones."""
    found: list[Edge] = []
    for place, bit in enumerate(build_bits("26-bit", site, number).text):
        start, line = (place + 1) * MS, int(bit)
        found += [Edge(start, line, False), Edge(start + 50 * US, line, True)]
        if line:
            found += [Edge(start + 52 * US, 1, False), Edge(start + 53 * US, 1, True)]
            found += [Edge(start + 400 * US, 1, False), Edge(start + 402 * US, 1, True)]
            found += [Edge(start + 20 * US, 0, False), Edge(start + 21 * US, 0, True)]
    return outcome_of(record(sorted(found)))


def test_how_often_and_where_something_is_odd_is_told_of_no_hidden_card() -> None:
    few, many = with_odd(*FEW), with_odd(*MANY)
    assert few.figures is not None
    assert many.figures is not None
    assert {Odd.RINGING, Odd.GLITCH} <= set(few.figures.odd)
    assert few.figures.odd[Odd.RINGING] + 15 < many.figures.odd[Odd.RINGING]
    assert shown(few) == shown(many)
    assert shown(few, show=True) != shown(many, show=True)
    assert reads_html(few, sources=["x"], show=False) == reads_html(many, sources=["x"], show=False)
    hidden = text_of(few, show=False)
    assert "ringing" in hidden
    assert "ringing on" not in hidden
    assert "seen: crossings too many within pulses (ringing)" in hidden
    assert "ringing on D1" in text_of(few, show=True)


def with_counts(card: tuple[int, int]) -> Outcome:
    """Both lines low at once at each one, and as many pulses missing."""
    outcome = outcome_of(record(edges(build_bits("26-bit", *card).text)))
    assert outcome.figures is not None
    ones = Counter(build_bits("26-bit", *card).text)["1"]
    checks = tuple(one._replace(outside=ones) if one.stats is None else one for one in outcome.figures.checks)
    outcome.figures = replace(outcome.figures, checks=checks, odd={Odd.OVERLAP: ones, Odd.MISSING: ones})
    return outcome


def test_checks_that_only_count_are_seen_or_not() -> None:
    few, many = with_counts(FEW), with_counts(MANY)
    assert shown(few) == shown(many)
    assert shown(few, show=True) != shown(many, show=True)
    assert "seen: both lines low at once" in shown(few)
    assert reads_html(few, sources=["x"], show=False) == reads_html(many, sources=["x"], show=False)


def test_a_pause_tells_no_run_of_missing_pulses() -> None:
    (only,) = odd_objects([Oddity(Odd.MISSING, None, MS, 7 * MS, 0, 6)], show=False)
    assert only["duration_ns"] is None
    two = [Oddity(kind, None, at * MS, US) for at, kind in enumerate((Odd.RINGING, Odd.GLITCH))]
    assert odd_objects(two, show=False) == odd_objects(two[::-1], show=False)
