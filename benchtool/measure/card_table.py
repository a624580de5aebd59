"""Tables of what D0 and D1 did: an edge list, a logic capture or a scope's record, whichever a file turns out to be.

Any separator, any names and units (waveform_csv.py); what is taken for what is said in notes, what is left out counted.
Where no unit of time is said, the one is taken in which pulses last between 4 us and 1 ms: only one can.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from benchtool.capture.card_lines import Edge, LineRecord
from benchtool.measure.card_analog import CardWaveform, LineSlices, slice_lines
from benchtool.measure.card_table_edges import (
    edge_cells,
    edge_table,
    edges_in_words,
    is_edge_list,
    level_of,
    other_names,
)
from benchtool.measure.card_table_parts import (
    INVERTED,
    CardTable,
    TableKind,
    given,
    left_out,
    resolution,
    sound_rows,
    time_factor,
    time_first,
    widths,
)
from benchtool.measure.waveform_csv import TIME_UNITS, VOLT_UNITS, NumberTable, read_table, unit_factor
from benchtool.measure.waveform_record import Floats, WaveformError

_MOST_VOLTS = 60.0
"""More is on no reader's lines."""
_D0 = re.compile(r"(.*\b)?(d|data|dat|line|ch|channel|w|digital|bit)?[ _-]*0\Z|zero\Z|.*(d|data)[ _-]?0\b.*")
_D1 = re.compile(r"(.*\b)?(d|data|dat|line|ch|channel|w|digital|bit)?[ _-]*1\Z|one\Z|.*(d|data)[ _-]?1\b.*")


def read_card_table(
    path: str | Path,
    *,
    kind: TableKind | None = None,
    time_unit: str | None = None,
    columns: Sequence[str] | None = None,
    resolution_ns: int | None = None,
) -> CardTable:
    """A table from a file. `columns`: names or numbers (from 1) of time, D0, D1 (of time, line, level in an edge list).

    WaveformError says in one line what is wrong and how to mend it; OSError where the file cannot be read.
    """
    factor = None
    if time_unit is not None:
        factor = unit_factor(time_unit, TIME_UNITS)
        if factor is None:
            raise WaveformError(f"'{time_unit}' is no time unit; write s, ms, us or ns")
    if kind in (None, TableKind.EDGES) and columns is None:
        found = edges_in_words(path, factor, resolution_ns, forced=kind is TableKind.EDGES)
        if found is not None:
            return found
        names = other_names(path)
        if len(names) == 1 or (names and not {"d0", "d1"} >= set(names)):
            raise WaveformError(f"{path}: its lines are called {' and '.join(names)}: rename them D0 and D1")
    table = _levels_in_words(path) or read_table(path)
    if not len(table.values):
        raise WaveformError(f"{path}: no lines of numbers in it")
    where = Path(path).name
    time = time_first(table)[0]
    unit = factor or unit_factor(table.units[time], TIME_UNITS) or unit_factor(table.names[time], TIME_UNITS)
    if kind is not TableKind.ANALOG and table.values.shape[1] >= 3:
        if kind in (None, TableKind.EDGES) and is_edge_list(table, columns, kind is TableKind.EDGES):
            return edge_table(table, unit, columns, resolution_ns, where)
        places = _roles(table, columns)
        lines = table.values[:, places[1:]]
        lines = lines[np.isfinite(lines).all(axis=1)]
        if kind is TableKind.LOGIC or (len(lines) and bool(np.isin(lines, (0.0, 1.0)).all())):
            return _logic(table, places, unit, resolution_ns, where)
    if table.values.shape[1] < 3:
        raise WaveformError(f"{path}: one line only; a record of both is time, D0, D1")
    if kind in (TableKind.LOGIC, TableKind.EDGES):
        raise WaveformError(f"{path}: a {kind.value} table has three columns at least: time and both lines")
    return _analog(table, _roles(table, columns), unit, where, resolution_ns)


