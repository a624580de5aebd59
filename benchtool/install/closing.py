"""The list before closing, made from the record: what to look at and to measure, supply by supply, device by device.

What the list asks for is common practice of the trade; bands come from `closing_bands.py` and
`closing_pair.py`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from enum import Enum
from typing import Any

from benchtool.install.closing_bands import Band, Unknown, output_band, reading_of, supply_band
from benchtool.install.closing_pair import PairBands, pair_bands, too_low_at_rest
from benchtool.install.record import Controller, Device, Door, Lock, Reader, Record, Supply, Tick
from benchtool.install.rule import some
from benchtool.install.rules_list import noted_serial
from benchtool.install.rules_pair import terminator_ohm
from benchtool.install.view import Trunk, View

MAINS = (
    "Mains kills. Covers and mains terminals are for those licensed for it: switch off, lock off, prove dead; local"
    " codes decide."
)
BATTERY = "A battery's short circuit burns: no tools or rings across its poles; mind plus and minus; some give off gas."
ESCAPE = (
    "Tell everybody before you test; never take an escape function out of order. Tests of escape doors and fire"
    " releases are for those licensed for it; local codes decide."
)
DEAD = "Switch the bus off first: a meter that measures ohms on a live pair shows nonsense and may be harmed."
LIVE = "Extra-low voltage only: keep the probe away from mains terminals in the same box."


class State(Enum):
    """How far a point is; the value is what is printed."""

    OPEN = "open"
    MISSING = "not in the record"
    """What it asks for is not recorded, so it cannot be ticked."""
    DONE = "done"
    OUTSIDE = "outside its band"
    """Read, and not as it should be."""


@dataclass(frozen=True, slots=True)
class Point:
    """One thing to look at or to measure."""

    item: str
    """Its name in the record's ticks: `ohms:if-1`."""
    group: str
    """Under which heading it stands."""
    words: str
    band: Band | Unknown | None = None
    """For readings; None where nothing is read."""
    unit: str = ""
    """Of the reading; empty where nothing is read."""
    missing: str = ""
    """What the record lacks, so that it cannot be ticked."""
    caution: str = ""


def points_of(view: View) -> tuple[Point, ...]:
    """The whole list, in the order in which one goes."""
    found: dict[str, Point] = {}
    for point in _points(view):
        found.setdefault(point.item, point)
    return tuple(found.values())


def state_of(point: Point, ticks: Mapping[str, Tick]) -> State:
    """How far a point is, by its last tick; a reading is held against the band of the record as it is now."""
    tick = ticks.get(point.item)
    if point.missing:
        return State.MISSING
    if tick is None or tick.done is False:
        return State.OPEN
    if isinstance(point.band, Band):
        value = reading_of(tick.reading or "", point.unit)
        if value is None:
            return State.OPEN
        return State.DONE if point.band.holds(value) else State.OUTSIDE
    return State.DONE


def last_ticks(record: Record) -> dict[str, Tick]:
    """The last tick of each point, with the notes that came after it; notes alone where nothing was ticked."""
    found: dict[str, Tick] = {}
    for tick in record.tick:
        before = found.get(tick.item)
        if before is not None and tick.done is False:
            notes = [note for note in (before.note, tick.note) if note]
            tick = replace(before, note="; ".join(notes) or None)
        found[tick.item] = tick
    return found


def _points(view: View) -> Iterator[Point]:
    for named in view.of_kind("supply"):
        yield from _supply(view, named.entry)
    on_bus = {device.controller for bus in view.record.bus for device in bus.device}
    for named in view.of_kind("controller"):
        if named.id not in on_bus:
            group = f"controller {view.called(named.id)}"
            yield from _served(view, named.entry, named.entry, group)
            yield from _power(view, named.id, group)
            yield from _finish(named.id, group)
    for trunk in view.trunks:
        bands = pair_bands(view, trunk)
        for _, device in trunk.placed:
            yield from _device(view, trunk, bands, device)
    for named in view.of_kind("door"):
        yield from _door(view, named.entry)


def _supply(view: View, supply: Supply) -> Iterator[Point]:
    group = f"supply {view.called(supply.id)}"
    name = supply.id
    if supply.kind == "mains":
        yield Point(f"mains:{name}", group, "mains terminals are covered, cable clamped", caution=MAINS)
        yield Point(f"earth:{name}", group, "protective earth is connected", caution=MAINS)
    if supply.kind is None:
        yield Point(f"mains:{name}", group, "mains terminals, if it has any, are covered", missing="what kind it is")
    if supply.battery_ah:
        words = f"back-up battery ({supply.battery_ah:g} Ah) is connected, plus on plus, and has its date on it"
        yield Point(f"battery:{name}", group, words, caution=BATTERY)
    elif supply.battery_ah is None and supply.kind in ("mains", "battery", None):
        words = "back-up battery is connected"
        yield Point(f"battery:{name}", group, words, missing="its battery (0: none)", caution=BATTERY)
    if supply.kind != "network":
        words = "output voltage, at its terminals"
        yield Point(f"output:{name}", group, words, output_band(supply), "V", caution=LIVE)


