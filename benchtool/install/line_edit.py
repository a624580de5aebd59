"""Changes to a record's text line by line, so that whatever its writer put around them stays where it is.

What comes out is read again and held against what was wanted; where they differ, the caller must take another way.
"""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import tomlkit

from benchtool.install.places import Path, places_of
from benchtool.install.toml_form import plain, table_of


@dataclass(frozen=True, slots=True)
class Put:
    """Set a field; take it out where `value` is None."""

    path: Path
    value: Any


@dataclass(frozen=True, slots=True)
class Add:
    """Put an entry at the end of a list."""

    path: Path
    entry: Any


@dataclass(frozen=True, slots=True)
class Drop:
    """Take an entry out of a list."""

    path: Path


Edit = Put | Add | Drop


def by_lines(text: str, edits: Sequence[Edit]) -> str | None:
    """The changed text; None where it cannot be done so. KeyError or IndexError for what is not there.

    Paths are those of the text before any of the edits; at most one `Drop`, alone.
    """
    data = tomllib.loads(text)
    wanted = copy.deepcopy(data)
    for edit in edits:
        _change(wanted, edit)
        if isinstance(edit, Drop):
            _without_empty(wanted, edit.path)
    lines = _Lines(text, data)
    if not all(lines.plan(edit) for edit in edits):
        return None
    changed = lines.text()
    try:
        return changed if tomllib.loads(changed) == wanted else None
    except tomllib.TOMLDecodeError:
        return None


def _change(data: Any, edit: Edit) -> None:
    for part in edit.path[:-1]:
        data = data[part]
    last: Any = edit.path[-1]
    if isinstance(edit, Add):
        data.setdefault(last, []).append(table_of(edit.entry).unwrap())
    elif isinstance(edit, Drop) or edit.value is None:
        del data[last]
    else:
        value = plain(edit.value)
        data[last] = value.unwrap() if hasattr(value, "unwrap") else value


def _without_empty(data: Any, path: Path) -> None:
    """A list of tables that has become empty cannot be written, and means the same left out."""
    for part in path[:-2]:
        data = data[part]
    if not data[path[-2]]:
        del data[path[-2]]


@dataclass(slots=True)
class _Lines:
    source: str
    data: dict[str, Any]
    lines: list[str] = field(init=False)
    places: dict[Path, int] = field(init=False)
    headers: list[tuple[int, Path]] = field(init=False)
    after: dict[int, list[str]] = field(init=False, default_factory=dict)
    """New lines, by the number of the line that they come after."""

    def __post_init__(self) -> None:
        self.lines = self.source.split("\n")
        self.places = places_of(self.source)
        self.headers = sorted(
            (line, path) for path, line in self.places.items() if self.lines[line - 1].lstrip().startswith("[") and path
        )

    def plan(self, edit: Edit) -> bool:
        if isinstance(edit, Add):
            return self.add(edit)
        return self.drop(edit) if isinstance(edit, Drop) else self.put(edit)

    def text(self) -> str:
        found: list[str] = list(self.after.get(0, ()))
        for number, line in enumerate(self.lines, 1):
            if line != _GONE:
                found.append(line)
            found += self.after.get(number, ())
        return "\n".join(found)

    def put(self, edit: Put) -> bool:
        table, key = edit.path[:-1], str(edit.path[-1])
        number = self.places.get(edit.path)
        if number is None:
            if edit.value is None:
                return False
            place = self.last_key(table)
            if place is None:
                return False
            indent = self.lines[place - 1][: len(self.lines[place - 1]) - len(self.lines[place - 1].lstrip())]
            written = tomlkit.dumps({key: plain(edit.value)}).rstrip("\n")
            self.after.setdefault(place, []).append(indent + written)
            return True
        line = self.lines[number - 1]
        if line == _GONE or _one_line(line) != {key: self.at(edit.path)}:
            return False
        if edit.value is None:
            self.lines[number - 1] = _GONE
            return True
        document = tomlkit.parse(line)
        document[key] = plain(edit.value)
        self.lines[number - 1] = tomlkit.dumps(document)
        return True

    def last_key(self, table: Path) -> int | None:
        """The last line of a table that is a whole field, or its header."""
        best = self.places.get(table)
        for key, value in self.at(table).items():
            number = self.places.get((*table, key))
            if (
                number is not None
                and (best is None or number > best)
                and _one_line(self.lines[number - 1]) == {key: value}
            ):
                best = number
        return best

    def add(self, edit: Add) -> bool:
        parent = self.at(edit.path[:-1])
        count = len(parent.get(edit.path[-1], ()))
        above = (*edit.path, count - 1) if count else edit.path[:-1]
        place = self.places.get(above) if above else len(self.lines)
        if place is None:
            return False
        end = self.end_of_block(above, place) if above and count else self.end_of_own(above, place)
        name = ".".join(str(part) for part in edit.path if isinstance(part, str))
        body = tomlkit.dumps(table_of(edit.entry)).rstrip("\n").split("\n")
        if any(line.lstrip().startswith("[") for line in body):
            return False
        self.after.setdefault(end, []).extend(["", f"[[{name}]]", *body])
        return True

    def drop(self, edit: Drop) -> bool:
        place = self.places.get(edit.path)
        if place is None:
            return False
        end = self.end_of_block(edit.path, place)
        start = place - 1
        if start and not self.lines[start - 1].strip():
            start -= 1
        for number in range(start, end):
            self.lines[number] = _GONE
        return True

    def end_of_block(self, path: Path, header: int) -> int:
        """The last line of an entry, with all in it, that says something; comments before the next belong to that."""
        end = next((line for line, other in self.headers if line > header and other[: len(path)] != path), None)
        return self.last_said(header, len(self.lines) if end is None else end - 1)

    def end_of_own(self, path: Path, header: int) -> int:
        """The last line of an entry's own fields; of the whole text for the top."""
        end = next((line for line, _ in self.headers if line > header), None) if path else None
        return self.last_said(header if path else 0, len(self.lines) if end is None else end - 1)

    def last_said(self, start: int, end: int) -> int:
        while end > start and (not self.lines[end - 1].strip() or self.lines[end - 1].lstrip().startswith("#")):
            end -= 1
        return end

    def at(self, path: Path) -> Any:
        here: Any = self.data
        for part in path:
            here = here[part]
        return here


_GONE = "\n"  # no line of a text can be it


def _one_line(line: str) -> dict[str, Any] | None:
    try:
        return tomllib.loads(line)
    except tomllib.TOMLDecodeError:
        return None
