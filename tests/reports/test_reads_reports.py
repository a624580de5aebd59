"""Reads as text, plots and a page: what is hidden stays hidden, odd values are drawn, everything is escaped."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.capture.card_lines import LineRecord
from benchtool.diagnose.card_engine import diagnose_lines
from benchtool.diagnose.card_evidence import CardEvidence
from benchtool.frames.card.decode import decode
from benchtool.frames.card.pulses import Odd, bursts_of
from benchtool.measure.pulse_figures import PulseTally
from benchtool.reports.reads_finding import diagnosis_object, diagnosis_text
from benchtool.reports.reads_hidden import PLURALS
from benchtool.reports.reads_html import reads_html
from benchtool.reports.reads_outcome import Outcome, Taken, letter
from benchtool.reports.reads_plot import plots, write_plot
from benchtool.reports.reads_text import duration, summary_lines, taken_lines
from tests.frames.test_card_pulses import MS, US, WORKED, any_record, edges, record


def outcome_of(line: LineRecord) -> Outcome:
    """As `benchtool reads` would make it."""
    tally, outcome = PulseTally(), Outcome(timeout_ns=25 * MS)
    for burst in bursts_of(line):
        tally.add(burst)
        readings = tuple(decode(burst.read.bits)) if burst.read else ()
        number = len(outcome.reads) + 1 if burst.read else 0
        outcome.taken.append(Taken(number, "x", burst.read, burst, "A", readings))
    outcome.figures = tally.figures()
    return outcome


def text_of(outcome: Outcome, *, show: bool) -> str:
    lines = [line for one in outcome.taken for line in taken_lines(one, show=show)]
    return "\n".join([*lines, *summary_lines(outcome, show=show)])


def test_hidden_stays_hidden_in_text_page_and_pictures() -> None:
    outcome = outcome_of(record(edges(WORKED)))
    hidden = text_of(outcome, show=False) + reads_html(outcome, sources=["x"], show=False)
    for secret in (WORKED, "4095", "site 101"):
        assert secret not in hidden
    assert WORKED in text_of(outcome, show=True)
    assert "4095" in reads_html(outcome, sources=["x"], show=True)


def test_hidden_pictures_do_not_depend_on_the_order_of_the_bits() -> None:
    # The same pulses in reversed order are another card; what is drawn is the same.
    one, other = outcome_of(record(edges(WORKED))), outcome_of(record(edges(WORKED[::-1])))
    assert [plot.svg for _, plot in plots(one, show=False)] == [plot.svg for _, plot in plots(other, show=False)]
    assert [plot.svg for _, plot in plots(one, show=True)] != [plot.svg for _, plot in plots(other, show=True)]


def test_names_of_files_are_escaped() -> None:
    page = reads_html(outcome_of(record(edges(WORKED))), sources=["<script>alert(1)</script>"], show=False)
    assert "<script" not in page
    assert "&lt;script&gt;" in page


def test_page_fetches_nothing() -> None:
    page = reads_html(outcome_of(record(edges(WORKED))), sources=["x"], show=True)
    assert not re.search(r"<(script|link|iframe|img)|@import|url\((?!#)", page)


def test_wrong_is_told_by_reads_limits_and_findings() -> None:
    good = outcome_of(record(edges(WORKED)))
    assert not good.wrong
    assert outcome_of(record(edges(WORKED, 15 * US))).wrong
    assert outcome_of(record(edges(WORKED[:-1] + "0"))).wrong
    assert Outcome().wrong
    swapped = outcome_of(record([edge._replace(line=1 - edge.line) for edge in edges(WORKED)]))
    assert swapped.wrong


def test_every_kind_of_oddity_has_words() -> None:
    assert set(PLURALS) == set(Odd)


@given(any_record(), st.booleans())
def test_any_record_can_be_told(line: LineRecord, show: bool) -> None:
    assert text_of(outcome_of(line), show=show)


def test_diagnosis_reads_as_text_and_object() -> None:
    line = record([edge for edge in edges(WORKED) if edge.line])
    reads = tuple(burst.read for burst in bursts_of(line) if burst.read)
    diagnosis = diagnose_lines(CardEvidence(reads, records=(line,)))
    said = "\n".join(diagnosis_text(diagnosis))
    assert diagnosis.findings[0].cause.value in said
    assert all(len(text) <= 79 for text in diagnosis_text(diagnosis))
    made = diagnosis_object(diagnosis)
    assert made["faulty"] == diagnosis.faulty
    assert len(made["findings"]) == len(diagnosis.findings)
    outcome = replace(outcome_of(line), diagnosis=diagnosis)
    assert diagnosis.findings[0].summary.split("'")[0] in reads_html(outcome, sources=["x"], show=False)


@pytest.mark.parametrize(("number", "text"), [(0, "A"), (25, "Z"), (26, "AA"), (27, "AB"), (701, "ZZ"), (702, "AAA")])
def test_letters(number: int, text: str) -> None:
    assert letter(number) == text


@pytest.mark.parametrize(("ns", "text"), [(50_000, "50 us"), (1_020_000, "1.02 ms"), (0, "0 s")])
def test_durations(ns: int, text: str) -> None:
    assert duration(ns) == text


def test_pictures_need_an_ending_that_is_known() -> None:
    with pytest.raises(ValueError, match="neither"):
        write_plot("x.gif", Outcome(), show=False)