def _roles(table: NumberTable, columns: Sequence[str] | None) -> tuple[int, int, int]:
    names = [name.strip().lower() for name in table.names]
    shown = ", ".join(name or str(i + 1) for i, name in enumerate(table.names))
    if columns is not None:
        return given(names, columns, shown)
    time = time_first(table)[0]
    others = [i for i in range(len(names)) if i != time and not _counts(table, i)]
    zeros, ones = ([i for i in others if names[i] and p.match(names[i])] for p in (_D0, _D1))
    if len(zeros) == 1 and len(ones) == 1 and zeros != ones:
        return time, zeros[0], ones[0]
    if len(others) == 2:
        return time, others[0], others[1]
    raise WaveformError(f"which columns are D0 and D1? There are {shown}: say --columns time,D0,D1 (names or numbers)")


def _counts(table: NumberTable, column: int) -> bool:
    """Whether a column only numbers the lines."""
    steps = np.diff(table.values[:, column])
    return len(steps) > 1 and bool((steps == 1).all())


def _role_notes(table: NumberTable, places: tuple[int, int, int]) -> list[str]:
    names = [table.names[i].strip() or f"column {i + 1}" for i in places]
    known = _D0.match(names[1].lower()) and _D1.match(names[2].lower()) and not names[1].startswith("column")
    return [] if known else [f"{names[0]} is taken as time, {names[1]} as D0, {names[2]} as D1"]


def _logic(
    table: NumberTable, places: tuple[int, int, int], unit: float | None, resolution_ns: int | None, where: str
) -> CardTable:
    notes, problems = _role_notes(table, places), left_out(table)
    values = sound_rows(table, places, problems, 2, "fewer than two lines of time, D0, D1")
    high = values[:, 1:] > 0.5
    turned = _both_rest_low(values[:, 0], high)
    if turned:
        notes.append(INVERTED)
        high = ~high
    time = values[:, 0]
    factor = time_factor(np.concatenate([widths(time, high[:, i]) for i in (0, 1)]), unit, notes)
    first = float(time[0])
    t_ns = np.rint((time - first) * factor * 1e9).astype(np.int64)
    begin = round(first * factor * 1e9)
    changes = np.flatnonzero((high[1:] != high[:-1]).any(axis=1)) + 1
    edges = [
        Edge(begin + int(t_ns[i]), line, bool(high[i, line]))
        for i in changes
        for line in (0, 1)
        if high[i, line] != high[i - 1, line]
    ]
    steps = np.diff(time)
    step = float(np.median(steps))
    sampled = len(changes) < len(time) / 3 and step > 0 and bool((np.abs(steps - step) < 0.02 * step).mean() > 0.98)
    holes = int((steps > 1.5 * step).sum()) if sampled else 0
    if holes:
        problems.append(f"{holes} times samples are missing")
    if not edges:
        notes.append("no level changes in the whole record")
    fine = resolution_ns or resolution([edge.t_ns for edge in edges], round(step * factor * 1e9) if sampled else None)
    levels = bool(high[0, 0]), bool(high[0, 1])
    record = LineRecord(tuple(edges), begin, begin + int(t_ns[-1]), levels, fine, where)
    return CardTable(TableKind.LOGIC, record, tuple(notes), tuple(problems), turned=turned)


def _both_rest_low(time: Floats, high: np.ndarray[tuple[int, int], np.dtype[np.bool_]]) -> bool:
    """Whether both lines are low most of the time and come up for short: lines without power do not pulse."""
    spans = np.diff(time)
    sum_s = float(spans.sum())
    if sum_s <= 0 or not (high.any()):
        return False
    lows = [float(spans[~high[:-1, line]].sum()) / sum_s for line in (0, 1)]
    return min(lows) > 0.75 and bool((np.diff(high.astype(np.int8), axis=0) != 0).sum() >= 4)


