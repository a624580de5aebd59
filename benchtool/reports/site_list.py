"""The record of an installation as a list: buses with their devices in order, and what hangs on each connector."""

from __future__ import annotations

from typing import Any

from benchtool.install.record import Device, Lock, Reader, Sensor
from benchtool.install.schema import slots_of
from benchtool.install.typed import text_of
from benchtool.install.view import Named, Trunk, View


def site_lines(view: View) -> list[str]:
    """The whole installation."""
    record = view.record
    lines = [record.site.name]
    for trunk in view.trunks:
        lines += ["", *_bus_lines(view, trunk)]
    on_bus = [device for bus in record.bus for device in bus.device]
    placed = {device.id for device in on_bus} | {device.controller for device in on_bus if device.controller}
    loose = [named for named in view.of_kind("controller") if named.id not in placed]
    if loose:
        lines += ["", "controllers on no bus"]
        for named in loose:
            lines += [f"  {_known(view, named.entry)}", *_wired_lines(view, named.id, "      ")]
    lost = [one for one in _wired(view) if one.entry.device not in placed | {named.id for named in loose}]
    if lost:
        lines += ["", "wired to nothing that is recorded", *(f"  {_wired_line(view, one)}" for one in lost)]
    for kind, words in (("supply", "supplies"), ("door", "doors")):
        entries = list(view.of_kind(kind))
        if entries:
            lines += ["", words, *(f"  {_known(view, named.entry)}" for named in entries)]
    return lines


def entry_lines(view: View, named: Named) -> list[str]:
    """All that is noted of one entry, what is not noted at the end."""
    line = view.loaded.line(*named.path)
    lines = [f"{named.kind} {named.id}" + (f", line {line} of the file" if line else "")]
    kind: type = type(named.entry)
    missing = []
    for slot in slots_of(kind):
        value = getattr(named.entry, slot.name)
        if slot.is_list or slot.name == "id":
            continue
        if value is None or value in ((), {}):
            missing.append(slot.name)
            continue
        unit = f" {slot.meaning.unit}" if slot.meaning.unit else ""
        words = view.called(value) if slot.meaning.names and isinstance(value, str) else text_of(slot, value)
        lines.append(f"  {slot.name}: {words}{unit}")
    if named.kind in ("device", "controller"):
        lines += _wired_lines(view, named.id, "  ")
    if missing:
        lines.append(f"  not noted: {', '.join(missing)}")
    return lines


def _bus_lines(view: View, trunk: Trunk) -> list[str]:
    bus = trunk.bus
    known = [
        bus.protocol,
        None if bus.baud is None else f"{bus.baud} bit/s",
        None if bus.controller is None else f"asked by {view.called(bus.controller)}",
    ]
    said = ", ".join(word for word in known if word)
    lines = [f"bus {view.called(bus.id)}{': ' + said if said else ''}"]
    if not bus.device:
        return [*lines, "  no devices yet"]
    for place, device in enumerate(bus.device, 1):
        lines.append(f"  {place:>2}  {_device_words(view, device, place == 1)}")
        lines += _wired_lines(view, device.id, "        ", device.controller)
    return lines


def _device_words(view: View, device: Device, first: bool) -> str:
    serial = device.serial
    if device.controller is not None:
        owner = view.find(device.controller, "controller")
        serial = owner.serial if owner is not None else serial
    parts = [f"{device.kind} {view.called(device.id)}"]
    if device.kind not in ("controller", "junction"):
        parts.append("address not noted" if device.address is None else f"address {device.address}")
    if device.kind != "junction":
        parts.append("serial not noted" if serial is None else f"serial {serial}")
    if not first:
        start = f" from {device.after}" if device.after is not None else ""
        parts.append(f"length not noted{start}" if device.metres is None else f"{device.metres:g} m{start}")
    if device.door is not None and device.name is not None:
        door = view.find(device.door, "door")
        parts.append(f"door {door.name if door is not None else device.door}")
    if device.terminator:
        parts.append("end-of-line on")
    if device.bias_ohm:
        parts.append(f"bias {device.bias_ohm:g} ohm")
    return ", ".join(parts)


def _wired(view: View) -> list[Named]:
    return list(view.of_kind("reader", "lock", "sensor"))


def _wired_lines(view: View, device_id: str, indent: str, also: str | None = None) -> list[str]:
    wired = [named for named in _wired(view) if named.entry.device in (device_id, also or device_id)]
    return [indent + _wired_line(view, named) for named in wired]


def _wired_line(view: View, named: Named) -> str:
    entry: Reader | Lock | Sensor = named.entry
    connector = entry.connector or "connector not noted"
    parts = [f"{connector}: {entry.kind or named.kind} {view.called(entry.id)}"]
    if entry.door is not None and entry.name is not None:
        parts.append(view.called(entry.door))
    elif entry.door is None and entry.kind != "spare":
        parts.append("door not noted")
    if isinstance(entry, Reader) and entry.side is not None:
        parts.append(entry.side)
    if isinstance(entry, Reader) and entry.serial is not None:
        parts.append(f"serial {entry.serial}")
    if entry.metres is not None:
        parts.append(f"{entry.metres:g} m")
    if entry.cores:
        parts.append(", ".join(f"{name} {colour}" for name, colour in entry.cores.items()))
    return ", ".join(parts)


def _known(view: View, entry: Any) -> str:
    kind: type = type(entry)
    parts = []
    for slot in slots_of(kind):
        value = getattr(entry, slot.name)
        if slot.is_list or slot.name in ("id", "name") or value is None or value in ((), {}, slot.default):
            continue
        unit = f" {slot.meaning.unit}" if slot.meaning.unit else ""
        parts.append(f"{slot.name.replace('_', ' ')} {text_of(slot, value)}{unit}")
    return ", ".join([view.called(entry.id), *parts])
