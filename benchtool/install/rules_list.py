"""Rules of the list itself: names, serial numbers, addresses, settings of each bus."""

from __future__ import annotations

import re
from collections.abc import Iterable

from benchtool.install.compare_serial import plain
from benchtool.install.places import Path
from benchtool.install.record import OSDP_MOST, Device
from benchtool.install.rule import COMMON_PRACTICE, KEPT, Rule, Said, Severity, some, unknown
from benchtool.install.schema import slots_of
from benchtool.install.view import Named, View
from benchtool.install.worked import Figure

_MODBUS = (1, 247)
RANGES = {"osdp": (0, OSDP_MOST), "modbus-rtu": _MODBUS, "modbus-ascii": _MODBUS}
"""Addresses of devices by protocol, the lowest and the highest."""
HARDWARE_ADDRESS = re.compile(r"(?:[0-9A-Fa-f]{2}[-:.]?){5}[0-9A-Fa-f]{2}\Z")


def _ids(view: View) -> Iterable[Said]:
    for named in view.entries:
        first = view.by_id[named.id]
        if first is not named:
            line = view.loaded.line(*first.path)
            yield Said((*named.path, "id"), f"the id {named.id} is used by the {first.kind} of line {line} already")
        else:
            yield KEPT


def _references(view: View) -> Iterable[Said]:
    kinds: set[type] = {type(named.entry) for named in view.entries}
    naming = {kind: [slot for slot in slots_of(kind) if slot.meaning.names] for kind in kinds}
    for named in view.entries:
        for slot in naming[type(named.entry)]:
            value = getattr(named.entry, slot.name)
            for name in (value,) if isinstance(value, str) else value or ():
                if view.find(name, *slot.meaning.names) is not None:
                    yield KEPT
                    continue
                other = view.by_id.get(name)
                what = f"{name} is a {other.kind}" if other else f"nothing has the id {name!r}"
                wants = _either(slot.meaning.names)
                yield Said((*named.path, slot.name), f"{named.id}: {slot.name} wants a {wants}; {what}")


def _either(words: Iterable[str]) -> str:
    *most, last = words
    return f"{', '.join(most)} or {last}" if most else last


_NO_SERIAL = {"na", "none", "no", "unknown", "tbd", "tba", "todo", "missing", "unreadable", "notreadable", "notnoted"}
"""What people write where they could not read a number, but for its signs; as do ?, - and x alone."""


def noted_serial(written: str | None) -> str | None:
    """A serial number as noted; None where what stands there is none: `?`, `n/a`, `unknown`."""
    bare = re.sub(r"[\W_]", "", written or "").lower()
    return None if not bare.strip("x") or bare in _NO_SERIAL else written


def _serials(view: View) -> list[Named]:
    """What has a serial number of its own: a controller's place on a pair has the controller's."""
    return [
        named
        for named in view.of_kind("controller", "device", "reader")
        if not (isinstance(named.entry, Device) and (named.entry.controller or named.entry.kind == "junction"))
    ]


def _serial_missing(view: View) -> Iterable[Said]:
    for named in _serials(view):
        written = named.entry.serial
        if noted_serial(written):
            yield KEPT
        else:
            instead = f": {written!r} is none" if (written or "").strip() else ""
            yield Said(named.path, f"the serial number of {view.called(named.id)} is not noted{instead}")


def _serial_twice(view: View) -> Iterable[Said]:
    noted = {named.path: noted_serial(named.entry.serial) for named in _serials(view)}
    yield from _twice(view, "serial", noted, "serial number")


def _network_address(view: View) -> Iterable[Said]:
    found: dict[Path, str | None] = {}
    for named in view.of_kind("controller"):
        address = (named.entry.network_address or "").strip()
        if address and not HARDWARE_ADDRESS.match(address):
            yield Said((*named.path, "network_address"), f"{address} is no hardware address: six pairs of hex digits")
        elif address and (wrong := _nobodys(re.sub("[-:.]", "", address))):
            yield Said((*named.path, "network_address"), f"{address} is {wrong}, which no port has of its own")
        else:
            found[named.path] = re.sub("[-:.]", "", address)
    yield from _twice(view, "network_address", found, "hardware address")


