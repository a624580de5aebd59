"""Which fields of a record name which entries: for a new id in all of them, and for an entry that nothing names.

The ticks of the list before closing name an entry too, behind the point's own word: `serial:if-1`.
"""

from __future__ import annotations

from typing import Any

from benchtool.install.places import Path
from benchtool.install.record import Bus, Record
from benchtool.install.schema import Slot, slots_of


def named_at(record: Record, kind: str, name: str) -> list[Path]:
    """The fields that give the id of an entry of a kind (`door`, `device`)."""
    return [
        path
        for path, slot, named in naming(record)
        if kind in slot.meaning.names and (named == name or (isinstance(named, tuple) and name in named))
    ]


def ticks_of(record: Record, name: str) -> list[tuple[Path, str]]:
    """Ticks of an entry's points: where each stands, and the point's own word."""
    split = [(place, *one.item.partition(":")) for place, one in enumerate(record.tick)]
    return [(("tick", place), word) for place, word, colon, named in split if colon and named == name]


def naming(record: Record) -> list[tuple[Path, Slot, Any]]:
    """All fields that name entries, with what stands in them."""
    found: list[tuple[Path, Slot, Any]] = []
    for slot in slots_of(Record):
        if not slot.is_list:
            continue
        for place, entry in enumerate(getattr(record, slot.name)):
            paths: list[tuple[Path, Any]] = [((slot.name, place), entry)]
            if isinstance(entry, Bus):
                paths += [((slot.name, place, "device", at_place), one) for at_place, one in enumerate(entry.device)]
            for path, one in paths:
                kind: type = type(one)
                found += [
                    ((*path, field.name), field, getattr(one, field.name))
                    for field in slots_of(kind)
                    if field.meaning.names
                ]
    return found
