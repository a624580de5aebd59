"""Which question comes next when one walks along a bus with the record in hand.

No input or output here: the record and what was passed over give the question; `walk_take.py` makes the answer text.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from enum import Enum
from typing import Any

from benchtool.install.places import Path
from benchtool.install.record import Bus, Controller, Device, Lock, Reader, Record, Sensor
from benchtool.install.schema import Slot, slots_of

LISTS = {"reader": Reader, "lock": Lock, "sensor": Sensor}
"""Lists of what can be wired to a device."""
WIRED = ("reader", "keypad", "lock", "sensor", "spare")
"""What can hang on a connector; a keypad is a reader, a spare input a sensor."""
_BUS = ("controller", "protocol", "baud", "cable")
_DEVICE = (
    *("kind", "id", "controller", "name", "door", "serial", "metres", "address", "terminator", "bias_ohm", "stub_m"),
    *("shield_through", "shield_earthed", "fed_by", "feed_cable", "feed_m"),
)
_JUNCTION = ("kind", "id", "name", "metres", "terminator", "bias_ohm", "stub_m", "shield_through", "shield_earthed")
_CONTROLLER = ("name", "maker_type", "serial", "network_address", "fed_by", "feed_cable", "feed_m")
_READER = ("id", "connector", "kind", "door", "side", "serial", "cable", "metres", "cores")
_LOCK = (
    *("id", "connector", "kind", "door", "without_power", "inductive", "suppression", "fed_by", "cable", "metres"),
    "cores",
)
_SENSOR = ("id", "connector", "kind", "door", "cable", "metres", "cores")
_SPARE = ("id", "connector", "kind", "cable", "cores")
_DOOR = ("escape", "fire_release")
_CABLE = ("awg", "area_mm2", "screened")
_SUPPLY = ("kind", "volts", "amps", "battery_ah", "backup_hours", "earthed", "covered")


class Ask(Enum):
    """What kind of thing is asked for."""

    BUS = "bus"
    """Which bus, or a new one; nothing: the walk is over."""
    VALUE = "value"
    """The value of a field."""
    DEVICE = "device"
    """The kind of the next device; nothing: the bus ends here."""
    WIRED = "wired"
    """What hangs on the next connector; nothing: no more."""


@dataclass(frozen=True, slots=True)
class Question:
    """One thing to ask."""

    key: Path
    """The path of the field, or of what would be added."""
    ask: Ask
    group: Path
    """The device (or bus) that it belongs to: what is passed over together."""
    slot: Slot | None = None
    offered: Any = None
    """A value that stands there already or is likely; it is taken where nothing else is typed."""


@dataclass(frozen=True, slots=True)
class Answered:
    """What this walk has passed. Nothing of it is needed to go on another day: the record is enough."""

    bus: int | None = None
    """The bus that is walked along."""
    passed: frozenset[Path] = frozenset()
    """Questions that were answered, or left open."""
    again: frozenset[Path] = frozenset()
    """Questions to be asked though the record has an answer."""
    walked: frozenset[int] = frozenset()
    """Buses that were walked to their end."""
    start: str | None = None
    """The id of the device to begin at; those before it on its bus are not asked for."""
    made: frozenset[str] = frozenset()
    """Ids of doors, cables, controllers and supplies that came in by name on the way."""
    more: bool = False
    """Whether the fields are asked for that can wait: currents, loads, edge times."""

    def passing(self, *keys: Path) -> Answered:
        """After these questions."""
        return replace(self, passed=self.passed | set(keys), again=self.again - set(keys))

    def asking_again(self, *keys: Path) -> Answered:
        """With these questions to come once more."""
        return replace(self, passed=self.passed - set(keys), again=self.again | set(keys))


def next_question(record: Record, answered: Answered) -> Question | None:
    """The first question that is open; None where the walk is over.

    A field is open if the record does not know it and the walk has not passed it, or if it is to be asked again.
    """
    return next(open_questions(record, answered), None)


def open_questions(record: Record, answered: Answered) -> Iterator[Question]:
    """All that is open now, in the order of the walk."""
    for question in all_questions(record, answered):
        if question.key in answered.again or (
            question.key not in answered.passed and not _known(record, question, answered)
        ):
            yield question


def _known(record: Record, question: Question, answered: Answered) -> bool:
    if question.ask is Ask.WIRED:
        # Once a next device is noted, this one's connectors were walked.
        _, place, _, at_place = question.group
        devices = record.bus[int(place)].device
        return int(at_place) < len(devices) - 1 and devices[int(at_place)].id != answered.start
    return question.ask is Ask.VALUE and at(record, question.key) is not None


def at(record: Record, path: Path) -> Any:
    """What stands at a path of the record; None where there is nothing."""
    here: Any = record
    for part in path:
        if isinstance(part, int):
            if part >= len(here):
                return None
            here = here[part]
        else:
            here = getattr(here, part)
    return here


def all_questions(record: Record, answered: Answered) -> Iterator[Question]:
    """All that can be asked from where the walk began, in its order, answered or not."""
    place = answered.bus
    if place is None or place >= len(record.bus):
        key: Path = ("bus", "which", len(answered.walked))
        yield Question(key, Ask.BUS, key, offered=_bus_to_walk(record, answered))
        return
    bus = record.bus[place]
    placed = any(device.controller is not None for device in bus.device)
    path: Path = ("bus", place)
    yield from _fields(record, path, Bus, _BUS, path, answered)
    yield from _beside(record, bus, path, answered)
    names = [device.id for device in bus.device]
    first = names.index(answered.start) if answered.start in names else 0
    for at_place, device in enumerate(bus.device):
        if at_place < first:
            continue
        likely = None if placed else bus.controller
        yield from _of_device(record, (*path, "device", at_place), device, answered, likely)
    key = (*path, "device", len(bus.device))
    yield Question(key, Ask.DEVICE, key)


def _bus_to_walk(record: Record, answered: Answered) -> str | None:
    rest = [bus.id for place, bus in enumerate(record.bus) if place not in answered.walked]
    return rest[0] if rest and not answered.walked else None


def _of_device(
    record: Record, path: Path, device: Device, answered: Answered, likely: str | None
) -> Iterator[Question]:
    """`likely`: the controller whose place it is, if it is one's."""
    names = _JUNCTION if device.kind == "junction" else _DEVICE
    left_out = {"address"} if device.kind == "controller" else {"controller"}
    if device.fed_by is None:
        left_out |= {"feed_cable", "feed_m"}
    if path[-1] == 0:
        left_out.add("metres")
    controller = next((place for place, one in enumerate(record.controller) if one.id == device.controller), None)
    if controller is not None:
        left_out |= set(_CONTROLLER) - {"door"}
    for question in _fields(record, path, Device, [name for name in names if name not in left_out], path, answered):
        its = question.key[-1] == "controller" and question.offered is None
        yield replace(question, offered=likely) if its else question
    owner: Any = device
    if controller is not None:
        owner = record.controller[controller]
        fields = [name for name in _CONTROLLER if owner.fed_by is not None or not name.startswith("feed_")]
        yield from _fields(record, ("controller", controller), Controller, fields, path, answered)
    yield from _beside(record, owner, path, answered)
    if device.kind == "junction":
        return
    count = 0
    for kind, entry_class in LISTS.items():
        for place, entry in enumerate(getattr(record, kind)):
            if entry.device not in (device.id, owner.id):
                continue
            count += 1
            entry_path: Path = (kind, place)
            yield from _fields(record, entry_path, entry_class, _wired_fields(entry), path, answered)
            yield from _beside(record, entry, path, answered)
    yield Question((*path, "wired", count), Ask.WIRED, path)


