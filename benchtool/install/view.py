"""A record made ready for checking: entries by their id, where each stands in the file, and how each pair lies."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from benchtool.install.copper import ohm_per_km
from benchtool.install.feeds import Fed, Feeds, area_of, solve
from benchtool.install.load import Loaded
from benchtool.install.places import Path
from benchtool.install.record import Bus, CableKind, Device, Record
from benchtool.install.schema import slots_of


@dataclass(frozen=True, slots=True)
class Named:
    """An entry that others can name."""

    kind: str
    """`door`, `cable`, `supply`, `controller`, `bus`, `device`, `reader`, `lock` or `sensor`."""
    path: Path
    entry: Any

    @property
    def id(self) -> str:
        """Its id."""
        return str(self.entry.id)


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of cable of a pair, towards `device`."""

    start: str
    device: Device
    path: Path
    metres: float | None
    cable: CableKind | None


@dataclass(frozen=True)
class Trunk:
    """How a pair lies: its devices, the cable between them, and the way between its two ends."""

    bus: Bus
    path: Path
    segments: tuple[Segment, ...]

    @cached_property
    def placed(self) -> tuple[tuple[Path, Device], ...]:
        """Each device with where it stands in the record."""
        return tuple(((*self.path, "device", place), device) for place, device in enumerate(self.bus.device))

    @cached_property
    def talkers(self) -> tuple[tuple[Path, Device], ...]:
        """Those that talk: no boxes with terminals alone."""
        return tuple((path, device) for path, device in self.placed if device.kind != "junction")

    @cached_property
    def answerers(self) -> tuple[tuple[Path, Device], ...]:
        """Those that are asked: no controllers either."""
        return tuple((path, device) for path, device in self.talkers if device.kind != "controller")

    def device_path(self, device: Device) -> Path:
        """Where a device of this pair stands in the record; the first, if several have its id."""
        return (*self.path, "device", self._place[device.id])

    @cached_property
    def _place(self) -> dict[str, int]:
        return {device.id: place for place, device in reversed(list(enumerate(self.bus.device)))}

    @cached_property
    def head_m(self) -> float:
        """Cable before the first device, which comes from a controller whose own place is not recorded; else 0."""
        first = self.bus.device[0] if self.bus.device else None
        return 0.0 if first is None or first.after is not None else first.metres or 0.0

    @cached_property
    def controller_placed(self) -> bool:
        """Whether the record says where the controller lies on the pair."""
        return any(device.kind == "controller" or device.controller is not None for device in self.bus.device)

    @cached_property
    def joined(self) -> dict[str, list[tuple[str, float | None]]]:
        """Each device's neighbours along the cable, with the metres."""
        found: dict[str, list[tuple[str, float | None]]] = {device.id: [] for device in self.bus.device}
        for segment in self.segments:
            if segment.start in found and segment.start != segment.device.id:
                found[segment.start].append((segment.device.id, segment.metres))
                found[segment.device.id].append((segment.start, segment.metres))
        return found

    @cached_property
    def astray(self) -> tuple[Segment, ...]:
        """Cables that begin at no other place of this pair."""
        return tuple(one for one in self.segments if one.start == one.device.id or one.start not in self.joined)

    @cached_property
    def closing(self) -> tuple[Segment, ...]:
        """Cables that join what is joined already: each closes a ring."""
        root = {name: name for name in self.joined}

        def root_of(name: str) -> str:
            while root[name] != name:
                root[name] = root[root[name]]
                name = root[name]
            return name

        found = []
        for segment in self.segments:
            if segment.start in root and segment.start != segment.device.id:
                start, end = root_of(segment.start), root_of(segment.device.id)
                if start == end:
                    found.append(segment)
                root[start] = end
        return tuple(found)

    @cached_property
    def unclear(self) -> str | None:
        """Why it cannot be told how the pair lies; None where it can."""
        if len(self.joined) < 2:
            return f"fewer than two places of {self.bus.id} are recorded"
        if self.astray or len(self.reached) < len(self.joined):
            return f"how the places of {self.bus.id} are joined is not clear"
        if self.closing:
            return f"{self.bus.id} is closed to a ring, so that it has no ends"
        if self.off_trunk and any(segment.metres is None for segment in self.segments):
            return f"{self.bus.id} branches, and not all lengths of its cables are noted"
        return None

    @cached_property
    def reached(self) -> dict[str, float]:
        """Every device that is joined with the first one, with the metres to it."""
        return self._walk(self.bus.device[0].id)[1]

    @cached_property
    def way(self) -> tuple[str, ...]:
        """Devices along the longest way, end to end; lengths not known count as 1 m. One device is both ends."""
        if not self.bus.device:
            return ()
        far = max(self.reached.items(), key=lambda one: one[1])[0]
        before, metres = self._walk(far)
        name = max(metres.items(), key=lambda one: one[1])[0]
        way = [name]
        while name != far:
            name = before[name]
            way.append(name)
        order = self._place
        return tuple(way if order[way[0]] <= order[way[-1]] else way[::-1])

    @property
    def ends(self) -> tuple[str, ...]:
        """The devices at the ends of the trunk: two, one, or none where nothing is recorded."""
        return (self.way[0], self.way[-1]) if len(self.way) > 1 else self.way

    @cached_property
    def along(self) -> frozenset[str]:
        """The devices on the way from end to end."""
        return frozenset(self.way)

    def _steps(self) -> list[float | None]:
        return [one.metres for one in self.segments if one.start in self.along and one.device.id in self.along]

    @property
    def metres(self) -> float | None:
        """Length of the trunk; None where a length is not recorded."""
        total = 0.0
        for step in self._steps():
            if step is None:
                return None
            total += step
        return total

    @property
    def known_m(self) -> float:
        """Length of those stretches of the trunk whose length is recorded, with what lies before the first device."""
        return self.head_m + sum(step or 0.0 for step in self._steps())

    @cached_property
    def off_trunk(self) -> tuple[Device, ...]:
        """Devices beside the way from end to end: on branches."""
        return tuple(device for device in self.bus.device if device.id not in self.along)

    def position(self, device_id: str) -> float | None:
        """Metres from the trunk's first end; None off the trunk, or where a length before it is not recorded."""
        total = 0.0
        for here, after in zip(self.way, self.way[1:], strict=False):
            if here == device_id:
                return total
            step = next(metres for other, metres in self.joined[here] if other == after)
            if step is None:
                return None
            total += step
        return total if self.way and self.way[-1] == device_id else None

    def _walk(self, start: str) -> tuple[dict[str, str], dict[str, float]]:
        """From a device to all that are joined with it: the one before each, and the metres to each."""
        before: dict[str, str] = {}
        reached = {start: 0.0}
        rest = [start]
        while rest:
            here = rest.pop()
            for other, step in self.joined[here]:
                if other not in reached:
                    before[other] = here
                    # Something for each step, so that places side by side (0 m) are still one after the other.
                    reached[other] = reached[here] + (1.0 if step is None else step) + 1e-6
                    rest.append(other)
        return before, reached