def _device(view: View, trunk: Trunk, bands: PairBands, device: Device) -> Iterator[Point]:
    group = f"{trunk.bus.id}, {device.kind} {view.called(device.id)}"
    owner = view.find(device.controller, "controller")
    name = device.id
    if device.kind != "junction":
        yield from _served(view, owner or device, device, group)
    yield from _screen(trunk, view, device, group)
    yield Point(f"strain:{name}", group, "cables are clamped so that no pull reaches a terminal (strain relief)")
    yield _end_of_line(device, group)
    words = "resistance between the two wires, bus without power, at this device's terminals"
    yield Point(f"ohms:{name}", group, words, _of(bands.ohms, name), "ohm", caution=DEAD)
    if device.kind == "junction":
        return
    idle = _of(bands.idle, name)
    words = (
        "voltage between the two wires at rest: power on, polling stopped, red lead on the wire that is more positive"
    )
    if isinstance(idle, Band) and too_low_at_rest(idle):
        words += " (receivers without built-in offset need 200 mV)"
    yield Point(f"idle:{name}", group, words, idle, "V", caution=LIVE)
    yield from _power(view, view.owner(name), group)
    yield Point(f"lights:{name}", group, "status lights are as the maker's manual says")


def _of(bands: Mapping[str, Band] | Unknown, name: str) -> Band | Unknown:
    return bands if isinstance(bands, Unknown) else bands[name]


def _served(view: View, owner: Controller | Device, place: Controller | Device, group: str) -> Iterator[Point]:
    """The serial number on the label, and what hangs on the connectors."""
    serial = noted_serial(owner.serial)
    said = f"the label's serial number is {serial}" if serial else "serial number is noted"
    yield Point(f"serial:{place.id}", group, said, missing="" if serial else "its serial number")
    wired = [one for name in dict.fromkeys((owner.id, place.id)) for one in view.wired.get(name, ())]
    loose = [one.id for one in wired if not one.entry.connector]
    if loose:
        words = "connectors serve what is noted"
        yield Point(f"connectors:{place.id}", group, words, missing=f"the connector of {some(loose)}")
    elif wired:
        serves = ", ".join(f"{one.entry.connector} {view.called(one.id)}" for one in wired)
        yield Point(f"connectors:{place.id}", group, f"connectors serve what is noted: {serves}")
    elif isinstance(place, Controller) or place.kind in ("controller", "interface"):
        words = "nothing is wired to its connectors, as noted"
        yield Point(f"connectors:{place.id}", group, words)
    for one in wired:
        yield from _wired(view, one.entry, group)


def _wired(view: View, entry: Any, group: str) -> Iterator[Point]:
    if isinstance(entry, Reader | Lock) and entry.fed_by is not None:
        on = ", while it is fed" if isinstance(entry, Lock) else ""
        yield from _power(view, entry.id, group, f"supply voltage at {view.called(entry.id)}{on}")
    if isinstance(entry, Lock):
        door = view.find(entry.door, "door")
        caution = ESCAPE if door is not None and (door.escape or door.fire_release) else ""
        missing = "" if entry.without_power else f"what {entry.id} does without power"
        words = f"{view.called(entry.id)} opens and holds, and is {entry.without_power or '…'} without power"
        yield Point(f"lock:{entry.id}", group, words, missing=missing, caution=caution)


def _screen(trunk: Trunk, view: View, device: Device, group: str) -> Iterable[Point]:
    cable = view.cable(device.cable or trunk.bus.cable)
    if cable is not None and cable.screened is False:
        return
    missing = "whether the screen goes on, and whether it is earthed here"
    if device.shield_through is not None and device.shield_earthed is not None:
        missing = ""
    through = "goes on to the next cable" if device.shield_through else "ends here"
    earthed = "is earthed here" if device.shield_earthed else "is not earthed here, and touches nothing"
    words = "screen is under its clamp" if missing else f"screen is under its clamp, {through}, {earthed}"
    yield Point(f"screen:{device.id}", group, words, missing=missing)


def _end_of_line(device: Device, group: str) -> Point:
    if device.terminator is None and device.kind != "junction":
        return Point(f"end-of-line:{device.id}", group, "end-of-line resistor is as noted", missing="whether it is on")
    if device.terminator:
        words = f"end-of-line resistor is on ({terminator_ohm(device):g} ohm)"
        return Point(f"end-of-line:{device.id}", group, words)
    return Point(f"end-of-line:{device.id}", group, "end-of-line resistor is off")


def _power(view: View, name: str, group: str, words: str = "supply voltage at its terminals") -> Iterator[Point]:
    fed = view.fed.get(name)
    if fed is None:
        return
    celsius = 40.0 if view.record.site.warmest_c is None else view.record.site.warmest_c
    yield Point(f"supply:{name}", group, words, supply_band(fed, celsius), "V", caution=LIVE)


def _finish(name: str, group: str) -> Iterator[Point]:
    yield Point(f"strain:{name}", group, "cables are clamped so that no pull reaches a terminal (strain relief)")
    yield Point(f"lights:{name}", group, "status lights are as the maker's manual says")


def _door(view: View, door: Door) -> Iterator[Point]:
    group = f"door {view.called(door.id)}"
    if door.escape:
        words = "the way out opens by hand, without power and without a card"
        yield Point(f"escape:{door.id}", group, words, caution=ESCAPE)
    if door.fire_release:
        words = "the fire alarm frees it, tested with those who answer for the alarm"
        yield Point(f"fire:{door.id}", group, words, caution=ESCAPE)
    unsaid = [word for word, value in (("escape", door.escape), ("fire_release", door.fire_release)) if value is None]
    if unsaid:
        yield Point(f"noted:{door.id}", group, "escape and fire release are noted", missing=" and ".join(unsaid))
