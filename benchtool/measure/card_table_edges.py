"""Edge lists: a line of the table is one edge (time, line, level), in numbers or in words."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from benchtool.capture.card_lines import Edge, LineRecord
from benchtool.measure.card_table_parts import (
    INVERTED,
    CardTable,
    TableKind,
    given,
    in_order,
    left_out,
    resolution,
    time_factor,
    time_first,
    widths,
)
from benchtool.measure.waveform_csv import TIME_UNITS, NumberTable, unit_factor
from benchtool.measure.waveform_record import Floats, WaveformError

_LOWS = {"0", "low", "lo", "l", "fall", "falling", "f", "down", "false", "-", "\\", "neg", "0.0"}
_HIGHS = {"1", "high", "hi", "h", "rise", "rising", "r", "up", "true", "+", "/", "pos", "1.0"}
_LINE = re.compile(r"(line|channel|ch|pin|signal|wire|input|name)\Z")
_LEVEL = re.compile(r"(level|value|state|edge|high|polarity|direction|to|new)\Z")
_BITS_ONLY = 4096


def is_edge_list(table: NumberTable, columns: Sequence[str] | None, forced: bool) -> bool:
    """Whether columns of 0 and 1 are a line and its new level (and not the levels of both lines)."""
    names = [name.strip().lower() for name in table.names]
    if forced:
        return True
    if columns is not None:
        return False
    if any(_LINE.match(name) for name in names) and any(_LEVEL.match(name) for name in names):
        return True
    if any(names) or table.values.shape[1] != 3:
        return False
    two = table.values[:_BITS_ONLY, 1:]
    if not len(two) or not np.isin(two, (0.0, 1.0)).all():
        return False
    both_low = float((two.sum(axis=1) == 0).mean())
    wrong = sum(int((np.diff(two[two[:, 0] == line, 1]) == 0).sum()) for line in (0.0, 1.0))
    # In a logic capture both lines are never low at once; in an edge list every 0 begins so.
    return both_low > 0.1 and wrong <= len(two) * 0.1


def edge_table(
    table: NumberTable, unit: float | None, columns: Sequence[str] | None, resolution_ns: int | None, where: str
) -> CardTable:
    """An edge list whose columns are all numbers."""
    names = [name.strip().lower() for name in table.names]
    if columns is not None:
        places = given(names, columns, ", ".join(table.names))
    else:
        line = next((i for i, name in enumerate(names) if _LINE.match(name)), 1)
        level = next((i for i, name in enumerate(names) if _LEVEL.match(name) and i != line), 2)
        places = time_first(table)[0], line, level
    rows = table.values[:, places]
    sound = np.isfinite(rows).all(axis=1) & np.isin(rows[:, 1:], (0.0, 1.0)).all(axis=1)
    problems = left_out(table)
    if not sound.all():
        problems.append(f"{int((~sound).sum())} lines with another line than 0 and 1 or another level were left out")
    return _edges(rows[sound], unit, ["taken as an edge list: time, line, level"], problems, resolution_ns, where)


def _edges(
    rows: Floats, unit: float | None, notes: list[str], problems: list[str], resolution_ns: int | None, where: str
) -> CardTable:
    if not len(rows):
        raise WaveformError("no edge in it: a line of an edge list is time, line (D0, D1), level (0, 1)")
    rows = rows[in_order(rows[:, 0], problems)]
    high = rows[:, 2] > 0.5
    lines = rows[:, 1].astype(np.int64)
    low = []
    levels = []
    for line in (0, 1):
        mine = lines == line
        low.append(widths(rows[mine, 0], high[mine]) if mine.sum() > 1 else np.empty(0))
        levels.append(not high[mine][0] if mine.any() else True)
    spent = rows[-1, 0] - rows[0, 0]
    turned = not any(levels) and len(rows) > 7 and float(np.concatenate(low).sum()) > 1.5 * spent
    if turned:
        notes.append(INVERTED)
        high, levels = ~high, [True, True]
        low = [widths(rows[lines == line, 0], high[lines == line]) for line in (0, 1)]
    factor = time_factor(np.concatenate(low), unit, notes)
    t_ns = [round(float(t) * factor * 1e9) for t in rows[:, 0]]
    edges = tuple(Edge(t, int(line), bool(up)) for t, line, up in zip(t_ns, lines, high, strict=True))
    fine = resolution_ns or resolution(t_ns, None)
    record = LineRecord(edges, t_ns[0], t_ns[-1], (levels[0], levels[1]), fine, where)
    return CardTable(TableKind.EDGES, record, tuple(notes), tuple(problems), turned=turned)


_CELL = re.compile(r"[, ]+")


def edges_in_words(
    path: str | Path, unit: float | None, resolution_ns: int | None, *, forced: bool
) -> CardTable | None:
    """An edge list with words in it (D0, low, rising); None where the file has none."""
    text = Path(path).read_bytes()
    if b"\x00" in text[:4096]:
        return None
    lines = text.decode("utf-8-sig", "replace").splitlines()
    head = [line for line in lines[:60] if line.strip()]
    rows = [row for row in map(_edge_words, head) if row is not None]
    if len(rows) < 1 or (len(rows) < len(head) / 2 and not forced):
        return None
    found: list[tuple[float, float, float]] = []
    bad = 0
    names: list[str] = []
    for place, line in enumerate(lines):
        row = _edge_words(line)
        if row is not None:
            found.append(row)
        elif place < 60 and not found:
            names = names or [line]
        elif line.strip() and not line.lstrip().startswith("#"):
            bad += 1
    problems = [f"{bad} lines are no edges and were left out"] if bad else []
    if unit is None and names:
        match = re.search(r"time[^,;\t]*?[\[(_ ](s|ms|us|µs|ns)\b", names[0].lower())
        unit = unit_factor(match[1], TIME_UNITS) if match else None
    return _edges(
        np.array(found), unit, ["taken as an edge list: time, line, level"], problems, resolution_ns, Path(path).name
    )


def edge_cells(line: str) -> list[str]:
    """Cells of a line in small letters. Only where ; or tab part them, a comma may be the decimal one."""
    text = line.strip().lower()
    separator = next((mark for mark in (";", "\t") if mark in text), None)
    cells = text.split(separator) if separator else _CELL.split(text)
    return [cell.strip().strip('"') for cell in cells if cell.strip()]


def level_of(word: str) -> bool | None:
    """What a word says of a level: True for high; None where it says nothing."""
    return True if word in _HIGHS else False if word in _LOWS else None


def other_names(path: str | Path) -> tuple[str, ...]:
    """Names of lines in an edge list that are not D0 and D1, in small letters; empty where it is no edge list."""
    text = Path(path).read_bytes()[:65536].decode("utf-8-sig", "replace")
    rows = [edge_cells(line) for line in text.splitlines()[1:400] if line.strip() and not line.startswith("#")]
    names, fit = set(), 0
    for cells in rows:
        words = [cell for cell in cells[1:] if re.fullmatch(r"[^\W\d_][\w +-]*", cell) and cell not in _LOWS | _HIGHS]
        if len(cells) == 3 and len(words) == 1 and any(cell in _LOWS | _HIGHS for cell in cells[1:]):
            names.add(words[0])
            fit += 1
    return tuple(sorted(names)) if rows and fit > 0.9 * len(rows) and len(names) <= 4 else ()


def _edge_words(line: str) -> tuple[float, float, float] | None:
    """Time, line, level of a line in which the line is named (D0, DATA1); None of any other."""
    cells = edge_cells(line)
    if not 3 <= len(cells) <= 4:
        return None
    named = [i for i, cell in enumerate(cells) if re.fullmatch(r"(d|data|line|ch|w)[_-]?[01]", cell)]
    levels = [i for i, cell in enumerate(cells) if cell in _LOWS | _HIGHS and i not in named and i > 0]
    if len(named) != 1 or not levels:
        return None
    try:
        time = float(cells[0].replace(",", "."))
    except ValueError:
        return None
    if not math.isfinite(time):
        return None
    return time, float(cells[named[0]][-1]), float(cells[levels[-1]] in _HIGHS)
