"""A record to text, and changes to a text that leave all the rest as its writer left it, comments and order too."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import tomlkit

from benchtool.install.line_edit import Add, Drop, Edit, Put, by_lines
from benchtool.install.places import Path
from benchtool.install.record import Record
from benchtool.install.toml_form import fill, plain, table_of

_HEAD = (
    "The record of an installation, for benchtool. Fields: docs/site-record.md.",
    "A field left out is not known; leave out what you do not know.",
)


def to_text(record: Record) -> str:
    """The record as a new file. Loading it gives an equal record."""
    document = tomlkit.document()
    for line in _HEAD:
        document.add(tomlkit.comment(line))
    fill(document, record)
    return tomlkit.dumps(document)


def with_value(text: str, path: Path, value: Any) -> str:
    """The text with one field set, or taken out where `value` is None. KeyError or IndexError for no such entry."""
    return with_edits(text, (Put(path, value),))


def with_entry(text: str, path: Path, entry: Any) -> str:
    """The text with an entry put at the end of a list: `("bus", 0, "device")`. KeyError for no such table above it."""
    return with_edits(text, (Add(path, entry),))


def without_entry(text: str, path: Path) -> str:
    """The text without one entry of a list: `("reader", 3)`. KeyError or IndexError for no such entry."""
    return with_edits(text, (Drop(path),))


def with_edits(text: str, edits: Sequence[Edit]) -> str:
    """The text with several changes; their paths are those before any of them. KeyError or IndexError as above."""
    changed = by_lines(text, edits)
    if changed is not None:
        return changed
    document = tomlkit.parse(text)
    for edit in edits:
        _apply(document, edit)
    return tomlkit.dumps(document)


def _apply(document: Any, edit: Edit) -> None:
    table: Any = document
    for part in edit.path[:-1]:
        table = table[part]
    last = edit.path[-1]
    if isinstance(edit, Add):
        rows = table.get(last)
        if rows is None:
            rows = tomlkit.aot()
            table.append(last, rows)
            rows = table[last]
        rows.append(table_of(edit.entry))
    elif isinstance(edit, Drop):
        del table[last]
    elif edit.value is None:
        table.remove(last)
    else:
        table[last] = plain(edit.value)
