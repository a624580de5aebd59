"""The edge list: what is written comes back, whole or damaged, and only its owner may read it."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.capture.card_lines import Edge, LineRecord
from benchtool.capture.card_lines_file import (
    HEADER,
    EdgeRecorder,
    edge_lines,
    is_edge_list,
    levels_at_end,
    parse_edge_lines,
)
from benchtool.capture.problems import CaptureError


@st.composite
def pieces(draw: st.DrawFn) -> list[LineRecord]:
    """Pieces that follow each other, some with a break between them."""
    found, at, level = [], draw(st.integers(0, 10**15)), (True, True)
    for _ in range(draw(st.integers(1, 4))):
        if draw(st.booleans()):
            at, level = at + draw(st.integers(1, 10**9)), (draw(st.booleans()), draw(st.booleans()))
        begin, levels, edges = at, list(level), []
        for _ in range(draw(st.integers(0, 8))):
            at += draw(st.integers(0, 10**8))
            line = draw(st.integers(0, 1))
            levels[line] = not levels[line]
            edges.append(Edge(at, line, levels[line]))
        at += draw(st.integers(0, 10**9))
        record = LineRecord(tuple(edges), begin, at, level, draw(st.sampled_from([1, 1000])), "x")
        found.append(record)
        level = levels_at_end(record)
    return found


def joined(records: list[LineRecord]) -> list[tuple[int, int, tuple[bool, bool], tuple[Edge, ...]]]:
    """Pieces that follow without a break as one."""
    found: list[list[LineRecord]] = []
    for record in records:
        last = found[-1][-1] if found else None
        follows = last is not None and (last.end_ns, last.resolution_ns, levels_at_end(last)) == (
            record.begin_ns,
            record.resolution_ns,
            record.high_at_begin,
        )
        if follows:
            found[-1].append(record)
        else:
            found.append([record])
    return [
        (run[0].begin_ns, run[-1].end_ns, run[0].high_at_begin, tuple(edge for record in run for edge in record.edges))
        for run in found
    ]


@given(pieces())
def test_what_is_written_comes_back(records: list[LineRecord]) -> None:
    before: list[LineRecord | None] = [None, *records]
    text = HEADER + "".join(edge_lines(record, last) for record, last in zip(records, before, strict=False))
    assert is_edge_list(text)
    problems: list[str] = []
    found = list(parse_edge_lines(text.splitlines(), "x", problems))
    assert joined(found) == joined(records)
    assert problems == []


@given(pieces(), st.data())
def test_damaged_lines_are_counted_and_never_raise(records: list[LineRecord], data: st.DataObject) -> None:
    lines = (HEADER + "".join(edge_lines(record) for record in records)).splitlines()
    place = data.draw(st.integers(0, len(lines) - 1))
    lines.insert(place, data.draw(st.sampled_from(["rubbish", "12,D7,1", "1;D0;1", "12,D0"])))
    problems: list[str] = []
    list(parse_edge_lines(lines, "x", problems))
    assert any("1 lines are no edges" in problem for problem in problems)


@given(st.lists(st.text(max_size=40), max_size=20))
def test_any_text_is_survived(lines: list[str]) -> None:
    for record in parse_edge_lines(lines, "x", []):
        assert record.begin_ns <= record.end_ns


def test_edges_out_of_order_are_left_out_and_told() -> None:
    problems: list[str] = []
    (record,) = parse_edge_lines(["5,D0,0", "3,D0,1", "9,D0,1"], "x", problems)
    assert [edge.t_ns for edge in record.edges] == [5, 9]
    assert problems == ["1 edges lie before the one above them and were left out"]


def test_recorder_writes_for_its_owner_and_keeps_what_is_there(tmp_path: Path) -> None:
    path = tmp_path / "visit.csv"
    record = LineRecord((Edge(5, 0, high=False),), 0, 9, (True, True), 1000)
    with EdgeRecorder(path) as recorder:
        recorder.write(record)
        recorder.write(LineRecord((), 9, 20, (False, True), 1000))
    found = list(parse_edge_lines(path.read_text(encoding="ascii").splitlines(), "x", []))
    assert [(one.begin_ns, one.end_ns, len(one.edges)) for one in found] == [(0, 20, 1)]
    if os.name == "posix":
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    with pytest.raises(CaptureError, match="exists already"), EdgeRecorder(path):
        pass
    with EdgeRecorder(path, overwrite=True) as recorder:
        recorder.write(record)


def test_folder_that_is_not_there_is_told_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="cannot be written"), EdgeRecorder(tmp_path / "no" / "x.csv"):
        pass
