"""The record of an installation: what is mounted where, how it is wired, what feeds what.

One entry a class; every field says what it means (`schema.py`), and from that the file is read, written, asked for and
documented (docs/site-record.md). A field left out is not known. Entries name each other by `id`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from benchtool.install.schema import entries, needed, noted

SCHEMA = 1
"""Version of the file's layout."""
OSDP_MOST = 126
YES_NO_UNKNOWN = "true or false; left out: not known"
DEVICE_KINDS = ("controller", "interface", "reader", "keypad", "junction", "other")
"""What stands at a pair; a junction is a box with terminals alone, that neither talks nor draws current."""
FEEDERS = ("supply", "controller", "device", "reader", "lock")
_ID = "short name by which other entries name it"
_NOTE = "anything worth knowing"
_CORES = "terminals and the colours of the conductors on them"
_FED = "what feeds it: a supply, or the device whose terminals it is fed from"


def _length(text: str) -> Any:
    return noted(text, unit="m", least=0, most=5000)


def _current(text: str) -> Any:
    return noted(text, unit="mA", least=0, most=20000)


def _voltage(text: str, most: float = 60) -> Any:
    return noted(text, unit="V", least=1, most=most)


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """The place."""

    name: str = needed("what the place is called")
    note: str | None = noted(_NOTE)
    coldest_c: float | None = noted("lowest temperature of cables and devices", unit="°C", least=-60, most=60)
    warmest_c: float | None = noted("highest temperature of cables and devices", unit="°C", least=-20, most=90)


@dataclass(frozen=True, slots=True, kw_only=True)
class Door:
    """A door, gate or other place that people pass."""

    id: str = needed(_ID)
    name: str = needed("what people call it")
    escape: bool | None = noted("on an escape route")
    fire_release: bool | None = noted("released by the fire alarm")
    note: str | None = noted(_NOTE)


