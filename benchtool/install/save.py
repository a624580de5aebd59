"""A record to text, and changes to a text that leave all the rest as its writer left it, comments and order too."""

from __future__ import annotations

from typing import Any

import tomlkit
from tomlkit.items import AoT, Table

from benchtool.install.places import Path
from benchtool.install.record import Record
from benchtool.install.schema import slots_of

_HEAD = (
    "The record of an installation, for benchtool. Fields: docs/site-record.md.",
    "A field left out is not known; leave out what you do not know.",
)


def to_text(record: Record) -> str:
    """The record as a new file. Loading it gives an equal record."""
    document = tomlkit.document()
    for line in _HEAD:
        document.add(tomlkit.comment(line))
    _fill(document, record)
    return tomlkit.dumps(document)


def with_value(text: str, path: Path, value: Any) -> str:
    """The text with one field set, or taken out where `value` is None. KeyError or IndexError for no such entry."""
    document = tomlkit.parse(text)
    table: Any = document
    for part in path[:-1]:
        table = table[part]
    if value is None:
        table.remove(path[-1])
    else:
        table[path[-1]] = _plain(value)
    return tomlkit.dumps(document)


def with_entry(text: str, path: Path, entry: Any) -> str:
    """The text with an entry put at the end of a list: `("bus", 0, "device")`. KeyError for no such table above it."""
    document = tomlkit.parse(text)
    table: Any = document
    for part in path[:-1]:
        table = table[part]
    rows = table.get(path[-1])
    if rows is None:
        rows = tomlkit.aot()
        table.append(path[-1], rows)
        rows = table[path[-1]]
    rows.append(_table(entry))
    return tomlkit.dumps(document)


def _table(entry: Any) -> Table:
    table = tomlkit.table()
    _fill(table, entry)
    return table


def _fill(table: Any, entry: Any) -> None:
    kind: type = type(entry)
    slots = slots_of(kind)
    # Plain fields come first: after a table's header they would belong to that table.
    for slot in slots:
        value = getattr(entry, slot.name)
        if not slot.is_list and slot.kind in (str, bool, int, float, tuple, dict) and value != slot.default:
            table.append(slot.name, _plain(value))
    for slot in slots:
        value = getattr(entry, slot.name)
        if slot.is_list and value:
            rows: AoT = tomlkit.aot()
            for one in value:
                rows.append(_table(one))
            table.append(slot.name, rows)
        elif not slot.is_list and slot.kind not in (str, bool, int, float, tuple, dict):
            table.append(slot.name, _table(value))


def _plain(value: Any) -> Any:
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return int(value)
    if isinstance(value, tuple):
        return list(value)
    if isinstance(value, dict):
        inline = tomlkit.inline_table()
        inline.update(value)
        return inline
    return value
