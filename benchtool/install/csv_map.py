"""Which column of a list is which field of an entry: said by the user, or guessed from the heading and shown."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchtool.install.csv_units import is_own, other_unit
from benchtool.install.record import Record
from benchtool.install.schema import Slot, slots_of
from benchtool.install.toml_form import PLAIN

KINDS = ("door", "cable", "supply", "controller", "bus", "device", "reader", "lock", "sensor")
"""Kinds of entries that lists hold: those with an id."""
BUS = "bus"
"""The column of a device's list that is no field of it: the bus on which it is."""

_ALSO: dict[str, tuple[str, ...]] = {
    "id": (
        *("id", "tag", "device id", "short name", "identifier", "mark", "label"),
        *("kennung", "kürzel", "kurzzeichen"),
    ),
    "kind": ("kind", "type", "what", "art", "typ"),
    "name": ("name", "description", "location", "place", "where", "bezeichnung", "beschreibung", "ort"),
    "maker_type": ("model", "maker type", "product", "article", "part number", "type on label", "modell", "artikel"),
    "serial": (
        *("serial", "serial number", "serial no", "s n", "sn", "serial nr"),
        *("seriennummer", "serien nr", "seriennr"),
    ),
    "network_address": ("mac", "mac address", "network address", "hardware address", "mac adresse"),
    "address": (
        *("address", "bus address", "bus addr", "addr", "osdp address", "osdp addr", "node", "unit"),
        *("adresse", "busadresse", "bus adresse"),
    ),
    "metres": (
        *("metres", "meters", "length", "cable length", "distance", "run", "distance from previous"),
        *("distance from previous device", "distance from the one before", "cable from previous"),
        *("länge", "kabellänge", "leitungslänge", "abstand", "entfernung"),
    ),
    "door": ("door", "opening", "gate", "door id", "tür", "tuer"),
    "device": ("device", "interface", "wired to", "connected to", "gerät", "geraet", "angeschlossen an"),
    "controller": ("controller", "panel", "zentrale", "steuerung"),
    "connector": ("connector", "terminal", "port", "plug", "input", "klemme", "anschluss", "stecker"),
    "terminator": (
        *("terminator", "end of line", "eol", "termination", "terminated", "end of line resistor", "eol resistor"),
        *("abschluss", "abschlusswiderstand", "endwiderstand"),
    ),
    "bias_ohm": ("bias", "biasing"),
    "stub_m": ("stub", "stub length", "branch", "stichleitung"),
    "baud": ("baud", "baud rate", "bit rate", "rate", "speed", "baudrate", "bitrate"),
    "volts": ("volts", "voltage", "spannung"),
    "amps": ("amps", "current", "strom"),
    "cores": ("cores", "colours", "colors", "conductors", "wires", "adern", "aderfarben", "farben"),
    "note": ("note", "notes", "remark", "remarks", "comment", "comments", "bemerkung", "bemerkungen", "notiz"),
    "fed_by": (
        *("fed by", "fed from", "powered by", "powered from", "supplied by", "supply", "power", "psu", "power supply"),
        *("versorgung", "netzteil", "gespeist von"),
    ),
    "cable": ("cable", "cable type", "kind of cable", "kabel", "kabeltyp", "kabelart"),
    "side": ("side", "in out", "direction", "seite", "richtung"),
    "bus": ("bus", "line", "loop", "trunk", "pair", "bus id", "linie", "strang"),
    "awg": ("awg", "gauge"),
    "area_mm2": ("cross section", "querschnitt"),
    "escape": ("escape", "escape route", "fluchtweg"),
}
"""What headings say for a field in English and German, without capitals and signs; a field's own name always does."""


class MapError(ValueError):
    """The columns cannot be used so; says why, with the mend."""


@dataclass(frozen=True, slots=True)
class Column:
    """A column and what it is taken for."""

    heading: str
    field: str | None
    """None: left out."""
    guessed: bool


def fields_of(kind: str) -> dict[str, Slot]:
    """The fields of a kind of entry that a list can hold, in the order of the file."""
    entry = next((slot.kind for slot in slots_of(Record) if slot.name == kind), None)
    if entry is None:
        bus = next(slot.kind for slot in slots_of(Record) if slot.name == BUS)
        entry = next(slot.kind for slot in slots_of(bus) if slot.name == kind)
    return {slot.name: slot for slot in slots_of(entry) if not slot.is_list and slot.kind in PLAIN}


def columns_for(kind: str) -> tuple[str, ...]:
    """What a list of a kind can have as columns."""
    return ((BUS,) if kind == "device" else ()) + tuple(fields_of(kind))


def map_columns(kind: str, headings: Sequence[str], said: Mapping[str, str]) -> tuple[Column, ...]:
    """What each column is. `said` names fields by heading, "" leaves a column out. MapError where it cannot be."""
    known, fields = columns_for(kind), fields_of(kind)
    doubled = {heading for heading in headings if headings.count(heading) > 1 and heading}
    if doubled & said.keys():
        raise MapError(f"several columns are headed {sorted(doubled & said.keys())[0]!r}: give each its own heading")
    for heading, field in said.items():
        if heading not in headings:
            raise MapError(f"no column is headed {heading!r}; there are: {', '.join(headings)}")
        if field and field not in known:
            raise MapError(f"a {kind} has no field {field!r}; there are: {', '.join(known)}")
        slot = fields.get(field)
        unit = other_unit(heading, slot) if slot is not None else None
        if slot is not None and unit is not None:
            raise MapError(
                f"{heading!r} says {unit}, and {field} is in {slot.meaning.unit}: nothing is converted. Convert the "
                f"column in the spreadsheet and put {slot.meaning.unit} into its heading"
            )
    taken = {field for field in said.values() if field}
    found: list[Column] = []
    for heading in headings:
        if heading in said:
            found.append(Column(heading, said[heading] or None, False))
            continue
        guess = _guess(heading, known)
        if guess in fields and other_unit(heading, fields[guess]):
            guess = None
        found.append(Column(heading, None if guess in taken else guess, True))
        if guess is not None:
            taken.add(guess)
    for field in known:
        both = [column.heading for column in found if column.field == field]
        if len(both) > 1:
            raise MapError(f"{' and '.join(map(repr, both))} are both mapped to {field}: leave one out with --map")
    if not any(column.field == "id" for column in found):
        raise MapError(
            f'no column says the id of each {kind}: say which with --map "HEADING=id"; there are: {", ".join(headings)}'
        )
    return tuple(found)


def _guess(heading: str, known: Sequence[str]) -> str | None:
    own = heading.strip().lower()
    if own in known:
        return own
    words = re.sub(r"[\W_]+", " ", own).strip()
    bare = re.sub(r"[\W_]+", " ", re.sub(r"[(\[].*?[)\]]", " ", own)).strip()
    unit = re.search(r"[(\[](.*?)[)\]]", own)
    if unit is not None and not is_own(unit[1]):
        # A unit that is not the record's, as feet: only the user can say what to do with it.
        bare = words
    for field in known:
        if words == field.replace("_", " ") or bare == field.replace("_", " "):
            return field
    for field, also in _ALSO.items():
        if field in known and (words in also or bare in also):
            return field
    return None
