"""Modbus devices and requests from a TOML file: what servers hold and do wrong, what a client asks.

The file format is documented in docs/modbus.md. Every mistake is a ScenarioError: one line that names table and key.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.simulate.modbus_client import Client
from benchtool.simulate.modbus_faults import Faulty, Ill, Wrong
from benchtool.simulate.modbus_framing import Mode
from benchtool.simulate.modbus_points import Change, Points, Table, Written
from benchtool.simulate.modbus_query import Query, Result
from benchtool.simulate.modbus_server import Server, Servers
from benchtool.simulate.modbus_unit import Refusal, Unit
from benchtool.simulate.scenario import make_spec
from benchtool.simulate.specs import Name, OneOf, Range, ScenarioError, Seconds

_MS = 1_000_000
_S = 1_000_000_000

Place = Annotated[int, Range(0, 0xFFFF)]
Values = Annotated[tuple[int, ...], Range(1, 0x10000)]
Often = Annotated[int, Range(1, 1_000_000)]
_Wait = Annotated[float, Range(0, 3_600_000)]


@dataclass(frozen=True, slots=True)
class PlacesSpec:
    """What stands at an address and those after it."""

    start: Place
    values: Values


@dataclass(frozen=True, slots=True)
class ChangeSpec:
    """From a time on, other values."""

    at_s: Seconds
    table: Annotated[str, OneOf(tuple(table.value for table in Table))]
    start: Place
    values: Values


@dataclass(frozen=True, slots=True)
class RefusalSpec:
    """Requests that are refused on purpose."""

    exception: Annotated[int, Range(1, 11)]
    function: Annotated[int, Range(1, 127)] | None = None
    start: Place = 0
    end: Place = 0xFFFF
    every: Often = 1


@dataclass(frozen=True, slots=True)
class FaultSpec:
    """What is said wrongly on purpose."""

    wrong: Annotated[str, OneOf(tuple(wrong.value for wrong in Wrong))]
    every: Often = 1
    late_ms: _Wait = 0.0
    after: Annotated[int, Range(0, 1_000_000)] = 0


@dataclass(frozen=True, slots=True)
class RecordsSpec:
    """Registers of a file."""

    file: Annotated[int, Range(1, 0xFFFF)]
    start: Annotated[int, Range(0, 9999)]
    values: Values


@dataclass(frozen=True, slots=True)
class QueueSpec:
    """Registers in a queue, the oldest first."""

    address: Place
    values: Annotated[tuple[int, ...], Range(0, 100)]


@dataclass(frozen=True, slots=True)
class ObjectSpec:
    """One object of the device identification."""

    number: Annotated[int, Range(0, 255)]
    text: Annotated[str, Range(0, 240)]


@dataclass(frozen=True, slots=True)
class ModbusDevice:
    """A server."""

    address: Annotated[int, Range(1, 247)]
    name: Name = "device"
    reply_ms: _Wait = 3.0
    functions: Annotated[tuple[int, ...], Range(1, 127)] | None = None
    server_id: Annotated[str, Range(0, 240)] = ""
    status: Annotated[int, Range(0, 255)] = 0
    coils: tuple[PlacesSpec, ...] = ()
    inputs: tuple[PlacesSpec, ...] = ()
    holding: tuple[PlacesSpec, ...] = ()
    input_registers: tuple[PlacesSpec, ...] = ()
    change: tuple[ChangeSpec, ...] = ()
    refuse: tuple[RefusalSpec, ...] = ()
    fault: tuple[FaultSpec, ...] = ()
    records: tuple[RecordsSpec, ...] = ()
    queue: tuple[QueueSpec, ...] = ()
    identity: tuple[ObjectSpec, ...] = ()


@dataclass(frozen=True, slots=True)
class PollSpec:
    """A request, once or again and again; `values` by the names of the function table."""

    address: Annotated[int, Range(0, 247)]
    function: Annotated[int, Range(1, 127)]
    every_ms: Annotated[float, Range(1, 3_600_000)] | None = None
    values: Mapping[str, Any] = field(default_factory=dict)
    data: Annotated[str, Range(0, 504)] | None = None


@dataclass(frozen=True, slots=True)
class ModbusFile:
    """The whole file."""

    modbus: Annotated[str, OneOf(("rtu", "ascii"))]
    baud: Annotated[int, Range(50, 20_000_000)] = 9600
    format: Annotated[str, Range(3, 5)] = "8N1"
    pause_ms: _Wait = 50.0
    reply_limit_ms: Annotated[float, Range(1, 3_600_000)] = 1000.0
    retries: Annotated[int, Range(0, 100)] = 0
    device: tuple[ModbusDevice, ...] = ()
    poll: tuple[PollSpec, ...] = ()
    fault: tuple[FaultSpec, ...] = ()

    @property
    def mode(self) -> Mode:
        """RTU or ASCII."""
        return Mode[self.modbus.upper()]

    @property
    def settings(self) -> LineSettings:
        """Rate and character format."""
        return LineSettings(self.baud, CharFormat.parse(self.format))


def is_modbus_file(path: str) -> bool:
    """Whether a TOML file describes Modbus devices rather than a scenario; False too where it cannot be read."""
    try:
        return "modbus" in tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return False


def load(path: str) -> ModbusFile:
    """Read a file; ScenarioError says what is wrong."""
    try:
        return parse(tomllib.loads(Path(path).read_text(encoding="utf-8")))
    except OSError as error:
        raise ScenarioError(f"cannot read {path}: {error.strerror or error}") from None
    except RecursionError:
        raise ScenarioError(f"{path} is not TOML that can be read: it nests too deep") from None
    except ScenarioError as error:
        raise ScenarioError(f"{path}: {error}") from None
    except ValueError as error:
        raise ScenarioError(f"{path} is not TOML: {error}") from None


def parse(data: Mapping[str, Any]) -> ModbusFile:
    """Make it of the parsed TOML; ScenarioError names the table and key that is wrong."""
    made = make_spec(ModbusFile, dict(data), "the file")
    try:
        settings = made.settings
    except ValueError as error:
        raise ScenarioError(f"the file 'format': {error}") from None
    if made.mode is Mode.RTU and made.settings.format.data_bits != 8:
        raise ScenarioError(f"the file 'format' has 8 data bits for RTU, not {made.format}")
    seen: set[int] = set()
    for device in made.device:
        if device.address in seen:
            raise ScenarioError(f"two devices have the address {device.address}; give each its own")
        seen.add(device.address)
    if not made.device and not made.poll:
        raise ScenarioError("the file has neither a [[device]] to answer nor a [[poll]] to ask")
    servers(made, settings)
    client(made, settings)
    return made


def servers(
    made: ModbusFile,
    settings: LineSettings,
    *,
    resolution_ns: int = 0,
    on_write: Callable[[int, int, Table, int, list[int]], None] | None = None,
) -> Servers:
    """The devices as one station; `on_write` is told address, time, table, start and values of each write."""
    members = []
    for device in made.device:
        told = None if on_write is None else _teller(on_write, device.address)
        try:
            unit = _unit(device, told)
        except ValueError as error:
            raise ScenarioError(f"device {device.address}: {error}") from None
        members.append(
            Server(
                device.name,
                device.address,
                settings,
                unit,
                mode=made.mode,
                reply_ns=round(device.reply_ms * _MS),
                resolution_ns=resolution_ns,
            )
        )
    faults = {device.address: [_ill(fault) for fault in device.fault] for device in made.device}
    return Servers("servers", members, settings, mode=made.mode, resolution_ns=resolution_ns, faults=faults)


def client(
    made: ModbusFile,
    settings: LineSettings,
    *,
    resolution_ns: int = 0,
    on_result: Callable[[Result], None] | None = None,
) -> Client:
    """The client that asks what the file polls, without its faults (see `faulty`)."""
    queries = []
    for number, poll in enumerate(made.poll, 1):
        every_ns = None if poll.every_ms is None else round(poll.every_ms * _MS)
        try:
            data = None if poll.data is None else bytes.fromhex(poll.data)
            query = Query(poll.address, poll.function, poll.values, every_ns, data)
            query.unit()
        except ValueError as error:
            raise ScenarioError(f"[[poll]] {number}: {error}") from None
        queries.append(query)
    return Client(
        "client",
        settings,
        queries,
        mode=made.mode,
        pause_ns=round(made.pause_ms * _MS),
        reply_limit_ns=round(made.reply_limit_ms * _MS),
        retries=made.retries,
        resolution_ns=resolution_ns,
        on_result=on_result,
    )


def faulty(made: ModbusFile, station: Client) -> Faulty:
    """The client with the faults of the file, if any, in what it says."""
    return Faulty(station, [_ill(fault) for fault in made.fault], made.mode)


def _ill(spec: FaultSpec) -> Ill:
    return Ill(Wrong(spec.wrong), spec.every, round(spec.late_ms * _MS), spec.after)


def _teller(told: Callable[[int, int, Table, int, list[int]], None], address: int) -> Written:
    return lambda now_ns, table, start, values: told(address, now_ns, table, start, list(values))


def _unit(device: ModbusDevice, on_write: Written | None) -> Unit:
    changes = [
        Change(round(change.at_s * _S), Table(change.table), change.start, change.values) for change in device.change
    ]
    points = Points(changes=changes, on_write=on_write)
    for table in Table:
        for places in getattr(device, table.value):
            points.set(table, places.start, places.values)
    for records in device.records:
        if any(not 0 <= value <= 0xFFFF for value in records.values):
            raise ValueError("records hold values of 0 to 65535")
        points.files.setdefault(records.file, {}).update(enumerate(records.values, records.start))
    for queue in device.queue:
        if any(not 0 <= value <= 0xFFFF for value in queue.values):
            raise ValueError("a queue holds values of 0 to 65535")
        points.queues[queue.address] = list(queue.values)
    unit = Unit(
        points,
        functions=device.functions,
        server_id=device.server_id.encode("latin-1", "replace"),
        identity={thing.number: thing.text for thing in device.identity},
        refusals=[Refusal(one.exception, one.function, one.start, one.end, one.every) for one in device.refuse],
    )
    unit.status = device.status
    return unit