def _nobodys(digits: str) -> str:
    """What an address is that no single port can have; empty where it can be one's. IEEE 802: the lowest bit of the
    first octet is set in addresses of groups."""
    octets = bytes.fromhex(digits)
    if not any(octets):
        return "all zeros"
    if octets == b"\xff" * 6:
        return "the address of all ports"
    return "the address of a group" if octets[0] & 1 else ""


def _twice(view: View, field: str, values: dict[Path, str | None], what: str) -> Iterable[Said]:
    seen: dict[str, Path] = {}
    missing: list[Path] = []
    for path, value in values.items():
        if not value:
            missing.append(path)
            continue
        first = seen.setdefault(plain(value) or value, path)
        if first != path:
            line = view.loaded.line(*first, field)
            yield Said((*path, field), f"the {what} {value} is noted on line {line} as well")
        else:
            yield KEPT
    if missing:
        names = [_id_at(view, path) for path in missing]
        yield unknown(missing[0], f"the {what} is not noted at {some(names)}")


def _id_at(view: View, path: Path) -> str:
    entry: object = view.record
    for part in path:
        entry = entry[part] if isinstance(part, int) else getattr(entry, part)  # type: ignore[index]
    return str(entry.id)  # type: ignore[attr-defined]


def _address(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        for path, device in trunk.answerers:
            if device.address is not None:
                yield KEPT
            elif device.kind != "other":
                yield Said(path, f"the address of {view.called(device.id)} is not noted")


def _address_range(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        protocol = trunk.bus.protocol
        if trunk.answerers and protocol is None:
            yield unknown(trunk.path, f"the protocol of {trunk.bus.id} is not noted")
        if protocol not in RANGES:
            continue
        low, high = RANGES[protocol]
        missing = []
        for path, device in trunk.answerers:
            if device.address is None:
                missing.append(device.id)
            elif low <= device.address <= high:
                yield KEPT
            else:
                yield Said(
                    (*path, "address"),
                    f"{view.called(device.id)} has an address that {protocol} does not have: {low} to {high}",
                    Figure("address", device.address),
                    Figure("most" if device.address > high else "least", high if device.address > high else low),
                )
        if missing:
            yield unknown(trunk.path, f"the address is not noted at {some(missing)}")


def _address_twice(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        seen: dict[int, Device] = {}
        missing = []
        for path, device in trunk.answerers:
            if device.address is None:
                missing.append(device.id)
                continue
            first = seen.setdefault(device.address, device)
            if first is device:
                yield KEPT
            else:
                yield Said(
                    (*path, "address"),
                    f"{view.called(device.id)} and {view.called(first.id)} both have address {device.address}",
                )
        if missing:
            yield unknown(trunk.path, f"the address is not noted at {some(missing)}")


def _settings(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        for field, words in (("protocol", "protocol"), ("baud", "bit rate"), ("controller", "controller")):
            if getattr(trunk.bus, field) is None:
                yield Said(trunk.path, f"the {words} of {trunk.bus.id} is not noted")
            else:
                yield KEPT


def _keys(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        if trunk.bus.protocol is None and trunk.answerers:
            yield unknown(trunk.path, f"the protocol of {trunk.bus.id} is not noted")
        if trunk.bus.protocol != "osdp":
            continue
        for path, device in trunk.answerers:
            if device.key is None:
                yield unknown(path, f"whether {view.called(device.id)} has a key of its own is not noted")
            elif device.key == "own":
                yield KEPT
            else:
                how = "in clear" if device.key == "none" else "with the default key, which everybody knows"
                yield Said((*path, "key"), f"{view.called(device.id)} talks {how}")


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
        "Hardware addresses of network ports are six pairs of hex digits, of one port, and none is noted twice.",
        "IEEE 802 (48-bit addresses; the lowest bit of the first octet marks groups)",
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
)
"""In the order in which they are told."""
