"""The schedule of a hand-over page as tables: doors, controllers, devices, connectors, cables.

A cell is text, or lines of text. What the record does not say is said to be missing, never left blank.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from benchtool.install.record import Controller, Device, Door, Lock, Reader, Sensor
from benchtool.install.rules_pair import terminator_ohm
from benchtool.install.view import Trunk, View
from benchtool.reports.site_words import HIDDEN, NOT_NOTED, Free, amount, metres, yes_no

Cell = str | tuple[str, ...]
_MOST_IN_ROW = 8
"""So many devices, readers, locks or contacts of a door stand in one row."""


@dataclass(frozen=True, slots=True)
class Part:
    """Rows of a table under one heading; no heading for the first of a table that has no parts."""

    rows: tuple[tuple[Cell, ...], ...]
    heading: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """A table."""

    heads: tuple[str, ...]
    parts: tuple[Part, ...]
    widths: tuple[int, ...]
    """Shares of the width, per cent."""
    caption: str = ""
    numbers: frozenset[int] = field(default_factory=frozenset)
    """Columns of figures, set to the right."""

    @property
    def empty(self) -> bool:
        """Whether there is no row."""
        return not any(part.rows for part in self.parts)


def doors_table(view: View) -> Table:
    """Every door with what serves it."""
    at_door: dict[str, dict[str, list[str]]] = defaultdict(lambda: defaultdict(list))
    for named in view.of_kind("device", "reader", "lock", "sensor"):
        entry = named.entry
        if entry.door:
            words = named.id
            if isinstance(entry, Reader) and entry.side:
                words += f" ({entry.side})"
            elif isinstance(entry, Lock):
                free = f", {entry.without_power} without power" if entry.without_power else ""
                words += f" ({entry.kind or 'lock'}{free})"
            elif isinstance(entry, Sensor) and entry.kind:
                words += f" ({entry.kind})"
            at_door[entry.door][named.kind].append(words)
            if isinstance(entry, Device) and entry.kind in ("reader", "keypad"):
                at_door[entry.door]["reader"].append(f"{named.id} ({entry.kind} on the bus)")
            if (
                named.kind != "device"
                and entry.device
                and view.owner(entry.device) not in at_door[entry.door]["device"]
            ):
                at_door[entry.door]["device"].append(view.owner(entry.device))
    rows: list[tuple[Cell, ...]] = []
    for named in view.of_kind("door"):
        door: Door = named.entry
        columns = [at_door[door.id][kind] for kind in ("device", "reader", "lock", "sensor")]
        rows.append(
            (
                (door.name, door.id, *note_lines(door.note)),
                (f"escape route: {yes_no(door.escape)}", f"fire release: {yes_no(door.fire_release)}"),
                *(tuple(one[:_MOST_IN_ROW]) or NOT_NOTED for one in columns),
            )
        )
        # A row is not cut by the end of a page, so it must not be as long as one.
        for begin in range(_MOST_IN_ROW, max(map(len, columns)), _MOST_IN_ROW):
            more = (tuple(one[begin : begin + _MOST_IN_ROW]) for one in columns)
            rows.append(((door.name, door.id, "goes on"), "", *more))
    heads = ("Door", "People's safety", "Device", "Readers", "Locks", "Contacts, buttons")
    return Table(heads, (Part(tuple(rows)),), (20, 20, 12, 14, 19, 15))


def controllers_table(view: View, *, sharing: bool) -> Table:
    """Every controller."""
    rows: list[tuple[Cell, ...]] = []
    for named in view.of_kind("controller"):
        one: Controller = named.entry
        buses = [trunk.bus.id for trunk in view.trunks if trunk.bus.controller == one.id]
        rows.append(
            (
                (one.name or one.id, one.id, *note_lines(one.note)),
                one.maker_type or NOT_NOTED,
                secret(one.serial, sharing=sharing),
                secret(one.network_address, sharing=sharing),
                one.fed_by or NOT_NOTED,
                tuple(buses) or "no bus is noted",
            )
        )
    heads = ("Controller", "Type", "Serial number", "Network address", "Fed by", "Buses")
    return Table(heads, (Part(tuple(rows)),), (23, 17, 17, 19, 11, 13))


def devices_table(view: View, trunk: Trunk, *, sharing: bool) -> Table:
    """The devices of a pair, in the order in which one walks along it."""
    rows: list[tuple[Cell, ...]] = []
    unique = len({device.id for device in trunk.bus.device}) == len(trunk.bus.device)
    for place, device in enumerate(trunk.bus.device, 1):
        head = view.find(device.controller, "controller")
        serial = device.serial or (head.serial if head is not None else None)
        labelled = "-" if device.kind == "junction" and not serial else secret(serial, sharing=sharing)
        far = trunk.position(device.id) if unique else None
        rows.append(
            (
                str(place),
                _address(device),
                (
                    device_name(view, device),
                    f"{device.kind} {device.id}",
                    *_some(device.maker_type),
                    *note_lines(device.note),
                ),
                labelled,
                _way(device, far, first=place == 1, placed=trunk.controller_placed),
                _line(device),
                _screen(device),
                _channel(device, trunk.bus.protocol),
            )
        )
    heads = ("#", "Addr.", "Device", "Serial number", "Cable", "On the pair", "Screen", "Secure channel")
    return Table(heads, (Part(tuple(rows)),), (4, 8, 22, 14, 14, 15, 13, 10), numbers=frozenset({0, 1}))


def device_name(view: View, device: Device) -> str:
    """What a device is called: its own name, its controller's, its door's, or its id."""
    head = view.find(device.controller, "controller")
    door = view.find(device.door, "door")
    return device.name or (head.name if head is not None else None) or (door.name if door is not None else device.id)


def named_device(view: View, device: Device) -> str:
    """Its name with its id: `Store door (if-1)`."""
    name = device_name(view, device)
    return name if name == device.id else f"{name} ({device.id})"


def _address(device: Device) -> str:
    if device.address is not None:
        return str(device.address)
    return "-" if device.kind in ("controller", "junction") else NOT_NOTED


def _way(device: Device, far: float | None, *, first: bool, placed: bool) -> Cell:
    if first and device.after is None:
        began = [f"{metres(device.metres)} {'before it' if placed else 'from the controller'}"] if device.metres else []
        return (*began, *([f"{metres(far)} from the end"] if far else [])) or "begins here"
    lines = [f"{metres(device.metres)} from {device.after or 'the one before'}"]
    lines += [f"kind: {device.cable}"] if device.cable else []
    lines += [] if far is None else [f"{metres(far)} from the end"]
    return tuple(lines)


def _line(device: Device) -> Cell:
    ends = "on" if device.terminator_ohm is None else f"on, {terminator_ohm(device):g} Ω"
    bias = NOT_NOTED if device.bias_ohm is None else f"{device.bias_ohm:g} Ω each" if device.bias_ohm else "none"
    bias += f" from {device.bias_volts:g} V" if device.bias_ohm and device.bias_volts is not None else ""
    if device.kind == "junction":
        return (f"end-of-line: {ends}",) if device.terminator else "terminals alone"
    return (
        f"end-of-line: {yes_no(device.terminator, ends, 'off')}",
        f"bias: {bias}",
        f"stub: {metres(device.stub_m) if device.stub_m != 0 else 'none'}",
        f"load: {amount(device.unit_load)}",
    )


def _screen(device: Device) -> Cell:
    return (
        f"goes on: {yes_no(device.shield_through)}",
        f"earthed: {yes_no(device.shield_earthed, 'HERE')}",
    )


def _channel(device: Device, protocol: str | None) -> str:
    if device.kind in ("controller", "junction") or protocol not in ("osdp", None):
        return "-"
    words = {"none": "NONE: talks in clear", "default": "DEFAULT KEY", "own": "own key", None: NOT_NOTED}
    return words[device.key]


def connectors_table(view: View, *, sharing: bool) -> tuple[Table, tuple[str, ...]]:
    """What each connector serves, device by device; and the interfaces at which no connector is noted."""
    wired: dict[str, list[tuple[Cell, ...]]] = defaultdict(list)
    for named in view.of_kind("reader", "lock", "sensor"):
        entry: Reader | Lock | Sensor = named.entry
        known = view.find(entry.device, "device", "controller") is not None
        # A controller and its place on a pair have the same terminals.
        wired[view.owner(entry.device) if known and entry.device else ""].append(
            _connection(view, entry, sharing=sharing)
        )
    parts, bare = [], []
    for named in view.of_kind("device", "controller"):
        if view.by_kind[named.kind, named.id] is not named:
            continue
        rows = wired.pop(named.id, [])
        cores = named.entry.cores if isinstance(named.entry, Device) else None
        if cores:
            bus = view.record.bus[int(named.path[1])].id
            rows.insert(0, ("bus", (f"pair {bus}",), "-", "-", conductors(cores)))
        if rows:
            parts.append(Part(tuple(rows), _device_heading(view, named.entry)))
        elif isinstance(named.entry, Device) and named.entry.kind == "interface":
            bare.append(view.called(named.id))
    parts += [Part(tuple(rows), "Not tied to a device of this record") for rows in wired.values()]
    heads = ("Connector", "Serves", "Door", "Cable", "Conductors")
    return Table(heads, tuple(parts), (13, 28, 18, 12, 29)), tuple(bare)


def _device_heading(view: View, entry: Device | Controller) -> str:
    if isinstance(entry, Controller):
        return f"{view.called(entry.id)}, controller"
    address = "" if entry.address is None else f", address {entry.address}"
    return f"{named_device(view, entry)}, {entry.kind}{address}"


def _connection(view: View, entry: Reader | Lock | Sensor, *, sharing: bool) -> tuple[Cell, ...]:
    lines: list[str] = []
    if isinstance(entry, Reader):
        lines += _some(entry.maker_type)
        lines.append(f"serial: {secret(entry.serial, sharing=sharing)}")
        lines.append(", ".join([entry.wiring or "wiring not noted", *_some(entry.card_format)]))
    elif isinstance(entry, Lock):
        lines.append(f"without power: {entry.without_power or NOT_NOTED}")
        if entry.opens_by_hand is not None:
            lines.append(f"opens from inside by hand: {yes_no(entry.opens_by_hand)}")
        if entry.inductive is not False:
            lines.append(f"spark taken up by: {entry.suppression or NOT_NOTED}")
    elif entry.supervised_ohm is not None:
        lines.append(f"loop resistor: {entry.supervised_ohm:g} Ω" if entry.supervised_ohm else "no loop resistor")
    door = view.find(entry.door, "door")
    spare = isinstance(entry, Sensor) and entry.kind == "spare"
    place = door.name if door is not None else "-" if spare else NOT_NOTED
    side = f"side: {entry.side}" if isinstance(entry, Reader) and entry.side else ""
    kind = entry.kind or {Reader: "reader", Lock: "lock", Sensor: "input"}[type(entry)]
    named = f"{entry.name} ({entry.id})" if entry.name else entry.id
    return (
        entry.connector or NOT_NOTED,
        (f"{kind} {named}", *lines, *note_lines(entry.note)),
        (place, *([side] if side else [])),
        (metres(entry.metres), entry.cable or f"kind {NOT_NOTED}"),
        conductors(entry.cores),
    )


def conductors(cores: Mapping[str, str] | None) -> Cell:
    """Terminals with the colours of their conductors."""
    # A terminal and its colour stay on one line.
    pairs = (f"{terminal}: {colour}".replace(" ", "\N{NO-BREAK SPACE}") for terminal, colour in (cores or {}).items())
    return "; ".join(pairs) or NOT_NOTED


def cables_table(view: View) -> Table:
    """The kinds of cable."""
    rows: list[tuple[Cell, ...]] = []
    for named in view.of_kind("cable"):
        one = named.entry
        copper = [] if one.awg is None else [f"{one.awg:g} AWG"]
        copper += [] if one.area_mm2 is None else [f"{one.area_mm2:g} mm²"]
        rows.append(
            (
                one.id,
                one.name or NOT_NOTED,
                ", ".join(copper) or NOT_NOTED,
                amount(one.impedance_ohm, "Ω"),
                amount(one.nf_per_km, "nF/km"),
                yes_no(one.twisted),
                yes_no(one.screened),
            )
        )
    heads = ("Kind", "What is printed on it", "Conductor", "Impedance", "Capacitance", "Twisted", "Screened")
    return Table(heads, (Part(tuple(rows)),), (14, 24, 16, 12, 13, 10, 11))


def secret(value: str | None, *, sharing: bool) -> str:
    """A serial number or hardware address; hidden on a page that goes to others."""
    return NOT_NOTED if not value else HIDDEN if sharing else value


def _some(value: str | None) -> list[str]:
    return [value] if value else []


def note_lines(value: str | None) -> Iterable[str]:
    """A note as it stands in a cell, if there is one."""
    return [Free(f"Note: {value}")] if value else []
