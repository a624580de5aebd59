"""Entries of a record as a list for spreadsheets. Importing it again changes nothing."""

from __future__ import annotations

from typing import Any

from benchtool.install.csv_map import columns_for, fields_of
from benchtool.install.csv_table import write_table
from benchtool.install.record import Record
from benchtool.install.typed import text_of


def export_table(record: Record, kind: str, separator: str = ",") -> bytes:
    """All entries of a kind, one a row, with every field as a column."""
    fields = fields_of(kind)
    rows = []
    for bus, entry in _entries(record, kind):
        cells = [text_of(slot, getattr(entry, name)) for name, slot in fields.items()]
        rows.append(([bus] if kind == "device" else []) + cells)
    return write_table(columns_for(kind), rows, separator)


def count(record: Record, kind: str) -> int:
    """How many entries of a kind there are."""
    return len(_entries(record, kind))


def _entries(record: Record, kind: str) -> list[tuple[str, Any]]:
    if kind != "device":
        return [("", entry) for entry in getattr(record, kind)]
    return [(bus.id, device) for bus in record.bus for device in bus.device]