def _wired_fields(entry: Any) -> tuple[str, ...]:
    if isinstance(entry, Reader):
        return _READER
    if isinstance(entry, Lock):
        return tuple(name for name in _LOCK if name != "suppression" or entry.inductive is not False)
    return _SPARE if entry.kind == "spare" else _SENSOR


def _beside(record: Record, entry: Any, group: Path, answered: Answered) -> Iterator[Question]:
    """What must be known of the door, the cable and the supply that an entry names."""
    for kind, names, fields in (
        ("door", ("door",), _DOOR),
        ("cable", ("cable", "feed_cable"), _CABLE),
        ("supply", ("fed_by",), _SUPPLY),
    ):
        wanted = {getattr(entry, name, None) for name in names} - {None}
        for place, one in enumerate(getattr(record, kind)):
            if one.id not in wanted:
                continue
            left_out = set()
            if kind == "cable" and (one.awg is not None or one.area_mm2 is not None):
                left_out = {"awg", "area_mm2"}
            elif kind == "supply" and one.kind != "mains":
                left_out = {"earthed", "covered"} | ({"battery_ah", "backup_hours"} if one.kind == "network" else set())
            asked = [name for name in fields if name not in left_out or (kind, place, name) in answered.again]
            yield from _fields(record, (kind, place), type(one), asked, group, answered)


def _fields(
    record: Record, path: Path, kind: type, names: Iterable[str], group: Path, answered: Answered
) -> Iterator[Question]:
    slots = {slot.name: slot for slot in slots_of(kind)}
    names = list(names)
    if answered.more and kind in (Device, Controller, *LISTS.values()):
        kept = _CONTROLLER if kind is Controller else ()
        names += [name for name in slots if name not in names and name not in ("id", "device", "controller", *kept)]
    for name in names:
        key = (*path, name)
        yield Question(key, Ask.VALUE, group, slots[name], at(record, key))
