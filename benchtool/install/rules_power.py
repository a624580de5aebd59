"""Rules of power: what feeds what, voltage at everything that is fed, supplies, network ports, batteries, mains."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from benchtool.install.feeds import WARM_C, Fed, supply_limit_a
from benchtool.install.places import Path
from benchtool.install.power import CLASSES, IN_THE_COLD, battery
from benchtool.install.record import Controller, Device, Lock, Supply
from benchtool.install.rule import COMMON_PRACTICE, KEPT, Rule, Said, Severity, some, unknown
from benchtool.install.view import View
from benchtool.install.worked import Figure

_MOST_SHOWN = 6
"""Of what is fed in a circle, by id."""
_LOCK_CLASS = 4
"""Lowest class of network power for a controller that feeds locks (common practice)."""


def _circles(view: View) -> Iterable[Said]:
    for ring in view.worst.rings:
        path = view.fed_path(view.fed[ring[0]])
        chain = [*ring[:_MOST_SHOWN], *(["…"] if len(ring) > _MOST_SHOWN else []), ring[0]]
        yield Said((*path, "fed_by"), f"{view.called(ring[0])} is fed from itself: {' -> '.join(chain)}")
    in_rings = set(view.worst.circles)
    for fed in view.worst.consumers:
        if fed.consumer.fed_by is None:
            yield unknown(view.fed_path(fed), f"what feeds {view.called(fed.id)} is not noted")
        elif fed.id not in in_rings:
            yield KEPT


def _astray(view: View, *but: str) -> Iterable[Said]:
    """What no supply is known to feed may hang on any, and on any terminals but its own."""
    found = [one for one in view.worst.astray if one.id not in but]
    if found:
        path = view.fed_path(view.fed[found[0].id])
        more = f", and so at {some([one.id for one in found[1:]])}" if len(found) > 1 else ""
        yield unknown(path, f"{found[0].why}{more}")


def _fed_noted(view: View) -> Iterable[Said]:
    for fed in view.worst.consumers:
        not_noted = f"what feeds {view.called(fed.id)} is not noted"
        yield KEPT if fed.consumer.fed_by is not None else Said(view.fed_path(fed), not_noted)


def _voltage(view: View) -> Iterable[Said]:
    through_cable = False
    for fed in view.worst.consumers:
        path = view.fed_path(fed)
        if fed.volts is None:
            yield unknown(path, f"{view.called(fed.id)}: {'; '.join(fed.unknown[:3])}")
        elif fed.consumer.least_volts is None:
            yield unknown(path, f"the lowest voltage that {view.called(fed.id)} works at is not noted")
        elif fed.volts <= 0:
            sentence = (
                f"the cables to {view.called(fed.id)} would take up all that {fed.source} gives at the worst load"
            )
            yield Said(path, sentence, Figure("voltage", 0.0, "V"), Figure("least", fed.consumer.least_volts, "V"))
        elif fed.volts < fed.consumer.least_volts:
            yield Said(
                path,
                f"{view.called(fed.id)} gets too little at the worst load, from {fed.source}",
                Figure("voltage", fed.volts, "V"),
                Figure("least", fed.consumer.least_volts, "V"),
            )
        else:
            through_cable = through_cable or bool(fed.feed_ohm)
            yield KEPT
    if through_cable and view.record.site.warmest_c is None:
        yield unknown(("site",), f"how warm cables get (warmest_c) is not noted; at {WARM_C:g} °C the others fit")
    for named in view.of_kind("supply"):
        supply: Supply = named.entry
        if supply.battery_ah and supply.lowest_volts is None:
            yield unknown(named.path, f"the lowest output of {supply.id}, on its battery, is not noted")


def _too_much(view: View) -> Iterable[Said]:
    for fed in view.worst.consumers:
        path, most = view.fed_path(fed), fed.consumer.most_volts
        if fed.head_volts is None:
            yield unknown(path, f"the voltage that feeds {view.called(fed.id)} is not known")
        elif most is None:
            yield unknown(path, f"the highest voltage that {view.called(fed.id)} stands is not noted")
        elif fed.head_volts > most:
            yield Said(
                path,
                f"{view.called(fed.id)} gets more than it stands, from {fed.consumer.fed_by}",
                Figure("voltage", fed.head_volts, "V"),
                Figure("most", most, "V"),
            )
        else:
            yield KEPT


def _lowest(view: View) -> Iterable[Said]:
    for named in view.of_kind("supply"):
        supply: Supply = named.entry
        if supply.volts is None or supply.lowest_volts is None:
            continue
        if supply.lowest_volts <= supply.volts:
            yield KEPT
        else:
            yield Said(
                (*named.path, "lowest_volts"),
                f"the lowest output of {view.called(supply.id)} is noted above its rated one",
                Figure("lowest", supply.lowest_volts, "V"),
                Figure("rated", supply.volts, "V"),
            )


def _terminals(view: View) -> Iterable[Said]:
    taken: dict[str, list[Fed]] = defaultdict(list)
    for fed in view.worst.consumers:
        taken[view.owner(fed.consumer.fed_by or "")].append(fed)
    giving = []
    for feeder in view.worst.consumers:
        below = taken.get(feeder.id)
        if not isinstance(feeder.consumer, Controller | Device):
            continue
        if below or feeder.consumer.output_ma:
            giving.append(feeder.id)
        if not below:
            continue
        path, most = view.fed_path(feeder), feeder.consumer.output_ma
        amps = sum(fed.through_a or 0.0 for fed in below)
        missing = [fed.id for fed in below if fed.through_a is None]
        if most is None:
            yield unknown(path, f"what the terminals of {view.called(feeder.id)} can give (output_ma) is not noted")
        elif 1000 * amps > most:
            yield Said(
                (*path, "output_ma"),
                f"the terminals of {view.called(feeder.id)} must give more than they can",
                Figure("load", 1000 * amps, "mA"),
                Figure("most", most, "mA"),
            )
        elif missing:
            yield unknown(path, f"what {missing[0]} and all behind it draw from {feeder.id} is not known")
        else:
            yield KEPT
    if giving:
        # Terminals feed nothing that feeds them: of a single device's, its own feed tells nothing.
        yield from _astray(view, *(giving if len(giving) == 1 else ()))


def _supply(view: View) -> Iterable[Said]:
    # Where its class is a network port's limit, that is for another rule.
    loads = [load for load in view.worst.supplies if load.supply.kind != "network" or load.supply.amps is not None]
    if loads:
        yield from _astray(view)
    for load in loads:
        supply = load.supply
        path = view.by_kind["supply", supply.id].path
        most = supply_limit_a(supply)
        if load.amps is None:
            yield unknown(path, f"{supply.id}: {'; '.join(load.unknown[:3])}")
        elif most is None:
            yield unknown(path, f"what {supply.id} can give (amps) is not noted")
        elif load.amps > most:
            yield Said(
                path,
                f"{view.called(supply.id)} must give more than it can",
                Figure("load", load.amps, "A"),
                Figure("most", most, "A"),
            )
        elif load.amps:
            yield KEPT


def _port(view: View) -> Iterable[Said]:
    loads = [load for load in view.worst.supplies if load.supply.kind == "network"]
    if loads:
        yield from _astray(view)
    for load in loads:
        supply = load.supply
        path = view.by_kind["supply", supply.id].path
        if supply.poe_class is None or supply.volts is None:
            yield unknown(path, f"class or voltage of the network port {supply.id} is not noted")
        elif load.amps is None:
            yield unknown(path, f"{supply.id}: {'; '.join(load.unknown[:3])}")
        elif load.amps * supply.volts > CLASSES[supply.poe_class].device_w:
            yield Said(
                path,
                f"{view.called(supply.id)} must give more than class {supply.poe_class} leaves at the device",
                Figure("needed", load.amps * supply.volts, "W"),
                Figure("most", CLASSES[supply.poe_class].device_w, "W"),
            )
        elif load.amps:
            yield KEPT


def _port_locks(view: View) -> Iterable[Said]:
    for fed in view.worst.consumers:
        if not isinstance(fed.consumer, Lock):
            continue
        path = view.fed_path(fed)
        supply = view.find(fed.source, "supply")
        if supply is None:
            yield unknown(path, f"which supply feeds {view.called(fed.id)} is not known")
        elif supply.kind != "network":
            continue
        elif supply.poe_class is None:
            yield unknown(path, f"the class of the network port {supply.id}, which feeds {fed.id}, is not noted")
        elif supply.poe_class < _LOCK_CLASS:
            yield Said(
                path,
                f"{view.called(fed.id)} is fed through the network port {supply.id}",
                Figure("class", supply.poe_class),
                Figure("least", _LOCK_CLASS),
            )
        else:
            yield KEPT


def _battery(view: View) -> Iterable[Said]:
    wanted = False
    for load in view.idle.supplies:
        supply = load.supply
        path = view.by_kind["supply", supply.id].path
        if supply.kind in ("network", "other") and not supply.battery_ah and not supply.backup_hours:
            continue
        wanted = wanted or supply.backup_hours != 0
        if supply.backup_hours is None and supply.battery_ah != 0:
            yield unknown(path, f"how long {supply.id} must last without mains (backup_hours) is not noted (0: not)")
        elif not supply.backup_hours:
            continue
        elif supply.battery_ah is None:
            yield unknown(path, f"the battery of {supply.id} is not noted (0: none)")
        elif load.amps is None:
            yield unknown(path, f"{supply.id}: {'; '.join(load.unknown[:3])}")
        elif load.amps:
            yield _lasts(view, path, load.amps, supply, supply.battery_ah)
    if wanted:
        yield from _astray(view)


def _lasts(view: View, path: Path, amps: float, supply: Supply, capacity_ah: float) -> Said:
    called, cold = view.called(supply.id), supply.coldest_c
    cold = view.record.site.coldest_c if cold is None else cold
    in_the_warm = battery(capacity_ah, amps, wanted_h=supply.backup_hours)
    worked = in_the_warm if cold is None else battery(capacity_ah, amps, wanted_h=supply.backup_hours, celsius=cold)
    if not worked.fits:
        when = "" if not in_the_warm.fits else f", at {cold:g} °C"
        sentence = f"the battery of {called} does not last as long as wanted, at rest{when}"
        return Said((*path, "battery_ah"), sentence, worked.result, worked.limit)
    if cold is None:
        return unknown(path, f"how cold the battery of {called} gets (coldest_c) is not noted; at 25 °C it is enough")
    coldest = IN_THE_COLD[0][0]
    if cold < coldest:
        return unknown(
            path, f"the battery of {called} gets as cold as {cold:g} °C; what is left is known to {coldest:g}"
        )
    return KEPT


def _mains(view: View) -> Iterable[Said]:
    for named in view.of_kind("supply"):
        supply: Supply = named.entry
        if supply.kind is None:
            yield unknown(named.path, f"what {supply.id} is (mains, network, battery) is not noted")
        if supply.kind != "mains":
            continue
        for field, words in (("earthed", "protective earth of"), ("covered", "cover over the mains terminals of")):
            value, what = getattr(supply, field), f"the {words} {view.called(supply.id)} is"
            if value is None:
                yield unknown(named.path, f"{what} not noted")
            else:
                yield KEPT if value else Said((*named.path, field), f"{what} missing")


RULES = (
    Rule(
        "not-fed-in-circles",
        Severity.ERROR,
        "Nothing is fed from itself.",
        "this file's own rule",
        "Follow the feed to its supply and note what it passes.",
        _circles,
    ),
    Rule(
        "feed-noted",
        Severity.NOTE,
        "What feeds every controller, device, reader and lock is noted.",
        COMMON_PRACTICE,
        "Follow the feed to its supply.",
        _fed_noted,
    ),
    Rule(
        "voltage-enough",
        Severity.ERROR,
        "Every device, reader and lock gets the voltage it needs at the worst load, with warm cables.",
        "Ohm's law along the feeds; copper standard",
        "Take thicker or shorter feeds, a feed of its own, or a supply nearer to it (benchtool calculate feeds).",
        _voltage,
    ),
    Rule(
        "voltage-not-above",
        Severity.ERROR,
        "Nothing is fed with more than it stands.",
        "the makers' figures; rated output of the supply, nothing drawn",
        "Switch off before it is warm: feed it from a supply of its own voltage, or through a converter.",
        _too_much,
    ),
    Rule(
        "lowest-voltage-below",
        Severity.WARNING,
        "The lowest output of a supply is not above its rated one.",
        "this file's own rule",
        "Look at the supply's label and measure it; until then the smaller of the two is counted on.",
        _lowest,
    ),
    Rule(
        "terminals-enough",
        Severity.ERROR,
        "The terminals of a controller or device give no more than they can to what is fed from them.",
        "the makers' figures; sum of the largest currents behind them",
        "Feed a lock or a far device from the supply itself, the device switching it with a relay contact.",
        _terminals,
    ),
    Rule(
        "supply-enough",
        Severity.ERROR,
        "No supply must give more than it can.",
        "sum of the largest currents",
        "Take a larger supply, or give part of the load to another one.",
        _supply,
    ),
    Rule(
        "network-power-enough",
        Severity.ERROR,
        "No network port must give more than its class.",
        "IEEE 802.3 (af, at, bt) power classes",
        "Take a port of a higher class, or feed the locks from a supply of their own.",
        _port,
    ),
    Rule(
        "network-power-locks",
        Severity.WARNING,
        f"A lock that is fed through a network port needs class {_LOCK_CLASS} or higher.",
        COMMON_PRACTICE,
        "Take a port of a higher class, or a supply of its own for the lock.",
        _port_locks,
    ),
    Rule(
        "battery-lasts",
        Severity.WARNING,
        "The back-up battery lasts as long as wanted.",
        "charge over current; 0.8 of the capacity usable is common practice, less in the cold by battery makers (from"
        " memory)",
        "Take a larger battery, or one that is not old; keep it warmer. Batteries: short circuits burn, some give off"
        " gas.",
        _battery,
    ),
    Rule(
        "mains-safe",
        Severity.ERROR,
        "Supplies on mains have their protective earth, and their mains terminals are covered.",
        "IEC 61140 and local codes",
        "Mains is for licensed practice: switch off, lock off, prove dead, then earth and cover.",
        _mains,
    ),
)
"""In the order in which they are told."""
