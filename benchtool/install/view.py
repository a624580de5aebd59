"""A record made ready for checking: entries by their id, where each stands in the file, and how each pair lies."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from benchtool.install.copper import ohm_per_km
from benchtool.install.feeds import Feeds, area_of, solve
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

    def device_path(self, device: Device) -> Path:
        """Where a device of this pair stands in the record."""
        return (*self.path, "device", self._place[device.id])

    @cached_property
    def _place(self) -> dict[str, int]:
        return {device.id: place for place, device in enumerate(self.bus.device)}

    @cached_property
    def joined(self) -> dict[str, list[tuple[str, float | None]]]:
        """Each device's neighbours along the cable, with the metres."""
        found: dict[str, list[tuple[str, float | None]]] = {device.id: [] for device in self.bus.device}
        for segment in self.segments:
            if segment.start in found:
                found[segment.start].append((segment.device.id, segment.metres))
                found[segment.device.id].append((segment.start, segment.metres))
        return found

    @cached_property
    def way(self) -> tuple[str, ...]:
        """Devices along the longest way, end to end; lengths not known count as 1 m. One device is both ends."""
        if not self.bus.device:
            return ()
        far = self._farthest(self.bus.device[0].id)[-1]
        way = self._farthest(far)
        order = self._place
        return way if order[way[0]] <= order[way[-1]] else way[::-1]

    @property
    def ends(self) -> tuple[str, ...]:
        """The devices at the ends of the trunk: two, one, or none where nothing is recorded."""
        return (self.way[0], self.way[-1]) if len(self.way) > 1 else self.way

    @property
    def metres(self) -> float | None:
        """Length of the trunk; None where a length is not recorded."""
        along = set(self.way)
        total = 0.0
        for segment in self.segments:
            if segment.start in along and segment.device.id in along:
                if segment.metres is None:
                    return None
                total += segment.metres
        return total

    @property
    def off_trunk(self) -> tuple[Device, ...]:
        """Devices beside the way from end to end: on branches."""
        along = set(self.way)
        return tuple(device for device in self.bus.device if device.id not in along)

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

    def _farthest(self, start: str) -> tuple[str, ...]:
        best: tuple[str, ...] = (start,)
        best_m = -1.0
        rest: list[tuple[tuple[str, ...], float]] = [((start,), 0.0)]
        seen = {start}
        while rest:
            way, metres = rest.pop()
            if metres > best_m:
                best, best_m = way, metres
            for other, step in self.joined[way[-1]]:
                if other not in seen:
                    seen.add(other)
                    rest.append(((*way, other), metres + (1.0 if step is None else step)))
        return best


@dataclass(frozen=True)
class View:
    """A record with its indexes."""

    loaded: Loaded
    entries: tuple[Named, ...]
    by_id: dict[str, Named] = field(repr=False)
    """The first of each id."""

    @property
    def record(self) -> Record:
        """The record itself."""
        return self.loaded.record

    def of_kind(self, *kinds: str) -> Iterator[Named]:
        """Entries of some kinds, in the order of the file."""
        return (named for named in self.entries if named.kind in kinds)

    def find(self, name: str | None, *kinds: str) -> Any:
        """The entry of an id if it is of one of these kinds; else None."""
        named = self.by_id.get(name or "")
        return named.entry if named is not None and named.kind in kinds else None

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
    def worst(self) -> Feeds:
        """Voltages at the worst load."""
        return solve(self.record)

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
    return View(loaded, tuple(found), by_id)


def loop_ohm_per_m(cable: CableKind | None, celsius: float = 20.0) -> float | None:
    """Both conductors of a pair; None where the cable or its gauge is not recorded."""
    area = None if cable is None else area_of(cable)
    return None if area is None else 2 * ohm_per_km(area, celsius) / 1000
