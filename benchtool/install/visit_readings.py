"""What was measured at visits, held against the bands computed for this installation.

A reading is known by its name, as people write it: `A to B, yard off`, `ab-ohms lab`, `ab-idle@5`, `idle:if-1`,
`supply:if-1`. Other names are not judged.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from functools import cached_property

from benchtool.install.closing_bands import Band, Unknown, output_band, reading_of, supply_band
from benchtool.install.closing_pair import PairBands, pair_bands
from benchtool.install.feeds import WARM_C
from benchtool.install.places import Path
from benchtool.install.record import Device, Record, Visit
from benchtool.install.view import Trunk, View

_BETWEEN = re.compile(
    r"\bab\b|\ba ?(?:to|-|/|and|against) ?b\b|\bd\+ ?(?:to|-|/|and) ?d-|between the (?:two )?wires|^(?:ohms|idle)\b"
)
_TO_ELSE = re.compile(r"ground|\bgnd\b|\b0 ?v\b|common|earth|screen|shield|case")
_OHMS = re.compile(r"\bohms?\b|resistance|\boff\b|without power|unpowered|\bdead\b")
_IDLE = re.compile(r"\bidle\b|\brest\b|polling stopped|nobody talks|quiet")
_SUPPLY = re.compile(r"\b(?:supply|output)\b")
_BARE = re.compile(r"[+-]?[0-9.,]+")
_NO_VOLTS = 10.0
"""A bare number from here on is no voltage of a pair at rest but one in mV: without its unit nobody knows."""


@dataclass(frozen=True, slots=True)
class VisitReading:
    """One reading of a visit, with what it should have been."""

    path: Path
    date: str
    name: str
    text: str
    """As noted."""
    what: str
    """What it is of, alike for readings of one thing: `ohms lab`; empty where the name does not say."""
    unit: str
    """`ohm` or `V`; empty where the name does not say what it is."""
    value: float | None
    """In that unit; None where it is no reading in it."""
    band: Band | Unknown | None
    """By the record as it is now; None where the name does not say what it is."""

    @property
    def outside(self) -> bool:
        """Whether it was read and is not as it should be."""
        return isinstance(self.band, Band) and self.value is not None and not self.band.holds(self.value)


def visit_readings(view: View) -> tuple[VisitReading, ...]:
    """All readings of all visits, by day where all days are written as 2026-03-14, else as they stand."""
    bands = _Bands(view)
    return tuple(
        bands.held(("visit", place, "measured"), visit.date, name, text)
        for place, visit in _in_order(view.record)
        for name, text in (visit.measured or {}).items()
    )


def last_readings(view: View) -> tuple[VisitReading, ...]:
    """Of each thing that was measured the last reading alone."""
    return tuple({one.what: one for one in visit_readings(view) if one.what}.values())


def is_day(text: str) -> bool:
    """Whether a visit's date is written as 2026-03-14, and is a day of the calendar."""
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def _in_order(record: Record) -> list[tuple[int, Visit]]:
    visits = list(enumerate(record.visit))
    return sorted(visits, key=lambda one: one[1].date) if all(is_day(visit.date) for _, visit in visits) else visits


class _Bands:
    """Bands by what readings are called, each pair's computed once."""

    def __init__(self, view: View) -> None:
        self.view = view
        self.pairs: dict[str, PairBands] = {}

    @cached_property
    def trunks(self) -> dict[str, Trunk]:
        return {word.lower(): trunk for trunk in self.view.trunks for word in (trunk.bus.name, trunk.bus.id) if word}

    @cached_property
    def devices(self) -> dict[str, tuple[Trunk, Device]]:
        return {device.id.lower(): (trunk, device) for trunk in self.view.trunks for device in trunk.bus.device}

    @cached_property
    def fed(self) -> dict[str, str]:
        return {name.lower(): name for name in self.view.fed}

    def held(self, path: Path, day: str, name: str, text: str) -> VisitReading:
        what, unit, band = self.band(name.lower(), text)
        value = reading_of(text, unit) if unit else None
        if what.startswith("idle") and value is not None and abs(value) >= _NO_VOLTS and _BARE.fullmatch(text.strip()):
            value = None
        return VisitReading(path, day, name, text, what, unit, value, band)

    def band(self, name: str, text: str) -> tuple[str, str, Band | Unknown | None]:
        """What a reading is of, its unit and band; empty and None where its name does not say."""
        words = [word for word in re.split(r"[\s,;:@()/]+", name) if word]
        if _SUPPLY.search(name):
            return self.supply(name, words)
        if not _BETWEEN.search(name) or _TO_ELSE.search(name):
            return "", "", None
        ohms, idle = bool(_OHMS.search(name)), bool(_IDLE.search(name))
        if not ohms and not idle:
            unit = text.strip().lower()
            ohms, idle = unit.endswith(("ohm", "ohms", "ω")), unit.endswith("v")
        trunk, device = self.place(name, words)
        if ohms == idle:
            return "", "", None
        if trunk is None:
            return name, "ohm" if ohms else "V", Unknown("which pair it was read at is not said")
        if trunk.bus.id not in self.pairs:
            self.pairs[trunk.bus.id] = pair_bands(self.view, trunk)
        pair = self.pairs[trunk.bus.id]
        found = pair.ohms if ohms else pair.idle
        where = f"{trunk.bus.id} {device.id}" if device else trunk.bus.id
        if "far" in re.split(r"\W+", name):
            where += " far"
        band = found if isinstance(found, Unknown) else found[device.id] if device else _anywhere(found)
        return f"{'ohms' if ohms else 'idle'} {where}", "ohm" if ohms else "V", band

    def place(self, name: str, words: list[str]) -> tuple[Trunk | None, Device | None]:
        """Which pair is meant, and at which of its devices, if that is said."""
        trunk = next((self.trunks[word] for word in words if word in self.trunks), None)
        trunk = trunk or next((one for called, one in self.trunks.items() if " " in called and called in name), None)
        for word in words:
            if word in self.devices and (trunk is None or self.devices[word][0] is trunk):
                return self.devices[word]
        if trunk is None and len(self.view.trunks) == 1:
            trunk = self.view.trunks[0]
        at = re.search(r"@ ?([0-9]{1,3})\b", name)
        if at:
            here = [
                (one, device)
                for one in ([trunk] if trunk else self.view.trunks)
                for _, device in one.answerers
                if device.address == int(at[1])
            ]
            return here[0] if len(here) == 1 else (None, None)
        return trunk, None

    def supply(self, name: str, words: list[str]) -> tuple[str, str, Band | Unknown | None]:
        """Voltage at a consumer's terminals, or at a supply's own."""
        _, device = self.place(name, words)
        consumer = next((self.fed[word] for word in words if word in self.fed), None)
        if consumer is None and device is not None:
            consumer = self.view.owner(device.id)
        if consumer in self.view.fed:
            warm = self.view.record.site.warmest_c
            fed = self.view.fed[consumer or ""]
            return f"supply {consumer}", "V", supply_band(fed, WARM_C if warm is None else warm)
        for named in self.view.of_kind("supply"):
            if named.id.lower() in words:
                return f"output {named.id}", "V", output_band(named.entry)
        return "", "", None


def _anywhere(bands: dict[str, Band]) -> Band:
    """Where no device is said: what could be read at any of them."""
    every = list(bands.values())
    return Band(
        min(one.low for one in every),
        max(one.high for one in every),
        every[0].unit,
        (*every[0].basis, "anywhere on the pair"),
    )