@dataclass(frozen=True)
class View:
    """A record with its indexes."""

    loaded: Loaded
    entries: tuple[Named, ...]
    by_id: dict[str, Named] = field(repr=False)
    """The first of each id."""
    by_kind: dict[tuple[str, str], Named] = field(repr=False)
    """The first of each kind and id."""

    @property
    def record(self) -> Record:
        """The record itself."""
        return self.loaded.record

    def of_kind(self, *kinds: str) -> Iterator[Named]:
        """Entries of some kinds, in the order of the file."""
        return (named for named in self.entries if named.kind in kinds)

    def find(self, name: str | None, *kinds: str) -> Any:
        """The entry of an id if it is of one of these kinds; else None."""
        if name:
            for kind in kinds:
                named = self.by_kind.get((kind, name))
                if named is not None:
                    return named.entry
        return None

    def cable(self, name: str | None) -> CableKind | None:
        """A kind of cable by its id."""
        found = self.find(name, "cable")
        return found if isinstance(found, CableKind) else None

    def called(self, name: str) -> str:
        """An entry as people call it: `Store door (if-1)`, or its id."""
        named = self.by_id.get(name)
        words = getattr(named.entry, "name", None) if named is not None else None
        if words is None and named is not None:
            door = self.find(getattr(named.entry, "door", None), "door")
            words = door.name if door is not None else None
        return f"{words} ({name})" if words else name

    @cached_property
    def trunks(self) -> tuple[Trunk, ...]:
        """Every pair."""
        return tuple(self._trunk(bus, ("bus", place)) for place, bus in enumerate(self.record.bus))

    @cached_property
    def controller_of(self) -> dict[str, str]:
        """Places on a pair that are a controller's: the controller's id by that of the place."""
        on_bus = (device for bus in self.record.bus for device in bus.device)
        return {device.id: device.controller for device in on_bus if device.controller is not None}

    @cached_property
    def wired(self) -> dict[str, list[Named]]:
        """Readers, locks and sensors, in that order, by the id of what they are noted as wired to."""
        found: dict[str, list[Named]] = {}
        for named in self.of_kind("reader", "lock", "sensor"):
            if named.entry.device:
                found.setdefault(named.entry.device, []).append(named)
        return found

    def owner(self, name: str) -> str:
        """The controller whose place on a pair is meant, or the name as it is: both have the same terminals."""
        return self.controller_of.get(name, name)

    @cached_property
    def worst(self) -> Feeds:
        """Voltages at the worst load."""
        return solve(self.record)

    @cached_property
    def fed(self) -> dict[str, Fed]:
        """How each consumer is fed at the worst load."""
        return {fed.id: fed for fed in self.worst.consumers}

    def fed_path(self, fed: Fed) -> Path:
        """Where a consumer stands in the record."""
        kind = type(fed.consumer).__name__.lower()
        return self.by_kind[kind, fed.id].path

    @cached_property
    def idle(self) -> Feeds:
        """Voltages and loads at rest."""
        return solve(self.record, worst=False)

    def _trunk(self, bus: Bus, path: Path) -> Trunk:
        segments = []
        for place, device in enumerate(bus.device):
            if not place and device.after is None:
                continue
            start = device.after if device.after is not None else bus.device[place - 1].id
            kind = self.cable(device.cable or bus.cable)
            segments.append(Segment(start, device, (*path, "device", place), device.metres, kind))
        return Trunk(bus, path, tuple(segments))


def view_of(loaded: Loaded) -> View:
    """Index a record."""
    found: list[Named] = []
    record = loaded.record
    for slot in slots_of(Record):
        if not slot.is_list or not hasattr(slot.kind, "id"):
            continue
        for place, entry in enumerate(getattr(record, slot.name)):
            found.append(Named(slot.name, (slot.name, place), entry))
            if isinstance(entry, Bus):
                found += [
                    Named("device", (slot.name, place, "device", at), device) for at, device in enumerate(entry.device)
                ]
    by_id: dict[str, Named] = {}
    for named in found:
        by_id.setdefault(named.id, named)
    by_kind: dict[tuple[str, str], Named] = {}
    for named in found:
        by_kind.setdefault((named.kind, named.id), named)
    return View(loaded, tuple(found), by_id, by_kind)


def loop_ohm_per_m(cable: CableKind | None, celsius: float = 20.0) -> float | None:
    """Both conductors of a pair; None where the cable or its gauge is not recorded."""
    area = None if cable is None else area_of(cable)
    return None if area is None else 2 * ohm_per_km(area, celsius) / 1000
