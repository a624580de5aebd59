"""A record's text to a record. Whatever is wrong is told with its line and field, all at once.

What an entry may hold is in `record.py`; whether entries fit each other is for the checks.
"""

from __future__ import annotations

import datetime
import difflib
import math
import tomllib
import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from benchtool.install.broken import slip
from benchtool.install.places import Path, line_of, places_of, words_of
from benchtool.install.record import SCHEMA, Record
from benchtool.install.schema import Slot, slots_of


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong with a record's text."""

    line: int | None
    field: str
    text: str

    def __str__(self) -> str:
        place = f"line {self.line}: " if self.line is not None else ""
        return f"{place}{self.field}: {self.text}" if self.field else place + self.text


class RecordError(ValueError):
    """The text is no record."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        super().__init__("\n".join(map(str, faults)))
        self.faults = faults
        """At least one, in the order of the text."""


@dataclass(frozen=True, slots=True)
class Loaded:
    """A record, and where in its text everything stands."""

    record: Record
    places: dict[Path, int]

    def line(self, *path: str | int) -> int | None:
        """The line of an entry or a field."""
        return line_of(self.places, path)


def load(text: str) -> Loaded:
    """Read a record. RecordError tells every fault found."""
    try:
        # With its last line ended, the parser says the line of what is wrong in it, rather than the end of the file.
        data = tomllib.loads(text if text.endswith("\n") else f"{text}\n")
    except (ValueError, RecursionError) as error:
        # Besides what is no TOML: whole numbers of thousands of digits, and lists in lists without end.
        raise RecordError((Fault(*slip(text, str(error))),)) from None
    places = places_of(text)
    schema = data.get("schema")
    if schema != SCHEMA:
        said = "it has none" if schema is None else f"this one says {_shown(schema)}"
        fault = Fault(line_of(places, ("schema",)), "schema", f"{SCHEMA} is the version known here; {said}")
        raise RecordError((fault,))
    reader = _Reader(places)
    record = reader.entry(Record, data, ())
    if reader.faults:
        raise RecordError(tuple(sorted(reader.faults, key=lambda fault: fault.line or 0)))
    assert isinstance(record, Record)
    return Loaded(record, places)


class _Reader:
    def __init__(self, places: dict[Path, int]) -> None:
        self.places = places
        self.faults: list[Fault] = []

    def fault(self, path: Path, text: str) -> None:
        # A list has no line of its own: that of its first entry.
        inside = [] if path in self.places else [at for one, at in self.places.items() if one[: len(path)] == path]
        line = min(inside, default=line_of(self.places, path))
        self.faults.append(Fault(line, words_of(path), text))

    def entry(self, kind: type, data: object, path: Path) -> Any:
        """An entry of a kind; None where it is faulty, and then the faults are told."""
        if not isinstance(data, dict):
            self.fault(path, f"a table is wanted, not {_shown(data)}")
            return None
        before = len(self.faults)
        slots = {slot.name: slot for slot in slots_of(kind)}
        for name in data.keys() - slots.keys():
            near = difflib.get_close_matches(name, slots, 1)
            mend = f"did you mean {near[0]!r}?" if near else f"known are: {', '.join(slots)}"
            if not near and name in _fields_of_lists():
                mend += "; or the head of its own entry, as [[bus]], is missing above it"
            self.fault((*path, name), f"nothing is called so here; {mend}")
        values: dict[str, Any] = {}
        for name, slot in slots.items():
            if name in data:
                values[name] = self.value(slot, data[name], (*path, name))
            elif slot.required:
                self.fault((*path, name), f"missing: {slot.meaning.text}")
        return kind(**values) if len(self.faults) == before else None

    def value(self, slot: Slot, value: object, path: Path) -> Any:
        if slot.is_list:
            if not isinstance(value, list):
                head = f"[[{'.'.join(p for p in path if isinstance(p, str))}]]"
                inside = [line for place, line in self.places.items() if place[: len(path)] == path]
                above = " above this line" if path not in self.places and inside else ""
                line = min(inside, default=line_of(self.places, path))
                self.faults.append(Fault(line, words_of(path), f"a list is wanted: write {head}{above}"))
                return None
            return tuple(self.entry(slot.kind, one, (*path, place)) for place, one in enumerate(value))
        if slot.kind is tuple:
            if isinstance(value, list) and all(isinstance(one, str) for one in value):
                return tuple(value)
            self.fault(path, 'a list of words is wanted, as ["one", "two"]')
            return None
        if slot.kind is dict:
            if isinstance(value, dict) and all(isinstance(one, str) for one in value.values()):
                return dict(value)
            self.fault(path, 'pairs of words are wanted, as { "D0" = "green" }')
            return None
        if slot.kind in (str, bool, int, float):
            return self.plain(slot, value, path)
        return self.entry(slot.kind, value, path)

    def plain(self, slot: Slot, value: object, path: Path) -> Any:
        problem = why_not(slot, value)
        if problem is None:
            return float(value) if slot.kind is float else value  # type: ignore[arg-type]
        self.fault(path, problem)
        return None


@lru_cache(maxsize=1)
def _fields_of_lists() -> frozenset[str]:
    """Names of the fields of all entries that stand in lists."""
    kinds = [slot.kind for slot in slots_of(Record) if slot.is_list]
    kinds += [slot.kind for kind in kinds for slot in slots_of(kind) if slot.is_list]
    return frozenset(slot.name for kind in kinds for slot in slots_of(kind))


_WANTED = {str: "text in quotes", bool: "true or false", int: "a whole number", float: "a number"}


def why_not(slot: Slot, value: object) -> str | None:
    """Why a plain value cannot stand in a field, in words; None where it can."""
    kinds = (int, float) if slot.kind is float else (slot.kind,)
    if not isinstance(value, kinds) or (isinstance(value, bool) and slot.kind is not bool):
        return f"{_WANTED[slot.kind]} is wanted, not {_shown(value)}"
    meaning = slot.meaning
    if meaning.choices and value not in meaning.choices:
        near = difflib.get_close_matches(str(value), meaning.choices, 1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        return f"one of {', '.join(meaning.choices)} is wanted, not {_shown(value)}{hint}"
    if isinstance(value, str):
        if not value.strip() and slot.required:
            return "it is empty"
        unseen = next((sign for sign in value if unicodedata.category(sign) == "Cc"), "") if slot.name == "id" else ""
        return f"an id holds no control characters: take out the character {ord(unseen):02X} hex" if unseen else None
    assert isinstance(value, int | float)
    if isinstance(value, float) and not math.isfinite(value):
        return f"a finite number is wanted, not {value}"
    unit = f" {meaning.unit}" if meaning.unit else ""
    low, high = meaning.least, meaning.most
    if (low is not None and value < low) or (high is not None and value > high):
        return f"{low:g} to {high:g}{unit} is possible, not {_shown(value) if isinstance(value, int) else f'{value:g}'}"
    return None


def _shown(value: object) -> str:
    """A value as a person calls it, in a few words: whatever a file may hold, as long or as deep as it may be."""
    if isinstance(value, datetime.date | datetime.time):
        return f"the {'time' if isinstance(value, datetime.time) else 'date'} {value.isoformat()}"
    if isinstance(value, int) and not isinstance(value, bool):
        digits = int((value.bit_length() - 1) * math.log10(2)) + 1
        return f"{value}" if digits <= _MOST_DIGITS else f"a number of about {digits} digits"
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return f"the table {{ {', '.join(map(str, value))[:_MOST_LETTERS]} }}"
    if isinstance(value, list):
        return "a list" if len(value) != 1 or isinstance(value[0], list | dict) else f"a list of {_shown(value[0])}"
    return repr(value) if len(str(value)) <= _MOST_LETTERS else f"{str(value)[:_MOST_LETTERS]!r} and more"


_MOST_DIGITS = 20
_MOST_LETTERS = 60
