"""Puts a scenario together: the pair with its nodes, the stations on it, and the virtual bus that runs them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

import numpy as np

from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.frames.card.build import build_bits
from benchtool.frames.osdp.codes import Command, Reply
from benchtool.simulate.answering import Answering
from benchtool.simulate.bus import NS, TapPoint, VirtualBus, Wired
from benchtool.simulate.modbus_stations import ModbusClient, ModbusServer
from benchtool.simulate.outage import Outages
from benchtool.simulate.panel import Panel
from benchtool.simulate.peripheral import Event, Peripheral
from benchtool.simulate.scenario import TAP
from benchtool.simulate.specs import ControllerSpec, DeviceSpec, LineSpec, Scenario, TapSpec
from benchtool.simulate.station import Station
from benchtool.wire.cable import Cable
from benchtool.wire.link import Link
from benchtool.wire.pair import Bias, Break, Driver, Leak, Node, Noise, Pair, Receiver, Short, Terminator

if TYPE_CHECKING:  # their ciphers are loaded only where a secure channel is wanted
    from benchtool.simulate.osdp_device_session import DeviceSession
    from benchtool.simulate.osdp_panel_session import PanelSession

_VENDOR = bytes.fromhex("020b7e")
"""An invented, locally administered vendor code (bit 1 of the first octet set: not assigned to anybody)."""


def tap_settings(scenario: Scenario) -> LineSettings:
    """What the tap's receiver is set to: the line's own settings unless the scenario says otherwise."""
    line, tap = scenario.line, scenario.tap
    return LineSettings(tap.baud or line.baud, CharFormat.parse(tap.format or line.format))


def build_bus(
    scenario: Scenario,
    seed: int,
    *,
    instead: tuple[Station, LineSettings] | None = None,
    osdp_keys: Mapping[int, bytes] | None = None,
) -> VirtualBus:
    """The scenario as a running bus; the same seed gives the same octets at the same times.

    `instead` is a station, and how its line is set, that talks in place of the scenario's controller. `osdp_keys` are
    the keys of secure devices by address; those without one use the default key.
    """
    settings = scenario.line.settings
    wired: dict[str, Wired] = {}
    if instead is not None:
        wired[scenario.controller.name] = Wired(*instead)
    keys = osdp_keys or {}
    for index, controller in enumerate(() if instead is not None else controllers(scenario)):
        sessions = None
        if any(device.secure for device in scenario.devices):
            from benchtool.simulate.secured import panel_sessions

            sessions = panel_sessions(scenario, keys, [seed, 3, index])
        wired[controller.name] = Wired(
            controller_station(scenario, controller, settings, sessions=sessions), settings, controller.clock_error
        )
    for index, device in enumerate(scenario.devices):
        rng = np.random.Generator(np.random.PCG64([seed, 1, index]))
        own = LineSettings(device.baud or settings.baud, CharFormat.parse(device.format or scenario.line.format))
        session = None
        if device.secure:
            from benchtool.simulate.secured import device_session

            session = device_session(device, identity_of(device), keys.get(device.address), [seed, 2, index])
        wired[device.name] = Wired(device_station(scenario, device, own, rng, session=session), own, device.clock_error)
    link = Link(build_pair(scenario), seed)
    return VirtualBus(link, wired, TapPoint(TAP, tap_settings(scenario)), seed)


def controllers(scenario: Scenario) -> tuple[ControllerSpec, ...]:
    """Who polls: one, or two by mistake."""
    second = scenario.second_controller
    return (scenario.controller,) if second is None else (scenario.controller, second)


def build_pair(scenario: Scenario) -> Pair:
    """The scenario's pair: cable, nodes, what is fitted, noise."""
    line = scenario.line
    nodes = [
        *(_node(line, spec, spec.position_m, spec.hold_ms, ground_v=spec.ground_v) for spec in controllers(scenario)),
        *(
            _node(
                line,
                device,
                device.position_m,
                device.hold_ms,
                ground_v=device.ground_v,
                stub_m=device.stub_m,
                unit_loads=device.unit_loads,
                reversed_pair=device.reversed_pair,
            )
            for device in scenario.devices
        ),
        _node(line, scenario.tap, scenario.tap.position_m, 0.005, reversed_pair=scenario.tap.reversed_pair),
    ]
    return Pair(
        Cable(velocity=line.velocity, loop_ohm_per_m=line.loop_ohm_per_m),
        line.length_m,
        tuple(nodes),
        tuple(Terminator(row.position_m, row.ohm) for row in scenario.terminators),
        tuple(Bias(row.position_m, row.pull_ohm, row.supply_v) for row in scenario.biases),
        Noise(
            rms_v=line.noise_v,
            impulse_rate_hz=line.impulses_per_s,
            impulse_v=line.impulse_v,
            impulse_s=line.impulse_us * 1e-6,
            mains_hz=line.mains_hz,
            mains_v=line.mains_v,
            mains_s=line.mains_us * 1e-6,
        ),
        breaks=tuple(Break(row.position_m, row.wire) for row in scenario.breaks),
        shorts=tuple(Short(row.position_m, row.ohm) for row in scenario.shorts),
        leaks=tuple(Leak(row.position_m, row.wire, row.ohm, row.ground_v) for row in scenario.leaks),
    )


