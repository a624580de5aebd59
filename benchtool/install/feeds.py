"""Voltage at every device and lock: supplies, feeds and what is drawn, as a tree of cables.

Each consumer draws a steady current; a feed carries what its consumer and all fed from it draw. One that gives another
voltage than it gets draws what it gives by power, with its loss. What is not recorded makes the voltages behind it
unknown, with the reason, never a guess.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from benchtool.install.copper import gauge_mm2, ohm_per_km
from benchtool.install.power import CLASSES
from benchtool.install.record import CableKind, Controller, Device, Lock, Reader, Record, Supply

Consumer = Controller | Device | Reader | Lock
WARM_C = 40.0
"""Temperature of cables where the site's warmest is not recorded."""
CONVERTED = 0.85
"""Share of the power that passes a voltage converter (common practice, no published source)."""
NETWORK_VOLTS = 37.0
"""Lowest voltage at a device that a network port feeds (IEEE 802.3, sheet section 7): above it nothing of the trade is
fed but through a converter."""


@dataclass(frozen=True, slots=True)
class Fed:
    """One consumer as it is fed. None: not known, and `unknown` says why."""

    id: str
    consumer: Consumer
    source: str | None
    """The supply at the head of its feeds."""
    own_a: float | None
    """What it draws itself."""
    through_a: float | None
    """What its feed carries: its own current and that of all fed from it."""
    feed_ohm: float | None
    """Both conductors of its feed."""
    volts: float | None
    """At its terminals."""
    unknown: tuple[str, ...]
    """What would have to be known for the voltage, in words."""
    head_volts: float | None = None
    """The rated voltage at the head of its cables: what it gets where nothing is drawn."""


@dataclass(frozen=True, slots=True)
class SupplyLoad:
    """What a supply must give."""

    supply: Supply
    amps: float | None
    """None where the current of one of its consumers is not known."""
    unknown: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Astray:
    """A consumer that draws something, or may, and that no supply is known to feed; what it feeds itself counts in."""

    id: str
    why: str
    """In words: `what feeds k7 is not noted`."""


@dataclass(frozen=True, slots=True)
class Feeds:
    """All feeds of an installation, worst load or idle."""

    consumers: tuple[Fed, ...]
    supplies: tuple[SupplyLoad, ...]
    rings: tuple[tuple[str, ...], ...] = ()
    """Consumers that are fed from themselves: each is fed by the next, the last by the first."""
    astray: tuple[Astray, ...] = ()
    """What no supply is known to feed, and may hang on any."""

    @property
    def circles(self) -> tuple[str, ...]:
        """Consumers that are fed from themselves."""
        return tuple(sorted(name for ring in self.rings for name in ring))

    def of(self, name: str) -> Fed:
        """A consumer by its id. KeyError if there is none."""
        for fed in self.consumers:
            if fed.id == name:
                return fed
        raise KeyError(name)


def consumers_of(record: Record) -> tuple[Consumer, ...]:
    """Everything that is fed. A controller's own place on a bus is not fed twice, a box with terminals not at all."""
    on_bus = (
        device for bus in record.bus for device in bus.device if device.controller is None and device.kind != "junction"
    )
    return (*record.controller, *on_bus, *record.reader, *record.lock)


def area_of(cable: CableKind) -> float | None:
    """Copper of one conductor, mm²; None where neither area nor gauge is recorded, the thinner where both are."""
    known = [] if cable.area_mm2 is None else [cable.area_mm2]
    return min(known if cable.awg is None else [*known, gauge_mm2(cable.awg)], default=None)


def solve(record: Record, *, worst: bool = True, celsius: float | None = None) -> Feeds:
    """Voltages with worst or idle currents and lowest or rated supply voltages.

    `celsius` is the temperature of the cables; if None the site's warmest, else 40 °C. Were warmest and coldest
    confused, the higher of them counts.
    """
    if celsius is None:
        warm, cold = record.site.warmest_c, record.site.coldest_c
        celsius = WARM_C if warm is None else warm if cold is None else max(warm, cold)
    tree = _Tree(record, worst, celsius)
    fed = tuple(tree.fed(name) for name in tree.consumers)
    loads = tuple(tree.load(supply) for supply in record.supply)
    return Feeds(fed, loads, tree.rings, tuple(tree.astray()))


