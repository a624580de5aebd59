"""A list's rows made into changes of a record: what would be added, what would change, what is wrong; nothing written.

An empty cell says nothing: what the record knows stays. Entries are known by their id.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchtool.install.csv_map import BUS, Column, fields_of
from benchtool.install.csv_table import Row, Table, plain
from benchtool.install.line_edit import Add, Edit, Put
from benchtool.install.places import Path
from benchtool.install.record import Record
from benchtool.install.save import with_edits
from benchtool.install.schema import Slot, slots_of
from benchtool.install.typed import TypedError, text_of, value_of
from benchtool.install.walk import at
from benchtool.install.walk_take import entries_of

_MOST_ROWS = 4
"""So many rows are named in which the same thing is wrong."""
_COMMA = re.compile(r"[+-]?\d+,\d+", re.ASCII)
_THOUSAND = re.compile(r"[+-]?[1-9]\d{0,2}\.\d{3}(?!\d)", re.ASCII)


@dataclass(frozen=True, slots=True)
class Problem:
    """What is wrong in a cell or a row."""

    row: int
    column: str
    """The heading; empty where the whole row is meant."""
    text: str

    def __str__(self) -> str:
        return f"row {self.row}, {self.column}: {self.text}" if self.column else f"row {self.row}: {self.text}"


def problem_lines(problems: Sequence[Problem]) -> list[str]:
    """What is wrong, the same thing once with its rows."""
    found: dict[tuple[str, str], list[Problem]] = {}
    for one in problems:
        found.setdefault((one.column, one.text), []).append(one)
    lines = []
    for (column, text), same in found.items():
        if len(same) == 1:
            lines.append(str(same[0]))
            continue
        rows = ", ".join(str(one.row) for one in same[:_MOST_ROWS])
        more = f" and {len(same) - _MOST_ROWS} more" if len(same) > _MOST_ROWS else ""
        lines.append(f"rows {rows}{more}{f', {column}' if column else ''}: {text}")
    return lines


@dataclass(frozen=True, slots=True)
class Change:
    """What a row changes."""

    row: int
    id: str
    path: Path
    """The entry, or the list that it is added to."""
    entry: Any
    """The entry to be added; None where one is changed."""
    values: tuple[tuple[Slot, Any, Any], ...]
    """Fields with what stands there and what will stand there."""


@dataclass(frozen=True, slots=True)
class Import:
    """What a list would do to a record."""

    changes: tuple[Change, ...]
    same: int
    """Rows that say what the record knows."""
    problems: tuple[Problem, ...]

    def text(self, text: str) -> str:
        """The record's text with it."""
        edits: list[Edit] = []
        for change in self.changes:
            if change.entry is not None:
                edits.append(Add(change.path, change.entry))
            edits += [Put((*change.path, slot.name), value) for slot, _, value in change.values if change.entry is None]
        return with_edits(text, edits) if edits else text


def plan_import(
    record: Record, kind: str, table: Table, columns: Sequence[Column], fill: Mapping[str, str] | None = None
) -> Import:
    """What the rows of a list mean for a record. `fill` gives a field, in words, where a row says nothing of it."""
    planner = _Planner(record, kind, columns, fill or {}, commas=_writes_commas(kind, table, columns))
    for row in table.rows:
        planner.row(row)
    return Import(tuple(planner.changes), planner.same, tuple(planner.problems))


def _writes_commas(kind: str, table: Table, columns: Sequence[Column]) -> bool:
    """Whether the list writes decimals with a comma anywhere: then a point may part thousands."""
    fields = fields_of(kind)
    return any(
        _COMMA.match(plain(cell)) is not None
        for row in table.rows
        for column, cell in zip(columns, row.cells, strict=False)
        if column.field in fields and fields[column.field].kind in (int, float)
    )


