"""Readings that visits noted, each beside the band that was computed for its place: the reading's name says which.

Names are free: `A to B, yard off`, `supply at if-3`; or as in `diagnose --meter`, `ab-idle@5`; or a point's of the list
before closing, `ohms:if-3`. Where only a bus is named, the band reaches over all places of it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from benchtool.install.closing import Point
from benchtool.install.closing_bands import Band, Unknown, reading_of
from benchtool.install.record import Bus
from benchtool.install.view import View
from benchtool.reports.site_tables import Cell, Part, Table
from benchtool.reports.site_values import visits_in_order

_KINDS = {
    "ab-ohms": "ohms",
    "ab-ohms-far": "ohms",
    "ohms": "ohms",
    "ab-idle": "idle",
    "idle": "idle",
    "supply": "supply",
    "output": "supply",
}
"""Kinds of points by the first word of a reading's name."""
_BETWEEN = re.compile(r"\bA\W{0,3}(?:to|and|-|/)?\W{0,3}B\b|\b(?:pair|wires)\b", re.IGNORECASE)
_ELSEWHERE = re.compile(r"\b(?:ground|earth|0 V|screen|shield|loop)\b", re.IGNORECASE)
_AT_REST = re.compile(r"\b(?:rest|idle)\b", re.IGNORECASE)
_SUPPLY = re.compile(r"\b(?:supply|output|terminals)\b", re.IGNORECASE)
_ADDRESS = re.compile(r"(?:@|\baddress )(\d{1,3})\b", re.IGNORECASE)
_UNITS = {"ohms": "ohm", "idle": "V", "supply": "V"}


def measured_table(view: View, points: Sequence[Point]) -> Table:
    """What was measured, visit by visit, with its band and whether it lies in it."""
    by_item = {point.item: point for point in points}
    rows = tuple(
        (visit.date, name, value, *_judged(view, by_item, name, value))
        for visit in visits_in_order(view.record)
        for name, value in (visit.measured or {}).items()
    )
    return Table(("Day", "What was measured", "Reading", "Band here", "State"), (Part(rows),), (14, 25, 15, 26, 20))


def _judged(view: View, points: Mapping[str, Point], name: str, value: str) -> tuple[Cell, Cell]:
    """The band of a reading, and a word on it."""
    kind = _kind(name, value)
    if kind is None:
        return "-", "no band for this"
    places = _places(view, name)
    items = [f"{one}:{place}" for place in places for one in ((kind, "output") if kind == "supply" else (kind,))]
    bands = [points[item].band for item in items if item in points]
    if not bands:
        return "-", "its place is not clear"
    why = next((one.why for one in bands if isinstance(one, Unknown)), "")
    known = [one for one in bands if isinstance(one, Band)]
    if why or not known:
        return f"cannot be told: {why}", "not compared"
    band = Band(min(one.low for one in known), max(one.high for one in known), known[0].unit, ())
    reading = reading_of(value, _UNITS[kind])
    if reading is None:
        return str(band), f"not compared: no figure in {_UNITS[kind]}"
    everywhere: Cell = (str(band), "at some place of the bus") if len(known) > 1 else str(band)
    return everywhere, "within" if band.holds(reading) else "OUTSIDE"


def _kind(name: str, value: str) -> str | None:
    """Which kind of point a reading is one of; None where its name does not say, or says another."""
    first = re.split(r"[\s:@]", name.strip(), maxsplit=1)[0].lower()
    if first in _KINDS:
        return _KINDS[first]
    if _ELSEWHERE.search(name):
        return None
    if _BETWEEN.search(name):
        volts = _AT_REST.search(name) or (reading_of(value, "ohm") is None and reading_of(value, "V") is not None)
        return "idle" if volts else "ohms"
    return "supply" if _SUPPLY.search(name) else None


def _places(view: View, name: str) -> tuple[str, ...]:
    """Ids of the devices, or of the supply, that a reading's name can mean."""
    buses: Sequence[Bus] = [bus for bus in view.record.bus if _named(name, bus.id, bus.name)] or view.record.bus
    if (address := _ADDRESS.search(name)) is not None:
        there = [device.id for bus in buses for device in bus.device if device.address == int(address[1])]
        return tuple(there) if len(there) == 1 else ()
    named = [
        one.id
        for one in view.of_kind("device", "controller", "supply")
        if _named(name, one.id, getattr(one.entry, "name", None))
    ]
    if named:
        return (max(named, key=len),)
    return tuple(device.id for device in buses[0].device) if len(buses) == 1 else ()


def _named(text: str, *names: str | None) -> bool:
    """Whether one of these stands in a text as a word of its own."""
    return any(
        re.search(rf"(?<![\w-]){re.escape(one)}(?![\w-])", text, re.IGNORECASE) is not None for one in names if one
    )
