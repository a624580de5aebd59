"""Rules of power and of locks: voltage, supplies, network ports, batteries, sparks, and doors that people flee by."""

from __future__ import annotations

from collections.abc import Iterable

from benchtool.install.feeds import supply_limit_a
from benchtool.install.power import CLASSES, battery
from benchtool.install.record import Controller, Lock, Supply
from benchtool.install.rule import COMMON_PRACTICE, Rule, Said, Severity, unknown
from benchtool.install.view import View
from benchtool.install.worked import Figure

_LOCK_CLASS = 4
"""Lowest class of network power for a controller that feeds locks (common practice)."""


def _fed(view: View) -> Iterable[Said]:
    for name in view.worst.circles:
        yield Said((*view.by_id[name].path, "fed_by"), f"{view.called(name)} is fed from itself, in the end")


def _voltage(view: View) -> Iterable[Said]:
    for fed in view.worst.consumers:
        path = view.by_id[fed.id].path
        if fed.volts is None:
            yield unknown(path, f"{view.called(fed.id)}: {'; '.join(fed.unknown[:3])}")
        elif fed.consumer.least_volts is None:
            yield unknown(path, f"the lowest voltage that {view.called(fed.id)} works at is not noted")
        elif fed.volts < fed.consumer.least_volts:
            yield Said(
                path,
                f"{view.called(fed.id)} gets too little at the worst load, from {fed.source}",
                Figure("voltage", fed.volts, "V"),
                Figure("least", fed.consumer.least_volts, "V"),
            )


def _supply(view: View) -> Iterable[Said]:
    for load in view.worst.supplies:
        path = view.by_id[load.supply.id].path
        most = supply_limit_a(load.supply)
        if load.amps is None:
            yield unknown(path, f"{load.supply.id}: {'; '.join(load.unknown[:3])}")
        elif most is None:
            yield unknown(path, f"what {load.supply.id} can give is not noted: amps, or poe_class with volts")
        elif load.amps > most:
            yield Said(
                path,
                f"{view.called(load.supply.id)} must give more than it can",
                Figure("load", load.amps, "A"),
                Figure("most", most, "A"),
            )


def _port(view: View) -> Iterable[Said]:
    for load in view.worst.supplies:
        supply = load.supply
        path = view.by_id[supply.id].path
        if supply.kind != "network":
            continue
        if supply.poe_class is None or supply.volts is None:
            yield unknown(path, f"class or voltage of the network port {supply.id} is not noted")
        elif load.amps is not None:
            watts, most = load.amps * supply.volts, CLASSES[supply.poe_class].device_w
            if watts > most:
                yield Said(
                    path,
                    f"{view.called(supply.id)} must give more than class {supply.poe_class} leaves at the device",
                    Figure("needed", watts, "W"),
                    Figure("most", most, "W"),
                )


def _port_locks(view: View) -> Iterable[Said]:
    for fed in view.worst.consumers:
        supply = view.find(fed.source, "supply")
        if not isinstance(fed.consumer, Lock) or not isinstance(supply, Supply) or supply.kind != "network":
            continue
        if supply.poe_class is not None and supply.poe_class < _LOCK_CLASS:
            yield Said(
                view.by_id[fed.id].path,
                f"{view.called(fed.id)} is fed through the network port {supply.id}",
                Figure("class", supply.poe_class),
                Figure("least", _LOCK_CLASS),
            )


def _battery(view: View) -> Iterable[Said]:
    for load in view.idle.supplies:
        supply = load.supply
        path = view.by_id[supply.id].path
        if supply.backup_hours is None and supply.battery_ah is None:
            if supply.kind in ("mains", "battery", None):
                yield unknown(path, f"battery and wanted hours of {supply.id} are not noted (0: none)")
            continue
        if not supply.backup_hours:
            continue
        if supply.battery_ah is None:
            yield unknown(path, f"the battery of {supply.id} is not noted")
        elif load.amps is None:
            yield unknown(path, f"{supply.id}: {'; '.join(load.unknown[:3])}")
        elif load.amps:
            worked = battery(supply.battery_ah, load.amps, wanted_h=supply.backup_hours)
            if not worked.fits:
                sentence = f"the battery of {view.called(supply.id)} does not last as long as wanted, at rest"
                yield Said((*path, "battery_ah"), sentence, worked.result, worked.limit)