@dataclass(frozen=True, slots=True, kw_only=True)
class CableKind:
    """A kind of cable that is used here."""

    id: str = needed(_ID)
    name: str | None = noted("what is printed on it")
    awg: float | None = noted("gauge of one conductor", unit="AWG", least=4, most=36)
    area_mm2: float | None = noted("copper of one conductor", unit="mm²", least=0.01, most=50)
    impedance_ohm: float | None = noted("characteristic impedance of a pair", unit="ohm", least=30, most=300)
    velocity: float | None = noted("speed of a wave as a share of that of light", least=0.3, most=1)
    nf_per_km: float | None = noted("capacitance between the conductors of a pair", unit="nF/km", least=5, most=500)
    twisted: bool | None = noted("twisted in pairs")
    screened: bool | None = noted("has a screen")


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """What gives power: a supply unit, or a network port."""

    id: str = needed(_ID)
    name: str | None = noted("what people call it, or where it is")
    kind: str | None = noted("what it is", choices=("mains", "network", "battery", "other"))
    volts: float | None = _voltage("output")
    lowest_volts: float | None = _voltage("lowest output, as at the end of the battery's charge")
    amps: float | None = noted("largest current it gives for long", unit="A", least=0.001, most=100)
    poe_class: int | None = noted("class of the network port's power", least=0, most=8)
    battery_ah: float | None = noted("capacity of its back-up battery", unit="Ah", least=0, most=1000)
    backup_hours: float | None = noted("how long the battery must last", unit="h", least=0, most=200)
    coldest_c: float | None = noted(
        "lowest temperature of its battery, where it is not the site's", unit="°C", least=-60, most=60
    )
    zero_joined_to: tuple[str, ...] = noted(
        "supplies whose 0 V is joined with this one's", names=("supply",), default=()
    )
    earthed: bool | None = noted("protective earth connected")
    covered: bool | None = noted("mains terminals covered")
    note: str | None = noted(_NOTE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Controller:
    """A door controller: the head of one bus or more."""

    id: str = needed(_ID)
    name: str | None = noted("what people call it, or where it is")
    maker_type: str | None = noted("type on its label")
    serial: str | None = noted("serial number")
    network_address: str | None = noted("hardware address of its network port")
    fed_by: str | None = noted(_FED, names=FEEDERS)
    feed_cable: str | None = noted("kind of cable of the feed", names=("cable",))
    feed_m: float | None = _length("length of the feed")
    idle_ma: float | None = _current("current at rest")
    worst_ma: float | None = _current("largest current")
    least_volts: float | None = _voltage("lowest voltage it works at")
    most_volts: float | None = _voltage("highest voltage it stands", most=100)
    output_volts: float | None = _voltage(
        "voltage that it gives to what is fed from it, where it is not the one it gets"
    )
    output_ma: float | None = _current("largest current that its terminals give to what is fed from it")
    note: str | None = noted(_NOTE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A device on a bus. Devices stand in the order in which one walks along the pair."""

    id: str = needed(_ID)
    kind: str = needed("what it is", choices=DEVICE_KINDS)
    name: str | None = noted("what people call it, or where it is")
    controller: str | None = noted("the controller that this place on the pair belongs to", names=("controller",))
    door: str | None = noted("the door that it belongs to", names=("door",))
    maker_type: str | None = noted("type on its label")
    serial: str | None = noted("serial number")
    address: int | None = noted("address on the bus", least=0, most=255)
    metres: float | None = _length("cable from the entry before it, 0 for the first")
    cable: str | None = noted("kind of that cable, where it is not the bus's", names=("cable",))
    after: str | None = noted("where that cable begins, if not at the entry before it", names=("device",))
    stub_m: float | None = noted("branch from the trunk to the device", unit="m", least=0, most=500)
    terminator: bool | None = noted("end-of-line resistor on")
    terminator_ohm: float | None = noted("its resistance, 120 if not said", unit="ohm", least=10, most=1000)
    bias_ohm: float | None = noted("pull-up and pull-down, each; 0: none fitted", unit="ohm", least=0, most=100000)
    bias_volts: float | None = _voltage("voltage that feeds its bias resistors")
    receiver_offset: bool | None = noted("its receiver reads an idle pair rightly without bias: built-in offset")
    unit_load: float | None = noted("load of its receiver", unit="unit loads", least=0, most=8)
    rise_ns: float | None = noted("edge time of its driver, 10 to 90 %", unit="ns", least=1, most=10000)
    shield_through: bool | None = noted("the screen goes on from cable to cable")
    shield_earthed: bool | None = noted("the screen is joined to earth here")
    fed_by: str | None = noted(_FED, names=FEEDERS)
    feed_cable: str | None = noted("kind of cable of the feed", names=("cable",))
    feed_m: float | None = _length("length of the feed")
    idle_ma: float | None = _current("current at rest")
    worst_ma: float | None = _current("largest current")
    least_volts: float | None = _voltage("lowest voltage it works at")
    most_volts: float | None = _voltage("highest voltage it stands", most=100)
    output_volts: float | None = _voltage(
        "voltage that it gives to what is fed from it, where it is not the one it gets"
    )
    output_ma: float | None = _current("largest current that its terminals give to what is fed from it")
    key: str | None = noted("secure channel", choices=("none", "default", "own"))
    cores: Mapping[str, str] | None = noted(_CORES)
    note: str | None = noted(_NOTE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bus:
    """One RS-485 pair, with all that hangs on it."""

    id: str = needed(_ID)
    name: str | None = noted("what people call it")
    controller: str | None = noted("the controller that asks on it", names=("controller",))
    protocol: str | None = noted("protocol", choices=("osdp", "modbus-rtu", "modbus-ascii", "other"))
    baud: int | None = noted("bit rate", unit="bit/s", least=50, most=20_000_000)
    format: str | None = noted("character format, as 8N1")
    check: str | None = noted("check value of OSDP frames", choices=("crc", "checksum"))
    cable: str | None = noted("kind of cable of the pair", names=("cable",))
    loop: tuple[str, ...] = noted(
        "two devices that one more cable joins, if the pair is closed to a ring", names=("device",), default=()
    )
    device: tuple[Device, ...] = entries("devices, in the order in which one walks along the pair")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reader:
    """A card reader or keypad that is wired to a device: on data lines, or on a pair of its own."""

    id: str = needed(_ID)
    kind: str | None = noted("what it is", choices=("reader", "keypad", "reader with keypad"), default="reader")
    name: str | None = noted("what people call it, or where it is")
    door: str | None = noted("its door", names=("door",))
    side: str | None = noted("which side of the door", choices=("in", "out"))
    device: str | None = noted("the device that it is wired to", names=("device", "controller"))
    connector: str | None = noted("the connector there")
    wiring: str | None = noted("how it is wired", choices=("data lines", "rs485", "other"), default="data lines")
    maker_type: str | None = noted("type on its label")
    serial: str | None = noted("serial number")
    card_format: str | None = noted("what it sends, as 26-bit")
    cable: str | None = noted("kind of its cable", names=("cable",))
    metres: float | None = _length("length of its cable")
    fed_by: str | None = noted(_FED, names=FEEDERS)
    feed_cable: str | None = noted("kind of cable of the feed, where it is not its own", names=("cable",))
    feed_m: float | None = _length("length of the feed, where it is not its own")
    idle_ma: float | None = _current("current at rest")
    worst_ma: float | None = _current("largest current")
    least_volts: float | None = _voltage("lowest voltage it works at")
    most_volts: float | None = _voltage("highest voltage it stands", most=100)
    cores: Mapping[str, str] | None = noted(_CORES)
    note: str | None = noted(_NOTE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lock:
    """What holds a door."""

    id: str = needed(_ID)
    kind: str | None = noted("what it is", choices=("strike", "magnet", "bolt", "motor", "other"))
    name: str | None = noted("what people call it")
    door: str | None = noted("its door", names=("door",))
    device: str | None = noted("the device that switches it", names=("device", "controller"))
    connector: str | None = noted("the connector there")
    without_power: str | None = noted("what it does without power", choices=("locked", "free"))
    opens_by_hand: bool | None = noted("opens from inside by hand, without power and without a key")
    inductive: bool | None = noted("has a coil")
    suppression: str | None = noted("what takes up the coil's spark", choices=("none", "diode", "varistor", "built in"))
    alternating: bool | None = noted("fed with alternating voltage")
    cable: str | None = noted("kind of its cable", names=("cable",))
    metres: float | None = _length("length of its cable")
    fed_by: str | None = noted(_FED, names=FEEDERS)
    feed_cable: str | None = noted("kind of cable of the feed, where it is not its own", names=("cable",))
    feed_m: float | None = _length("length of the feed, where it is not its own")
    idle_ma: float | None = _current("current at rest")
    worst_ma: float | None = _current("largest current")
    least_volts: float | None = _voltage("lowest voltage it works at")
    most_volts: float | None = _voltage("highest voltage it stands", most=100)
    cores: Mapping[str, str] | None = noted(_CORES)
    note: str | None = noted(_NOTE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """A door contact, request-to-exit button or other input; `spare` for one that serves nothing yet."""

    id: str = needed(_ID)
    kind: str | None = noted("what it is", choices=("contact", "exit button", "tamper", "spare", "other"))
    name: str | None = noted("what people call it")
    door: str | None = noted("its door", names=("door",))
    device: str | None = noted("the device that it is wired to", names=("device", "controller"))
    connector: str | None = noted("the connector there")
    supervised_ohm: float | None = noted("end-of-line resistor of its loop, 0: none", unit="ohm", least=0, most=100000)
    cable: str | None = noted("kind of its cable", names=("cable",))
    metres: float | None = _length("length of its cable")
    cores: Mapping[str, str] | None = noted(_CORES)
    note: str | None = noted(_NOTE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """A picture, by its file's name."""

    file: str = needed("name of the file")
    shows: str | None = noted("what it shows")


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """Who was here, when, and what was done and measured."""

    date: str = needed("day, as 2026-03-14")
    by: str | None = noted("who")
    done: str | None = noted("what was done")
    measured: Mapping[str, str] | None = noted('readings, each with its unit, as "A to B, bus-1 off" = "61 ohm"')
    captures: tuple[str, ...] = noted("files that were recorded", default=())
    open: tuple[str, ...] = noted("what is still to be done", default=())


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """One point of the list before closing, done, or a note on one that is still open."""

    item: str = needed("the point's name")
    at: str = needed("when")
    by: str | None = noted("who")
    reading: str | None = noted("what was read, with its unit")
    note: str | None = noted(_NOTE)
    done: bool | None = noted("false: a note alone, the point stays as it was")


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """A whole installation."""

    schema: int = needed("version of this layout", least=SCHEMA, most=SCHEMA)
    site: Site = needed("the place")  # noqa: RUF009 - it describes the field, as dataclasses.field does
    door: tuple[Door, ...] = entries("doors")
    cable: tuple[CableKind, ...] = entries("kinds of cable that are used")
    supply: tuple[Supply, ...] = entries("what gives power")
    controller: tuple[Controller, ...] = entries("controllers")
    bus: tuple[Bus, ...] = entries("RS-485 pairs, each with its devices in order")
    reader: tuple[Reader, ...] = entries("readers and keypads wired to a device")
    lock: tuple[Lock, ...] = entries("locks")
    sensor: tuple[Sensor, ...] = entries("contacts, buttons, spare inputs")
    photo: tuple[Photo, ...] = entries("pictures")
    visit: tuple[Visit, ...] = entries("visits")
    tick: tuple[Tick, ...] = entries("points of the list before closing that are done")
