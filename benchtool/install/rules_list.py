"""Rules of the list itself: names, serial numbers, addresses, what belongs to what."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable

from benchtool.install.places import Path
from benchtool.install.record import OSDP_MOST, Controller, Device, Lock, Reader, Sensor
from benchtool.install.rule import COMMON_PRACTICE, Rule, Said, Severity, unknown
from benchtool.install.schema import slots_of
from benchtool.install.view import Named, View
from benchtool.install.worked import Figure

_MODBUS = (1, 247)
_MOST_INTERFACES = 31
_MOST_READERS = 2
_HARDWARE_ADDRESS = re.compile(r"(?:[0-9A-Fa-f]{2}[:-]?){5}[0-9A-Fa-f]{2}\Z")


def _ids(view: View) -> Iterable[Said]:
    for named in view.entries:
        first = view.by_id[named.id]
        if first is not named:
            line = view.loaded.line(*first.path)
            yield Said((*named.path, "id"), f"the id {named.id} is used by the {first.kind} of line {line} already")


def _references(view: View) -> Iterable[Said]:
    for named in view.entries:
        kind: type = type(named.entry)
        for slot in slots_of(kind):
            kinds, value = slot.meaning.names, getattr(named.entry, slot.name)
            if not kinds or not value:
                continue
            for name in (value,) if isinstance(value, str) else value:
                if view.find(name, *kinds) is None:
                    other = view.by_id.get(name)
                    what = f"{name} is a {other.kind}" if other else f"nothing has the id {name}"
                    yield Said((*named.path, slot.name), f"{named.id}: {slot.name} wants a {_either(kinds)}; {what}")


def _either(words: Iterable[str]) -> str:
    *most, last = words
    return f"{', '.join(most)} or {last}" if most else last


def _serials(view: View) -> list[Named]:
    return [
        named
        for named in view.of_kind("controller", "device", "reader")
        if not (isinstance(named.entry, Device) and named.entry.controller is not None)
    ]


def _serial_missing(view: View) -> Iterable[Said]:
    for named in _serials(view):
        if not named.entry.serial:
            yield Said(named.path, f"the serial number of {view.called(named.id)} is not noted")


def _serial_twice(view: View) -> Iterable[Said]:
    yield from _twice(view, "serial", {named.path: named.entry.serial for named in _serials(view)}, "serial number")


def _network_address(view: View) -> Iterable[Said]:
    found: dict[Path, str | None] = {}
    for named in view.of_kind("controller"):
        address = named.entry.network_address
        if address and not _HARDWARE_ADDRESS.match(address):
            yield Said((*named.path, "network_address"), f"{address} is no hardware address: six pairs of hex digits")
        elif address:
            found[named.path] = re.sub("[:-]", "", address).upper()
    yield from _twice(view, "network_address", found, "hardware address")


def _twice(view: View, field: str, values: dict[Path, str | None], what: str) -> Iterable[Said]:
    seen: dict[str, Path] = {}
    for path, value in values.items():
        if not value:
            continue
        first = seen.setdefault(value.strip().upper(), path)
        if first != path:
            line = view.loaded.line(*first, field)
            yield Said((*path, field), f"the {what} {value} is noted on line {line} as well")


def _address(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        for device in trunk.bus.device:
            if device.kind != "controller" and device.address is None:
                yield Said(trunk.device_path(device), f"the address of {view.called(device.id)} is not noted")


def _address_range(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        protocol = trunk.bus.protocol
        low, high = (0, OSDP_MOST) if protocol == "osdp" else _MODBUS
        addressed = [device for device in trunk.bus.device if device.address is not None]
        if protocol is None and addressed:
            yield unknown(trunk.path, f"the protocol of {trunk.bus.id} is not recorded")
        if protocol not in ("osdp", "modbus-rtu", "modbus-ascii"):
            continue
        for device in addressed:
            if device.kind != "controller" and device.address is not None and not low <= device.address <= high:
                path = (*trunk.device_path(device), "address")
                figure = Figure("address", device.address)
                yield Said(path, f"{device.id} has an address that {protocol} does not have: {low} to {high}", figure)


def _address_twice(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        seen: dict[int, Device] = {}
        for device in trunk.bus.device:
            if device.address is None or device.kind == "controller":
                continue
            first = seen.setdefault(device.address, device)
            if first is not device:
                path = (*trunk.device_path(device), "address")
                yield Said(
                    path, f"{view.called(device.id)} and {view.called(first.id)} both have address {device.address}"
                )


def _interfaces(view: View) -> Iterable[Said]:
    counts: dict[str, int] = defaultdict(int)
    for trunk in view.trunks:
        if trunk.bus.controller is None and trunk.bus.device:
            yield unknown(trunk.path, f"the controller of {trunk.bus.id} is not recorded")
        elif trunk.bus.controller is not None:
            counts[trunk.bus.controller] += sum(device.kind == "interface" for device in trunk.bus.device)
    for named in view.of_kind("controller"):
        count = counts[named.id]
        if count > _MOST_INTERFACES:
            yield Said(
                named.path,
                f"{view.called(named.id)} has {count} interfaces",
                Figure("interfaces", count),
                Figure("most", _MOST_INTERFACES),
            )


def _tied(view: View) -> Iterable[Said]:
    for named in view.of_kind("reader", "lock", "sensor"):
        entry: Reader | Lock | Sensor = named.entry
        spare = isinstance(entry, Sensor) and entry.kind == "spare"
        missing = [
            words
            for words, value in (
                ("its door", entry.door or spare),
                ("the device it is wired to", entry.device),
                ("its connector", entry.connector),
            )
            if not value
        ]
        if missing:
            yield Said(named.path, f"{named.kind} {view.called(named.id)}: not noted: {', '.join(missing)}")


def _connector(view: View) -> Iterable[Said]:
    seen: dict[tuple[str, str], Named] = {}
    for named in view.of_kind("reader", "lock", "sensor"):
        entry: Reader | Lock | Sensor = named.entry
        if not entry.device or not entry.connector:
            continue
        first = seen.setdefault((entry.device, entry.connector.strip().upper()), named)
        if first is not named:
            path = (*named.path, "connector")
            yield Said(path, f"connector {entry.connector} of {entry.device} serves {first.id} and {named.id}")


def _readers(view: View) -> Iterable[Said]:
    served: dict[str, list[str]] = defaultdict(list)
    for named in view.of_kind("reader"):
        entry: Reader = named.entry
        if entry.device:
            served[entry.device].append(named.id)
    for device, readers in served.items():
        if len(readers) > _MOST_READERS and device in view.by_id:
            yield Said(
                view.by_id[device].path,
                f"{view.called(device)} has {len(readers)} readers: {', '.join(readers)}",
                Figure("readers", len(readers)),
                Figure("most", _MOST_READERS),
            )


def _settings(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        for field, words in (("protocol", "protocol"), ("baud", "bit rate"), ("controller", "controller")):
            if getattr(trunk.bus, field) is None:
                yield Said(trunk.path, f"the {words} of {trunk.bus.id} is not noted")


def _keys(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        if trunk.bus.protocol != "osdp":
            continue
        for device in trunk.bus.device:
            if device.key in ("none", "default"):
                how = "in clear" if device.key == "none" else "with the default key, which everybody knows"
                yield Said((*trunk.device_path(device), "key"), f"{view.called(device.id)} talks {how}")


def _controllers(view: View) -> Iterable[Said]:
    for named in view.of_kind("controller"):
        entry: Controller = named.entry
        if not any(trunk.bus.controller == entry.id for trunk in view.trunks) and view.trunks:
            yield Said(named.path, f"no bus of {view.called(named.id)} is recorded")


_WRITE_DOWN = "Read it off the device's label and write it down; a scanner types it."
RULES = (
    Rule(
        "id-once",
        Severity.ERROR,
        "Every id names one entry.",
        "this file's own rule",
        "Give one of the two another id, and the entries that mean it.",
        _ids,
    ),
    Rule(
        "reference-known",
        Severity.ERROR,
        "Every entry that is named is in the record.",
        "this file's own rule",
        "Write the id as it stands at the entry that is meant, or add the entry.",
        _references,
    ),
    Rule(
        "serial-noted",
        Severity.WARNING,
        "The serial number of every device is noted.",
        COMMON_PRACTICE,
        _WRITE_DOWN,
        _serial_missing,
    ),
    Rule(
        "serial-once",
        Severity.ERROR,
        "No serial number is noted twice.",
        COMMON_PRACTICE,
        "Look at both labels: one of the two was noted at the wrong device.",
        _serial_twice,
    ),
    Rule(
        "network-address-right",
        Severity.WARNING,
        "Hardware addresses of network ports are six pairs of hex digits, and none is noted twice.",
        "IEEE 802 (48-bit addresses)",
        _WRITE_DOWN,
        _network_address,
    ),
    Rule(
        "address-noted",
        Severity.WARNING,
        "The bus address of every device is noted.",
        COMMON_PRACTICE,
        "Read the switches or the setting, or ask on the bus: benchtool survey.",
        _address,
    ),
    Rule(
        "address-in-range",
        Severity.ERROR,
        "Every address is one that the protocol has.",
        "OSDP: 0 to 126; Modbus serial line guide: 1 to 247",
        "Set another address at the device and note it.",
        _address_range,
    ),
    Rule(
        "address-once",
        Severity.ERROR,
        "No two devices of a bus have one address.",
        "Modbus serial line guide, 4.2.1; OSDP alike",
        "Set another address at one of the two. Both answer at once now, and damage each other's replies.",
        _address_twice,
    ),
    Rule(
        "interfaces-at-most",
        Severity.WARNING,
        f"A controller has at most {_MOST_INTERFACES} interfaces.",
        COMMON_PRACTICE,
        "Look in the controller's manual; a second bus or controller takes the rest.",
        _interfaces,
    ),
    Rule(
        "tied",
        Severity.WARNING,
        "Every reader, lock and sensor belongs to a door, a device and a connector.",
        COMMON_PRACTICE,
        "Follow the cable and note where it ends.",
        _tied,
    ),
    Rule(
        "connector-once",
        Severity.ERROR,
        "No connector serves two things.",
        COMMON_PRACTICE,
        "Follow both cables: one of the two ends elsewhere, or is in parallel where it should not be.",
        _connector,
    ),
    Rule(
        "readers-at-most",
        Severity.WARNING,
        f"A device serves at most {_MOST_READERS} readers.",
        COMMON_PRACTICE,
        "Look in the device's manual; move a reader to another device.",
        _readers,
    ),
    Rule(
        "settings-noted",
        Severity.NOTE,
        "Protocol, bit rate and controller of every bus are noted.",
        COMMON_PRACTICE,
        "Read them at the controller, or find them by listening: benchtool listen PORT --baud auto.",
        _settings,
    ),
    Rule(
        "own-key",
        Severity.WARNING,
        "OSDP devices talk with a key of their own.",
        "OSDP secure channel; a default key is public",
        "Set a key of your own at controller and device, in the controller's way (docs/howto-osdp-security.md).",
        _keys,
    ),
    Rule(
        "controller-has-bus",
        Severity.NOTE,
        "Every controller asks on a bus that is recorded.",
        "this file's own rule",
        "Add the bus, or name the controller at it.",
        _controllers,
    ),
)
"""In the order in which they are told."""