class _Planner:
    def __init__(
        self, record: Record, kind: str, columns: Sequence[Column], fill: Mapping[str, str], *, commas: bool
    ) -> None:
        self.record = record
        self.commas = commas
        self.kind = kind
        self.columns = columns
        self.fill = fill
        self.fields = fields_of(kind)
        self.changes: list[Change] = []
        self.problems: list[Problem] = []
        self.same = 0
        self.rows: dict[str, int] = {}
        self.there: dict[str, list[Path]] = {}
        if kind == "device":
            for place, bus in enumerate(record.bus):
                for at_place, device in enumerate(bus.device):
                    self.there.setdefault(device.id, []).append((BUS, place, "device", at_place))
        else:
            for place, entry in enumerate(getattr(record, kind)):
                self.there.setdefault(entry.id, []).append((kind, place))
        self.names = {slot.meaning.names: _names(record, slot.meaning.names) for slot in self.fields.values()}

    def problem(self, row: Row, column: str, text: str) -> None:
        self.problems.append(Problem(row.number, column, text))

    def row(self, row: Row) -> None:
        before = len(self.problems)
        cells = {
            column.field: (column.heading, cell)
            for column, cell in zip(self.columns, row.cells, strict=False)
            if column.field is not None and cell.strip()
        }
        for name, words in self.fill.items():
            cells.setdefault(name, (f"--fill {name}", words))
        if "id" not in cells or not plain(cells["id"][1]):
            self.problem(row, "", "it has no id")
            return
        name = plain(cells["id"][1])
        paths = self.there.get(name, [])
        known = at(self.record, paths[0]) if paths else None
        values: dict[str, Any] = {}
        for field, (heading, cell) in cells.items():
            if field == BUS and self.kind == "device":
                continue
            slot = self.fields[field]
            if known is not None and text_of(slot, getattr(known, field)) == plain(cell):
                continue
            try:
                values[field] = self.value(slot, plain(cell), spaced=cell.startswith("'"))
            except TypedError as error:
                self.problem(row, heading, str(error))
        if len(self.problems) > before:
            return
        if name in self.rows:
            self.problem(row, "", f"the id {name} stands in row {self.rows[name]} already")
            return
        self.rows[name] = row.number
        bus = cells.get(BUS) if self.kind == "device" else None
        if len(paths) > 1:
            self.problem(row, "", f"the record has the id {name} {len(paths)} times: mend that first")
        elif paths:
            self.change(row, name, paths[0], values, bus)
        else:
            self.add(row, name, values, bus)

    def value(self, slot: Slot, words: str, *, spaced: bool) -> Any:
        if slot.kind is str and spaced and not slot.meaning.choices:
            # Said to be text as it stands: outer spaces belong to it.
            if words.strip():
                value_of(slot, words)
            elif slot.required:
                raise TypedError("it is empty")
            return words
        if self.commas and slot.kind in (int, float) and (either := _THOUSAND.search(words)):
            bare = either[0].replace(".", "")
            comma = either[0].replace(".", ",")
            raise TypedError(
                f"{either[0]} can be read in two ways, as this list writes commas: write {bare}, or {comma}0"
            )
        value = value_of(slot, words)
        names = self.names[slot.meaning.names]
        return names.get(value.lower(), value) if isinstance(value, str) and value not in names.values() else value

    def change(self, row: Row, name: str, path: Path, values: dict[str, Any], bus: tuple[str, str] | None) -> None:
        entry = at(self.record, path)
        if bus is not None:
            here = self.record.bus[int(path[1])]
            if plain(bus[1]) not in (here.id, here.name):
                self.problem(row, bus[0], f"{name} is on {here.id}; take it out there first, if it has moved")
                return
        changed = tuple(
            (self.fields[field], getattr(entry, field), value)
            for field, value in values.items()
            if getattr(entry, field) != value
        )
        if changed:
            self.changes.append(Change(row.number, name, path, None, changed))
        else:
            self.same += 1

    def add(self, row: Row, name: str, values: dict[str, Any], bus: tuple[str, str] | None) -> None:
        missing = [field for field, slot in self.fields.items() if slot.required and field not in values]
        if missing:
            self.problem(row, "", f'new, and has no {missing[0]}: add a column, or --fill "{missing[0]}=…"')
            return
        path: Path | None = (self.kind,)
        if self.kind == "device":
            path = self.bus_path(row, name, bus)
        if path is None:
            return
        entry_class = next(slot.kind for slot in slots_of(Record) if slot.name == (BUS if len(path) > 1 else self.kind))
        if self.kind == "device":
            entry_class = next(slot.kind for slot in slots_of(entry_class) if slot.name == "device")
        entry = entry_class(**values)
        given = tuple((self.fields[field], None, value) for field, value in values.items())
        self.changes.append(Change(row.number, name, path, entry, given))

    def bus_path(self, row: Row, name: str, bus: tuple[str, str] | None) -> Path | None:
        buses = self.record.bus
        if bus is None and len(buses) == 1:
            return (BUS, 0, "device")
        if bus is None:
            mend = (
                'a column or --fill "bus=…"'
                if buses
                else "the record has none yet: import a list of --kind bus, or benchtool site walk"
            )
            self.problem(row, "", f"new, and no bus is said: {mend}")
            return None
        for place, one in enumerate(buses):
            if plain(bus[1]) in (one.id, one.name):
                return (BUS, place, "device")
        known = ", ".join(one.id for one in buses) or "none"
        self.problem(row, bus[0], f"no bus is called {plain(bus[1])!r}; there are: {known}")
        return None


def _names(record: Record, kinds: Sequence[str]) -> dict[str, str]:
    """Ids by what people call the entries, in small letters, where that is clear."""
    found: dict[str, list[str]] = {}
    for name, words in entries_of(record, *kinds):
        found.setdefault(name.lower(), []).append(name)
        if words:
            found.setdefault(words.lower(), []).append(name)
    return {words: names[0] for words, names in found.items() if len(set(names)) == 1}