def _analog(
    table: NumberTable, places: tuple[int, int, int], unit: float | None, where: str, resolution_ns: int | None
) -> CardTable:
    notes, problems = _role_notes(table, places), left_out(table)
    too_few = "fewer than eight samples of time, D0 and D1; a record of volts is a sample a line"
    values = sound_rows(table, places, problems, 8, too_few)
    kept = np.concatenate(([True], np.diff(values[:, 0]) > 0))
    values = values[kept]
    volts = []
    for column in (1, 2):
        factor = unit_factor(table.units[places[column]], VOLT_UNITS)
        if factor is None:
            factor = 1.0
            if float(np.abs(values[:, column]).max()) > _MOST_VOLTS:
                # No figure is told: what is no volts may be a card.
                raise WaveformError(
                    "no unit is said, and volts of a reader's lines they cannot be: write it in the heading, as"
                    " D0 (mV); if each line is a card, say --kind lines"
                )
        volts.append(values[:, column] * factor)
    sliced, said = slice_lines(CardWaveform(values[:, 0], volts[0], volts[1]))
    seconds = time_factor(np.concatenate([_low_spans(one) for one in sliced]), unit, notes)
    waveform = CardWaveform(values[:, 0] * seconds, volts[0], volts[1])
    edges = sorted(
        Edge(round(float(t) * seconds * 1e9), line, bool(up))
        for line, one in enumerate(sliced)
        for t, up in zip(one.edge_s, one.rises, strict=True)
    )
    begin, end = (round(float(waveform.time_s[i]) * 1e9) for i in (0, -1))
    step = max(1, round(float(np.median(np.diff(waveform.time_s))) * 1e9))
    levels = sliced[0].high_at_begin, sliced[1].high_at_begin
    record = LineRecord(tuple(edges), begin, max(begin, end), levels, resolution_ns or step, where)
    turned = all(one.pulses_up for one in sliced)
    return CardTable(TableKind.ANALOG, record, (*notes, *said), tuple(problems), waveform, turned)


def _levels_in_words(path: str | Path) -> NumberTable | None:
    """A logic capture whose levels are words (H and L, high and low); None for any other table."""
    with Path(path).open("rb") as file:
        taste = file.read(4096).decode("utf-8-sig", "replace").splitlines()
    if not any(_word_levels(line) for line in taste):
        return None
    lines = Path(path).read_text(encoding="utf-8-sig", errors="replace").splitlines()
    rows = [_word_levels(line) for line in lines]
    found = [row for row in rows if row is not None]
    if len(found) < len(lines) / 2:
        return None
    first = next(place for place, row in enumerate(rows) if row is not None)
    names = edge_cells(lines[first - 1]) if first else []
    if len(names) != 3:
        names = ["time", "d0", "d1"]
    unit = re.search(r"[\[(_ ](s|ms|us|µs|ns)\b", names[0])
    plain = tuple(re.sub(r"[\[(].*", "", name).strip() for name in names)
    bad = sum(row is None and bool(lines[place].strip()) for place, row in enumerate(rows) if place > first)
    return NumberTable(plain, (unit[1] if unit else "", "", ""), np.array(found), bad)


def _word_levels(line: str) -> tuple[float, float, float] | None:
    cells = edge_cells(line)
    if len(cells) != 3 or cells[1].isdigit() or cells[2].isdigit():
        return None
    levels = [level_of(cell) for cell in cells[1:]]
    try:
        time = float(cells[0].replace(",", "."))
    except ValueError:
        return None
    one, other = levels
    return None if one is None or other is None else (time, float(one), float(other))


def _low_spans(sliced: LineSlices) -> Floats:
    falls, rises = sliced.edge_s[~sliced.rises], sliced.edge_s[sliced.rises]
    after = np.searchsorted(rises, falls)
    seen = after < len(rises)
    widths: Floats = rises[after[seen]] - falls[seen]
    return widths
