"""How a pair is drawn: its devices as chains, the trunk first, then each branch, then what hangs on nothing known.

Every device of the record is in one chain, and every cable is in a chain, or told as one that closes a ring.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from benchtool.install.record import Device
from benchtool.install.view import Segment, Trunk


@dataclass(frozen=True, slots=True)
class Stop:
    """One device in a chain."""

    device: Device
    place: int
    """In the record, from 1."""
    segment: Segment | None
    """The cable that leads here from the stop before it (or from where the branch begins)."""
    branches: tuple[int, ...] = ()
    """Numbers of the branches that begin here."""


@dataclass(frozen=True, slots=True)
class Chain:
    """Devices along one stretch of cable."""

    number: int
    """0 for the trunk, then from 1."""
    stops: tuple[Stop, ...]
    start: Device | None = None
    """Where a branch leaves; None for the trunk and for what hangs on nothing known."""
    loose: str | None = None
    """What the record says that it hangs on, where that is no place of this pair."""
    head_m: float | None = None
    """Cable before its first stop, from a controller whose own place is not recorded."""


@dataclass(frozen=True, slots=True)
class Drawing:
    """A pair, ready to be drawn."""

    chains: tuple[Chain, ...]
    closing: tuple[Segment, ...]
    """Cables that join what is joined already."""
    twice: tuple[str, ...]
    """Ids that stand at two devices or more: then the devices are in the order of the file, as one chain."""


def drawing_of(trunk: Trunk) -> Drawing:
    """Cut a pair into chains."""
    devices = trunk.bus.device
    ids = [device.id for device in devices]
    twice = tuple(name for name, count in Counter(ids).items() if count > 1)
    if twice:
        towards = {segment.path[-1]: segment for segment in trunk.segments}
        stops = tuple(Stop(device, place + 1, towards.get(place)) for place, device in enumerate(devices))
        return Drawing((Chain(0, stops, head_m=_head_m(trunk)),), (), twice)
    return _Cutter(trunk).drawing()


class _Cutter:
    def __init__(self, trunk: Trunk) -> None:
        self.trunk = trunk
        self.devices = {device.id: device for device in trunk.bus.device}
        self.place = {name: place for place, name in enumerate(self.devices, 1)}
        self.cables = {
            frozenset((one.start, one.device.id)): one for one in trunk.segments if one.start in self.devices
        }
        self.near: dict[str, list[str]] = {name: [] for name in self.devices}
        for ends in self.cables:
            for one in ends:
                self.near[one] += [other for other in ends if other != one]
        self.drawn: set[frozenset[str]] = set()
        self.seen: set[str] = set()

    def drawing(self) -> Drawing:
        found: list[tuple[str | None, tuple[str, ...]]] = []
        if self.trunk.way:
            self._take(found, None, self.trunk.way)
        for name in self.devices:
            if name not in self.seen:
                self._take(found, None, self._longest(name))
        begins: dict[str, tuple[int, ...]] = {}
        for number, (start, _) in enumerate(found):
            if start is not None:
                begins[start] = (*begins.get(start, ()), number)
        chains = tuple(self._chain(number, start, way, begins) for number, (start, way) in enumerate(found))
        # A device that is said to hang on itself closes nothing that could be drawn, but it is told.
        closing = tuple(
            cable
            for cable in self.trunk.segments
            if cable.start in self.devices
            and (
                (ends := frozenset((cable.start, cable.device.id))) not in self.drawn or self.cables[ends] is not cable
            )
        )
        return Drawing(chains, closing, ())

    def _take(self, found: list[tuple[str | None, tuple[str, ...]]], start: str | None, way: tuple[str, ...]) -> None:
        """A chain, and after it the branches that leave it, and theirs."""
        waiting = [(start, way)]
        self.seen.update(way)
        while waiting:
            start, way = waiting.pop(0)
            found.append((start, way))
            path = way if start is None else (start, *way)
            self.drawn.update(frozenset(pair) for pair in pairwise(path))
            for name in way:
                for other in self.near[name]:
                    if other not in self.seen:
                        branch = self._longest(other)
                        self.seen.update(branch)
                        waiting.append((name, branch))

    def _longest(self, start: str) -> tuple[str, ...]:
        """The longest way from a device through what is not drawn yet; a length that is not noted counts as 1 m."""
        before: dict[str, str] = {}
        best, best_m = start, 0.0
        rest, met = [(start, 0.0)], {start}
        while rest:
            here, metres = rest.pop()
            if metres > best_m:
                best, best_m = here, metres
            for other in self.near[here]:
                if other not in self.seen and other not in met:
                    met.add(other)
                    before[other] = here
                    step = self.cables[frozenset((here, other))].metres
                    rest.append((other, metres + (1.0 if step is None else step)))
        way = [best]
        while way[-1] in before:
            way.append(before[way[-1]])
        return tuple(reversed(way))

    def _chain(self, number: int, start: str | None, way: Iterable[str], begins: dict[str, tuple[int, ...]]) -> Chain:
        stops = []
        before = start
        for name in way:
            cable = None if before is None else self.cables.get(frozenset((before, name)))
            stops.append(Stop(self.devices[name], self.place[name], cable, begins.get(name, ())))
            before = name
        first = stops[0].device
        loose = None
        if number and start is None:
            loose = next((stop.device.after for stop in stops if stop.device.after not in (None, *self.devices)), None)
            loose = loose or first.id
        # Only what lies before the first device of the file, and only where that one is an end of the pair.
        head_m = _head_m(self.trunk) if not number and stops[0].place == 1 else None
        return Chain(number, tuple(stops), None if start is None else self.devices[start], loose, head_m)


def _head_m(trunk: Trunk) -> float | None:
    return None if trunk.controller_placed else trunk.head_m or None