def _node(
    line: LineSpec,
    spec: ControllerSpec | DeviceSpec | TapSpec,
    position_m: float,
    hold_ms: float,
    *,
    ground_v: float = 0.0,
    stub_m: float = 0.0,
    unit_loads: float = 1.0,
    reversed_pair: bool = False,
) -> Node:
    threshold = line.threshold_v if spec.threshold_v is None else spec.threshold_v
    return Node(
        TAP if isinstance(spec, TapSpec) else spec.name,
        position_m,
        Driver(line.driver_v, line.driver_ohm, line.rise_ns, hold_s=hold_ms * 1e-3),
        Receiver(threshold_v=threshold, hysteresis_v=line.hysteresis_v, unit_loads=unit_loads),
        reversed_pair=reversed_pair,
        stub_m=stub_m,
        ground_v=ground_v,
    )


def controller_station(
    scenario: Scenario,
    spec: ControllerSpec,
    settings: LineSettings,
    *,
    sessions: Mapping[int, PanelSession] | None = None,
    clear_too: bool = False,
    heard: Callable[[int, int, bytes], None] | None = None,
    notice: Callable[[int, str], None] | None = None,
) -> Station:
    """The controller, polling all devices of the scenario; of OSDP, with secure channels where there are `sessions`.

    `heard` is called with each reply (address, code, data), `notice` as the panel's.
    """
    addresses = list(dict.fromkeys(device.address for device in scenario.devices))
    gap_ns = round(spec.poll_gap_ms * 1e6)
    starts_ns = round(spec.starts_s * NS)
    if spec.protocol == "modbus-rtu":
        return ModbusClient(spec.name, addresses, settings, poll_gap_ns=gap_ns, starts_ns=starts_ns)
    granted = {
        _raw_data(event.format, event.site_code, event.card_number)
        for device in scenario.devices
        for event in device.cards
        if event.granted
    }
    locks = [device.address for device in scenario.devices if device.kind == "interface"]

    def react(address: int, code: int, data: bytes) -> list[tuple[int, int, bytes]]:
        if heard is not None:
            heard(address, code, data)
        if code != Reply.RAW:
            return []
        good = data in granted
        lock = max((other for other in locks if other <= address), default=address)
        commands = [
            (address, int(Command.LED), _led(green=good)),
            (address, int(Command.BUZ), bytes((0, 2, 1, 1, 1 if good else 3))),
        ]
        if good:
            commands.append((lock, int(Command.OUT), bytes((0, 5, 30, 0))))
        return commands

    return Panel(
        spec.name,
        addresses,
        settings,
        poll_gap_ns=gap_ns,
        crc=spec.check == "crc",
        react=react,
        starts_ns=starts_ns,
        sequence=spec.sequence,
        sequence_every=spec.sequence_every,
        sessions=sessions,
        clear_too=clear_too,
        notice=notice,
    )


