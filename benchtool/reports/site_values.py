"""What a hand-over page says besides its tables: the state in a few words, the buses, the checks, visits, open items,
cautions.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass

from benchtool.install import pair_rules
from benchtool.install.checks import Checked
from benchtool.install.record import Bus, Device, Record, Visit
from benchtool.install.rule import Finding, Rule, Severity
from benchtool.install.view import Trunk, View
from benchtool.reports.site_chains import Chain, Drawing, drawing_of
from benchtool.reports.site_svg import Label, Row, chain_rows
from benchtool.reports.site_tables import device_name, named_device
from benchtool.reports.site_words import NOT_NOTED, metres, several

_MOST_UNCHECKED = 6
"""Lines told of one rule that could not be checked; the command tells all."""
_ISO_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")


@dataclass(frozen=True, slots=True)
class DrawnChain:
    """A stretch of a pair with its pictures."""

    title: str
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class BusPart:
    """What the page shows of a bus."""

    title: str
    facts: tuple[tuple[str, str], ...]
    chains: tuple[DrawnChain, ...]
    notes: tuple[str, ...]
    """What the picture does not show, or shows wrongly, because the record contradicts itself."""


@dataclass(frozen=True, slots=True)
class Told:
    """A rule with what it says of the record."""

    rule: Rule
    lines: tuple[Finding, ...]
    more: int = 0
    """Lines left out."""


@dataclass(frozen=True, slots=True)
class OpenItems:
    """What is still to be done."""

    last: tuple[str, ...]
    """Of the last visit."""
    earlier: tuple[tuple[str, str], ...]
    """Day and item of earlier visits, not told again at the last."""


def bus_part(view: View, trunk: Trunk, said: Callable[[str], str] = str) -> BusPart:
    """The bus with its pictures. `said` is done to every text that is drawn."""
    bus = trunk.bus
    drawing = drawing_of(trunk)
    ends = trunk.ends
    served = _doors_served(view)
    labels = {
        stop.place: _label(view, stop.device, served.get(stop.device.id, ()), is_end=stop.device.id in ends).said(said)
        for chain in drawing.chains
        for stop in chain.stops
    }
    chains = tuple(
        DrawnChain(
            _chain_title(view, chain, len(drawing.chains)),
            tuple(chain_rows(chain, labels, usual_cable=bus.cable)),
        )
        for chain in drawing.chains
    )
    return BusPart(
        f"{bus.name} ({bus.id})" if bus.name else bus.id, _facts(view, trunk), chains, _notes(trunk, drawing)
    )


def _doors_served(view: View) -> dict[str, tuple[str, ...]]:
    """Names of the doors whose readers, locks and sensors are wired to a device, by its id."""
    found: dict[str, list[str]] = defaultdict(list)
    for named in view.of_kind("device", "reader", "lock", "sensor"):
        door = view.find(named.entry.door, "door")
        device = named.id if named.kind == "device" else named.entry.device
        if door is not None and device and door.name not in found[device]:
            found[device].append(door.name)
    return {device: tuple(names) for device, names in found.items()}


def _label(view: View, device: Device, doors: tuple[str, ...], *, is_end: bool) -> Label:
    silent = device.kind in ("controller", "junction")
    head = f"address {device.address}" if device.address is not None else device.kind if silent else "address ?"
    name = device_name(view, device)
    about = [f"{device.kind} {device.id}" if device.id != name else device.kind]
    others = [door for door in doors if door.lower() not in name.lower()]
    about += [f"door: {', '.join(others)}"] if others else []
    about += ["end-of-line off"] if is_end and device.terminator is False else []
    about += ["screen ends here"] if device.shield_through is False and not is_end else []
    missing = [
        words
        for words, value in (
            ("end-of-line", device.terminator if device.kind != "junction" else False),
            ("bias", device.bias_ohm if device.kind != "junction" else 0),
            ("screen on", True if is_end else device.shield_through),
            ("screen's earth", device.shield_earthed),
            ("door", silent or doors or None),
        )
        if value is None
    ]
    return Label(head, name, tuple(about), f"not noted: {', '.join(missing)}" if missing else "")


def _chain_title(view: View, chain: Chain, of: int) -> str:
    if chain.start is not None:
        return f"Branch {chain.number}, from {named_device(view, chain.start)}"
    if chain.loose is not None and chain.loose in {stop.device.id for stop in chain.stops}:
        return "Not joined to the rest of the bus in the record"
    if chain.loose is not None:
        return f"Not joined to the rest: the record says that it hangs on {chain.loose}, which is no place of this bus"
    return "Trunk" if of > 1 else ""


def _facts(view: View, trunk: Trunk) -> tuple[tuple[str, str], ...]:
    bus = trunk.bus
    devices = bus.device
    cable = view.cable(bus.cable)
    talkers = [device for device in devices if device.kind != "junction"]
    known = [device.unit_load for device in talkers if device.unit_load is not None]
    loads = pair_rules.unit_loads(known, [device.bias_ohm for device in devices if device.bias_ohm])
    missing = len(talkers) - len(known)
    more = f", without {several(missing, 'device')} whose load is not noted" if missing else ""
    ends = [named_device(view, device) for device in devices if device.terminator]
    bias = [named_device(view, device) for device in devices if device.bias_ohm]
    earth = [named_device(view, device) for device in devices if device.shield_earthed]
    described = NOT_NOTED if cable is None else f"{cable.id}, {cable.name}" if cable.name else cable.id
    by_id = {device.id: device for device in devices}
    way = " to ".join(named_device(view, by_id[name]) for name in trunk.ends)
    facts = [
        ("controller", view.called(bus.controller) if bus.controller else NOT_NOTED),
        ("protocol", _protocol(bus)),
        ("bit rate, format", f"{bus.baud or NOT_NOTED}{' bit/s' if bus.baud else ''}, {bus.format or NOT_NOTED}"),
        ("cable", described),
        ("trunk", f"{way}: {_long(trunk)}" if way else "no device is recorded"),
        ("load", f"{loads.result.value:.3g} of {pair_rules.MOST_UNIT_LOADS:g} unit loads, bias counted{more}"),
        ("end-of-line on at", _list(ends)),
        ("bias at", _list(bias)),
        ("screen earthed at", _list(earth)),
    ]
    return tuple(facts)


def _long(trunk: Trunk) -> str:
    total = trunk.metres
    if total is not None:
        return metres(total)
    return f"length not known; what is noted adds up to {metres(trunk.known_m)}"


def _protocol(bus: Bus) -> str:
    words = {"osdp": "OSDP", "modbus-rtu": "Modbus RTU", "modbus-ascii": "Modbus ASCII", "other": "other"}
    if bus.protocol is None:
        return NOT_NOTED
    return words[bus.protocol] + (f", check value: {bus.check}" if bus.check else "")


def _list(names: list[str]) -> str:
    return ", ".join(names) or "none noted"


def _notes(trunk: Trunk, drawing: Drawing) -> tuple[str, ...]:
    notes = []
    bus = trunk.bus
    if trunk.head_m and not any(chain.head_m for chain in drawing.chains):
        before = f"The record gives {bus.device[0].id} {metres(trunk.head_m)} of cable before it, which is not drawn: "
        notes.append(before + ("nothing stands before it." if trunk.controller_placed else "it is no end of the pair."))
    if bus.loop:
        notes.append(f"The pair is closed to a ring: one more cable joins {' and '.join(bus.loop)} (not drawn).")
    for cable in drawing.closing:
        long = "" if cable.metres is None else f", {metres(cable.metres)}"
        notes.append(f"The record names a cable from {cable.start} to {cable.device.id}{long}, which is not drawn.")
    if drawing.twice:
        names = ", ".join(drawing.twice)
        notes.append(f"Drawn in the order of the file, without branches, since ids stand there twice: {names}.")
    return tuple(notes)


def told(findings: tuple[Finding, ...], most: int | None = None) -> tuple[Told, ...]:
    """Findings rule by rule, in their order."""
    by_rule: dict[str, list[Finding]] = {}
    for finding in findings:
        by_rule.setdefault(finding.rule.id, []).append(finding)
    return tuple(
        Told(lines[0].rule, tuple(lines[:most]), 0 if most is None else max(0, len(lines) - most))
        for lines in by_rule.values()
    )


def unchecked_told(checked: Checked) -> tuple[Told, ...]:
    """What could not be checked, the first lines of each rule."""
    return told(checked.unchecked, _MOST_UNCHECKED)


def state(checked: Checked) -> str:
    """The record against the rules, in one line; what could not be checked is never passed over."""
    if not (checked.findings or checked.unchecked or checked.kept):
        return "Nothing is recorded yet that a rule could be held against"
    counts = [(checked.count(one), one.value) for one in Severity]
    words = [several(count, word) for count, word in counts if count]
    unchecked = len(checked.unchecked)
    left = f"; {several(unchecked, 'point')} could not be checked" if unchecked else ""
    if checked.count(Severity.ERROR):
        return f"Not ready: {', '.join(words)}{left}"
    if words:
        return f"No error found: {', '.join(words)}{left}"
    return f"Nothing found against the rules{left or ', and all could be checked'}"


def visits_in_order(record: Record) -> tuple[Visit, ...]:
    """By day where all days are written as 2026-03-14, else as they stand."""
    if all(_ISO_DAY.match(visit.date) for visit in record.visit):
        return tuple(sorted(record.visit, key=lambda visit: visit.date))
    return record.visit


def open_items(record: Record) -> OpenItems:
    """Of the last visit; and of earlier ones what the last does not tell again."""
    visits = visits_in_order(record)
    if not visits:
        return OpenItems((), ())
    *before, last = visits
    earlier: dict[str, str] = {}
    for visit in before:
        earlier |= {item: visit.date for item in visit.open if item not in last.open}
    return OpenItems(last.open, tuple((day, item) for item, day in earlier.items()))


def cautions(view: View) -> tuple[tuple[str, str], ...]:
    """What can hurt here, made from the record; general ones where the record does not say."""
    record = view.record
    found = []
    mains = [one.name or one.id for one in record.supply if one.kind == "mains"]
    if mains or any(one.kind is None for one in record.supply) or not record.supply:
        where = f" Here: {', '.join(mains)}." if mains else ""
        found.append(
            (
                "Mains",
                "Mains terminals kill. Work on them is for licensed people: switch off, lock off, prove dead; cover"
                f" them again.{where} Local codes decide.",
            )
        )
    if any(one.battery_ah for one in record.supply) or any(one.kind == "battery" for one in record.supply):
        found.append(
            (
                "Batteries",
                "A short circuit burns, and a battery goes on feeding when mains is off. Some give off gas: do not shut"
                " them in. Used ones are no household waste.",
            )
        )
    safe = [door.name for door in record.door if door.escape or door.fire_release]
    unsure = [door.name for door in record.door if door.escape is None or door.fire_release is None]
    doors = {door.id for door in record.door}
    if safe or unsure or any(lock.door not in doors for lock in record.lock):
        where = f" Escape or fire release here: {', '.join(safe)}." if safe else ""
        asked = f" Not noted whether it is one: {', '.join(unsure)}." if unsure else ""
        found.append(
            (
                "Escape routes, fire release",
                "Work on these doors, and their tests, are for those licensed for it. Never take an escape function"
                f" out of order, not for a test either. Local codes decide.{where}{asked}",
            )
        )
    found.append(
        (
            "Cards and keys",
            "Card numbers and keys of the secure channel are secrets. A capture of the bus holds card data: keep it as"
            " you keep keys.",
        )
    )
    return tuple(found)
