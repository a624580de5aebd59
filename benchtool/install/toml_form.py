"""Entries and values of a record as TOML writes them."""

from __future__ import annotations

from typing import Any

import tomlkit
from tomlkit.items import AoT, Table

from benchtool.install.schema import slots_of

PLAIN = (str, bool, int, float, tuple, dict)
"""Kinds of fields that stand on a line; the others are tables of their own."""


def table_of(entry: Any) -> Table:
    """An entry as a table, what is not known left out."""
    table = tomlkit.table()
    fill(table, entry)
    return table


def fill(table: Any, entry: Any) -> None:
    """Put the fields of an entry into a table or document."""
    kind: type = type(entry)
    slots = slots_of(kind)
    # Plain fields come first: after a table's header they would belong to that table.
    for slot in slots:
        value = getattr(entry, slot.name)
        if not slot.is_list and slot.kind in PLAIN and value != slot.default:
            table.append(slot.name, plain(value))
    for slot in slots:
        value = getattr(entry, slot.name)
        if slot.is_list and value:
            rows: AoT = tomlkit.aot()
            for one in value:
                rows.append(table_of(one))
            table.append(slot.name, rows)
        elif not slot.is_list and slot.kind not in PLAIN:
            table.append(slot.name, table_of(value))


def plain(value: Any) -> Any:
    """A value as it is written: whole numbers without a point."""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return int(value)
    if isinstance(value, tuple):
        return list(value)
    if isinstance(value, dict):
        inline = tomlkit.inline_table()
        inline.update(value)
        return inline
    return value