def device_station(
    scenario: Scenario,
    spec: DeviceSpec,
    settings: LineSettings,
    rng: np.random.Generator,
    *,
    session: DeviceSession | None = None,
    contacts: bool = False,
) -> Answering:
    """A device of the scenario; of OSDP, with a secure channel where there is a `session`.

    With `contacts` a reader says that it has inputs though the scenario changes none: a person may change them.
    """
    reply_ns = round(spec.reply_ms * 1e6)
    outages = None
    if spec.reset_every_s or spec.reset_by_load:
        outages = Outages(
            every_ns=round(spec.reset_every_s * NS),
            by_load=spec.reset_by_load,
            length_ns=round(spec.reset_s * NS),
            rng=rng,
        )
    if scenario.controller.protocol == "modbus-rtu":
        changes = [
            (round(event.at_s * NS), sum(bit << index for index, bit in enumerate(event.inputs)))
            for event in spec.inputs
        ]
        return ModbusServer(
            spec.name,
            spec.address,
            settings,
            reply_ns=reply_ns,
            rng=rng,
            inputs=changes,
            answers=spec.answers,
            outages=outages,
        )
    inputs = len(spec.inputs[0].inputs) if spec.inputs else _INPUTS
    interface = spec.kind == "interface"
    # libosdp's controller gives a device up that tells of inputs that its capabilities do not list.
    contact = bytes((1, 1, inputs)) if interface or spec.inputs or contacts else b""
    return Peripheral(
        spec.name,
        spec.address,
        settings,
        identity=identity_of(spec),
        capabilities=contact + _CAPABILITIES[interface] + _secured(session),
        reply_ns=reply_ns,
        rng=rng,
        events=_events(spec),
        inputs=inputs,
        answers=spec.answers,
        outages=outages,
        sequence=spec.sequence,
        sequence_every=spec.sequence_every,
        session=session,
    )


def _secured(session: DeviceSession | None) -> bytes:
    """The PDCAP record of a secure channel: AES-128, and whether the default key still opens it (sheet 5.5)."""
    return b"" if session is None else bytes((9, 1, int(session.takes_default_key)))


def identity_of(spec: DeviceSpec) -> bytes:
    """What the device answers to ID: PDID, with an invented maker (sheet 5.5)."""
    kind = {"reader": 1, "keypad": 2, "interface": 3}.get(spec.kind, 9)
    return _VENDOR + bytes((kind, 1)) + (0x00A10000 | spec.address).to_bytes(4, "little") + bytes((1, 4, 0))


_INPUTS = 2
_CAPABILITIES = {
    False: bytes((3, 1, 1, 4, 4, 1, 5, 2, 1, 8, 1, 0, 10, 128, 0, 13, 0, 1)),
    True: bytes((2, 4, 1, 3, 1, 1, 4, 4, 1, 5, 2, 1, 8, 1, 0, 10, 128, 0, 13, 0, 1)),
}
"""PDCAP records (function, compliance, number) of a reader and of a door interface but for inputs, sheet 5.5."""


def _events(spec: DeviceSpec) -> list[Event]:
    events: list[Event] = []
    for card in spec.cards:
        data = _raw_data(card.format, card.site_code, card.card_number)
        events.append((round(card.at_s * NS), int(Reply.RAW), data))
    for typed in spec.keys:
        digits = typed.keys.replace("#", "\r").replace("*", "\x7f").encode("ascii")
        events.append((round(typed.at_s * NS), int(Reply.KEYPAD), bytes((0, len(digits))) + digits))
    events += [(round(change.at_s * NS), int(Reply.ISTATR), bytes(change.inputs)) for change in spec.inputs]
    return events


def _raw_data(name: str, site_code: int | None, card_number: int) -> bytes:
    """RAW payload (sheet 5.5): reader 0, format 1, bit count, then the bits left-aligned."""
    bits = build_bits(name, site_code, card_number)
    return bytes((0, 1)) + bits.length.to_bytes(2, "little") + bits.octets


def _led(*, green: bool) -> bytes:
    """LED record: 2 s of green or red, then back to the permanent colour (sheet 5.5)."""
    return bytes((0, 0, 2, 1, 0, 2 if green else 1, 0, 20, 0, 0, 0, 0, 0, 0))