class _Tree:
    def __init__(self, record: Record, worst: bool, celsius: float) -> None:
        self.worst = worst
        self.celsius = celsius
        self.cables = {cable.id: cable for cable in record.cable}
        self.supplies = {supply.id: supply for supply in record.supply}
        self.consumers = {consumer.id: consumer for consumer in consumers_of(record)}
        places = {device.id: device.controller for bus in record.bus for device in bus.device if device.controller}
        # Fed from a controller's place on a bus is fed from the controller.
        self.feeder = {
            name: places.get(consumer.fed_by or "", consumer.fed_by) for name, consumer in self.consumers.items()
        }
        self.behind: dict[str, list[str]] = {}
        for name, feeder in self.feeder.items():
            self.behind.setdefault(feeder or "", []).append(name)
        self.boxes = {device.id for bus in record.bus for device in bus.device if device.kind == "junction"}
        self.rings = self._rings()
        self.circles = {name for ring in self.rings for name in ring}
        self._through: dict[str, tuple[float | None, tuple[str, ...]]] = {}
        self._volts: dict[str, tuple[float | None, tuple[str, ...]]] = {}

    def _rings(self) -> tuple[tuple[str, ...], ...]:
        found: list[tuple[str, ...]] = []
        seen: set[str] = set()
        for name in self.consumers:
            way: dict[str, int] = {}
            here: str | None = name
            while here in self.consumers and here not in seen:
                assert here is not None
                seen.add(here)
                way[here] = len(way)
                here = self.feeder[here]
            if here in way:
                found.append(tuple(way)[way[here] :])
        return tuple(found)

    def astray(self) -> Iterable[Astray]:
        """The heads of what hangs on no supply, leaving out what draws nothing."""
        for ring in self.rings:
            yield Astray(ring[0], f"{ring[0]} is fed from itself")
        for name, feeder in self.feeder.items():
            if feeder in self.consumers or feeder in self.supplies or self.through(name)[0] == 0:
                continue
            yield Astray(name, self._no_feeder(name))

    def _no_feeder(self, name: str) -> str:
        feeder = self.feeder[name]
        if feeder is None:
            return f"what feeds {name} is not noted"
        if feeder in self.boxes:
            return f"{name} is fed through the terminals of {feeder}: name what feeds it there"
        return f"nothing that is called {feeder}, which feeds {name}, is noted"

    def own(self, name: str) -> float | None:
        consumer = self.consumers[name]
        milliamps = consumer.worst_ma if self.worst else consumer.idle_ma
        return None if milliamps is None else milliamps / 1000

    def through(self, name: str) -> tuple[float | None, tuple[str, ...]]:
        """What a consumer's feed carries, and what is not known of it."""
        if name in self.circles:
            return None, (f"{name} is fed from itself",)
        if name not in self._through:
            for one in reversed(self._below(name)):
                if one not in self._through:
                    own, below = self._add([one]), self._given(one)
                    missing = (*own[1], *below[1])
                    self._through[one] = (None if missing else (own[0] or 0.0) + (below[0] or 0.0)), missing
        return self._through[name]

    def _given(self, name: str) -> tuple[float | None, tuple[str, ...]]:
        """What a feeder takes in for all that is fed from it: their current, or by power where it converts."""
        below = [self._through[other] for other in self.behind.get(name, ()) if other not in self.circles]
        missing = tuple(why for _, unknown in below for why in unknown)
        amps = sum(each or 0.0 for each, _ in below)
        given = self.converted(name)
        if given is None and amps and (self.head_volts(name) or 0.0) >= NETWORK_VOLTS and name in self.consumers:
            missing = (*missing, _no_output(name))
        if missing or given is None or not amps:
            return (None if missing else amps), missing
        head = self.head_volts(self.feeder.get(name) or "")
        if not head:
            return None, (f"the voltage that feeds {name} is not recorded",)
        return amps * given / (CONVERTED * head), ()

    def converted(self, name: str) -> float | None:
        """The voltage that a feeder makes itself, if it does."""
        feeder = self.consumers.get(name)
        return feeder.output_volts if isinstance(feeder, Controller | Device) else None

    def head_volts(self, name: str, *, rated: bool = False) -> float | None:
        """The voltage at the head of a feeder's cables: of its supply, or of the converter before it."""
        here: str | None = name
        while here in self.consumers and here not in self.circles and self.converted(here or "") is None:
            here = self.feeder[here or ""]
        if here in self.supplies:
            supply = self.supplies[here or ""]
            return supply.volts if rated or not self.worst else _lowest(supply)
        return self.converted(here or "") if here not in self.circles else None

    def _below(self, name: str) -> list[str]:
        """A feeder with all that is fed from it, each before what is fed from it in turn, each once."""
        found, rest = [name], [name]
        while rest:
            new = [one for one in self.behind.get(rest.pop(), ()) if one not in self.circles]
            found += new
            rest += new
        return found

    def _add(self, names: Iterable[str]) -> tuple[float | None, tuple[str, ...]]:
        which = "largest current" if self.worst else "current at rest"
        total, unknown = 0.0, []
        for name in names:
            own = self.own(name)
            if own is None:
                unknown.append(f"the {which} of {name} is not recorded")
            else:
                total += own
        return (None if unknown else total), tuple(unknown)

    def feed_ohm(self, name: str) -> tuple[float | None, str]:
        """Resistance of a consumer's feed, or why it is not known."""
        consumer = self.consumers[name]
        kind, metres = consumer.feed_cable, consumer.feed_m
        if isinstance(consumer, Reader | Lock):
            kind = consumer.cable if kind is None else kind
            metres = consumer.metres if metres is None else metres
        if metres == 0:
            return 0.0, ""
        if metres is None:
            return None, f"the length of the feed of {name} is not recorded"
        cable = self.cables.get(kind or "")
        area = None if cable is None else area_of(cable)
        if area is None:
            return None, f"the cable of the feed of {name}, or its gauge, is not recorded"
        return 2 * metres / 1000 * ohm_per_km(area, self.celsius), ""

    def source(self, name: str) -> str | None:
        here: str | None = name
        while here in self.consumers and here not in self.circles:
            assert here is not None
            here = self.feeder[here]
        return here if here in self.supplies else None

    def volts(self, name: str) -> tuple[float | None, tuple[str, ...]]:
        """At the terminals of a supply or a consumer, and what is not known of it."""
        chain = [name]
        while chain[-1] in self.consumers and chain[-1] not in self.circles and chain[-1] not in self._volts:
            chain.append(self.feeder[chain[-1]] or "")
        for one in reversed(chain):
            if one not in self._volts and (one in self.consumers or one in self.supplies):
                self._volts[one] = self._work_out(one)
        return self._volts[name]

    def _work_out(self, name: str) -> tuple[float | None, tuple[str, ...]]:
        if name in self.supplies:
            supply = self.supplies[name]
            volts = _lowest(supply) if self.worst else supply.volts
            return volts, () if volts is not None else (f"the voltage of {name} is not recorded",)
        if name in self.circles:
            return None, (f"{name} is fed from itself",)
        feeder = self.feeder[name]
        if feeder not in self.consumers and feeder not in self.supplies:
            return None, (self._no_feeder(name),)
        given = self.converted(feeder)
        above, unknown = self._volts[feeder] if given is None else (given, ())
        if feeder in self.consumers and given is None and above is not None and above >= NETWORK_VOLTS:
            above, unknown = None, (_no_output(feeder),)
        ohm, why = self.feed_ohm(name)
        amps, missing = self.through(name)
        unknown = (*unknown, *((why,) if why else ()), *(() if ohm == 0 else missing))
        if above is None or ohm is None or (amps is None and ohm):
            return None, tuple(dict.fromkeys(unknown))
        return above - ohm * (amps or 0.0), ()

    def fed(self, name: str) -> Fed:
        volts, unknown = self.volts(name)
        ohm, _ = self.feed_ohm(name)
        amps, _ = self.through(name)
        feeder = self.feeder[name] or ""
        head = self.head_volts(feeder, rated=True)
        if head is not None and head >= NETWORK_VOLTS and feeder in self.consumers and self.converted(feeder) is None:
            head = None
        return Fed(name, self.consumers[name], self.source(name), self.own(name), amps, ohm, volts, unknown, head)

    def load(self, supply: Supply) -> SupplyLoad:
        below = [self.through(name) for name in self.behind.get(supply.id, ()) if name not in self.circles]
        unknown = tuple(why for _, missing in below for why in missing)
        return SupplyLoad(supply, None if unknown else sum(amps or 0.0 for amps, _ in below), unknown)


def _lowest(supply: Supply) -> float | None:
    """A supply's voltage at the worst; one noted as lowest that is above the rated one raises nothing."""
    known = [volts for volts in (supply.volts, supply.lowest_volts) if volts is not None]
    return min(known, default=None)


def _no_output(name: str) -> str:
    return f"the voltage that {name} gives to what it feeds (output_volts) is not recorded"


def supply_limit_a(supply: Supply) -> float | None:
    """The current a supply can give: as recorded, or its network class's power at its voltage; None where not known."""
    if supply.amps is not None:
        return supply.amps
    if supply.poe_class is not None and supply.volts:
        return CLASSES[supply.poe_class].device_w / supply.volts
    return None