def _mains(view: View) -> Iterable[Said]:
    for named in view.of_kind("supply"):
        supply: Supply = named.entry
        if supply.kind is None:
            yield unknown(named.path, f"what {supply.id} is (mains, network, battery) is not noted")
        if supply.kind != "mains":
            continue
        for field, words in (("earthed", "protective earth of"), ("covered", "cover over the mains terminals of")):
            value = getattr(supply, field)
            if value is None:
                yield unknown(named.path, f"the {words} {view.called(supply.id)} is not noted")
            elif not value:
                yield Said((*named.path, field), f"the {words} {view.called(supply.id)} is missing")


def _spark(view: View) -> Iterable[Said]:
    for named in view.of_kind("lock"):
        lock: Lock = named.entry
        if lock.inductive is None:
            yield unknown(named.path, f"whether {view.called(lock.id)} has a coil is not noted")
        if not lock.inductive:
            continue
        if lock.suppression is None:
            yield unknown(named.path, f"what takes up the spark of {view.called(lock.id)} is not noted")
        elif lock.suppression == "none":
            yield Said((*named.path, "suppression"), f"nothing takes up the spark of {view.called(lock.id)}")
        elif lock.suppression == "diode" and lock.alternating:
            yield Said((*named.path, "suppression"), f"{view.called(lock.id)} is fed with AC: a diode shorts it")


def _escape(view: View) -> Iterable[Said]:
    for named in view.of_kind("door"):
        door = named.entry
        for field, words in (("escape", "on an escape route"), ("fire_release", "released by the fire alarm")):
            if getattr(door, field) is None:
                yield unknown(named.path, f"whether {view.called(door.id)} is {words} is not noted")


def _licensed(view: View) -> Iterable[Said]:
    for named in view.of_kind("door"):
        door = named.entry
        why = [
            words
            for value, words in ((door.escape, "an escape route"), (door.fire_release, "release by the fire alarm"))
            if value
        ]
        if why:
            yield Said(named.path, f"{view.called(door.id)}: {' and '.join(why)}")


def _free(view: View) -> Iterable[Said]:
    for named in view.of_kind("lock"):
        lock: Lock = named.entry
        door = view.find(lock.door, "door")
        if door is None or not (door.escape or door.fire_release):
            continue
        if lock.without_power is None:
            yield unknown(named.path, f"whether {view.called(lock.id)} is free without power is not noted")
        elif lock.without_power == "locked":
            path = (*named.path, "without_power")
            yield Said(path, f"{view.called(lock.id)} stays locked without power, on {view.called(door.id)}")


def _fed_noted(view: View) -> Iterable[Said]:
    for named in view.of_kind("controller"):
        entry: Controller = named.entry
        if entry.fed_by is None:
            yield Said(named.path, f"what feeds {view.called(entry.id)} is not noted")


_LICENSED = (
    "Work on escape routes and fire releases, and their tests, are for those licensed for it; local codes decide."
    " Never take an escape function out of order, not for a test either."
)
RULES = (
    Rule(
        "escape-licensed",
        Severity.NOTE,
        "Doors on escape routes and with fire release are marked for licensed practice.",
        "building and fire codes, which differ by place",
        _LICENSED,
        _licensed,
    ),
    Rule(
        "escape-noted",
        Severity.NOTE,
        "For every door it is noted whether people flee through it and whether the fire alarm frees it.",
        COMMON_PRACTICE,
        "Ask whoever answers for the building's fire safety.",
        _escape,
    ),
    Rule(
        "escape-free",
        Severity.ERROR,
        "A lock on an escape route or with fire release is free without power.",
        "building and fire codes, which differ by place; some allow a lock with a mechanical way out",
        "Ask whoever answers for the building's fire safety before anybody uses the door. " + _LICENSED,
        _free,
    ),
    Rule(
        "not-fed-in-circles",
        Severity.ERROR,
        "Nothing is fed from itself.",
        "this file's own rule",
        "Follow the feed to its supply and note what it passes.",
        _fed,
    ),
    Rule(
        "feed-noted",
        Severity.WARNING,
        "What feeds every controller is noted.",
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
        "charge over current; 0.8 of the capacity usable is common practice",
        "Take a larger battery, or one that is not old. Batteries: short circuits burn, some give off gas.",
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
    Rule(
        "spark-taken-up",
        Severity.WARNING,
        "The coil of every lock has something that takes up its spark.",
        COMMON_PRACTICE,
        "At the lock: a diode across a DC coil, cathode to plus, or a varistor; a varistor for AC.",
        _spark,
    ),
)
"""In the order in which they are told."""
