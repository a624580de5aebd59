"""A Modbus server without a line: a request's function and data in, the reply's out.

It does every public function on its points. Checks in the specification's order: function (01), quantity or value (03),
address (02), processing (04); sheet 3.3 and 3.4. What it counts for Diagnostics is in `modbus_counts`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, NamedTuple

from benchtool.frames.frame import Role
from benchtool.frames.modbus.build import encode
from benchtool.frames.modbus.functions import EXCEPTIONS, FUNCTIONS, IDENTIFICATION, layout_of
from benchtool.frames.modbus.layout import Reader
from benchtool.simulate.modbus_counts import Counts, RefusedError
from benchtool.simulate.modbus_identity import identification
from benchtool.simulate.modbus_points import Points, Table

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3
_MOST_FILE_OCTETS = 245
_MOST_QUEUE = 31
_ADDRESS_PROBLEMS = ("reference type", "file ", "record ")
"""What is wrong about where a record lies is refused as an address (from memory)."""
_READS = {1: Table.COILS, 2: Table.INPUTS, 3: Table.HOLDING, 4: Table.INPUT_REGISTERS}


class Refusal(NamedTuple):
    """An exception on purpose: every `every`-th request that fits is answered with it, and not done.

    `function` None fits all; `start` and `end` (both included) fit requests that touch these addresses.
    """

    exception: int
    function: int | None = None
    start: int = 0
    end: int = 0xFFFF
    every: int = 1


class Unit:
    """One server's memory and manners. `functions` None: all public ones; `identity` is by object number."""

    def __init__(
        self,
        points: Points,
        *,
        functions: Iterable[int] | None = None,
        server_id: bytes = b"",
        identity: Mapping[int, str] | None = None,
        refusals: Iterable[Refusal] = (),
    ) -> None:
        self.points = points
        self.counts = Counts()
        self.running = True
        """The run indicator that function 11 tells."""
        self.status = 0
        """The eight bits that function 07 tells."""
        self.refuse(refusals)
        self._functions = frozenset(_DO if functions is None else functions)
        if strange := self._functions - frozenset(_DO):
            raise ValueError(f"functions that this server does not know: {sorted(strange)}")
        self.server_id = server_id
        self.identity = dict(identity or {})

    def refuse(self, refusals: Iterable[Refusal]) -> None:
        """From now on these are refused on purpose; ValueError for one that cannot be."""
        wanted = list(refusals)
        for refusal in wanted:
            if refusal.exception not in EXCEPTIONS or refusal.every < 1:
                raise ValueError(f"a refusal has a defined exception and comes every 1st or later time, not {refusal}")
        self._refusals = wanted
        self._fits = [0] * len(wanted)

    def answer(self, body: bytes, now_ns: int, *, broadcast: bool = False) -> bytes | None:
        """Do what function and data ask; the reply's, or None where nothing is to be said. Never raises on input."""
        if not body:
            return None
        function = body[0]
        counts = self.counts
        counts.received(broadcast=broadcast)
        if counts.listen_only and not (function == 8 and body[1:3] == b"\0\1" and 8 in self._functions):
            return None
        silenced = counts.listen_only
        self.points.pass_time(now_ns)
        try:
            said: bytes | None = bytes((function,)) + self._do(function, body, now_ns)
        except RefusedError as refused:
            said = bytes((function | 0x80, refused.exception))
        if broadcast or silenced or counts.listen_only:
            said = None
        counts.said(function, said)
        return said

    def _do(self, function: int, body: bytes, now_ns: int) -> bytes:
        values = self._values(function, body)
        self._refuse_on_purpose(function, values)
        told = _DO[function](self, values, now_ns)
        return encode(function, Role.REPLY, told)

    def _values(self, function: int, body: bytes) -> dict[str, Any]:
        row = FUNCTIONS.get(function)
        if row is None or function not in self._functions:
            raise RefusedError(ILLEGAL_FUNCTION)
        if function == 0x2B and (body[1:2] != bytes((IDENTIFICATION,)) or not self.identity):
            raise RefusedError(ILLEGAL_FUNCTION)
        reader = Reader(body, 1, len(body))
        reader.read(layout_of(row, Role.REQUEST, IDENTIFICATION) or ())
        if function == 8 and any("is not defined" in problem for problem in reader.problems):
            raise RefusedError(ILLEGAL_FUNCTION)
        wrong_place = [problem for problem in reader.problems if problem.startswith(_ADDRESS_PROBLEMS)]
        if len(wrong_place) < len(reader.problems):
            raise RefusedError(ILLEGAL_VALUE)
        if wrong_place:
            raise RefusedError(ILLEGAL_ADDRESS)
        return {field.name: field.value for field in reader.fields}

    def _refuse_on_purpose(self, function: int, values: Mapping[str, Any]) -> None:
        first, last = _touched(values)
        for index, refusal in enumerate(self._refusals):
            if refusal.function in (None, function) and first <= refusal.end and refusal.start <= last:
                self._fits[index] += 1
                if self._fits[index] % refusal.every == 0:
                    raise RefusedError(refusal.exception)

    def _need(self, table: Table, start: int, count: int) -> None:
        if not self.points.has(table, start, count):
            raise RefusedError(ILLEGAL_ADDRESS)

    def _read(self, table: Table, values: Mapping[str, Any]) -> dict[str, Any]:
        start, quantity = values["start"], values["quantity"]
        self._need(table, start, quantity)
        return {"bits" if table.most == 1 else "registers": self.points.get(table, start, quantity)}

    def _write(self, table: Table, start: int, things: list[int], now_ns: int) -> None:
        self._need(table, start, len(things))
        self.points.write(now_ns, table, start, things)

    def _write_coil(self, values: dict[str, Any], now_ns: int) -> dict[str, Any]:
        self._write(Table.COILS, values["address"], [int(values["value"] != 0)], now_ns)
        return values

    def _write_register(self, values: dict[str, Any], now_ns: int) -> dict[str, Any]:
        self._write(Table.HOLDING, values["address"], [values["value"]], now_ns)
        return values

    def _write_coils(self, values: dict[str, Any], now_ns: int) -> dict[str, Any]:
        self._write(Table.COILS, values["start"], values["bits"], now_ns)
        return {name: values[name] for name in ("start", "quantity")}

    def _write_registers(self, values: dict[str, Any], now_ns: int) -> dict[str, Any]:
        self._write(Table.HOLDING, values["start"], values["registers"], now_ns)
        return {name: values[name] for name in ("start", "quantity")}

    def _mask(self, values: dict[str, Any], now_ns: int) -> dict[str, Any]:
        at, keep, put = values["address"], values["and_mask"], values["or_mask"]
        self._need(Table.HOLDING, at, 1)
        (held,) = self.points.get(Table.HOLDING, at)
        self.points.write(now_ns, Table.HOLDING, at, [(held & keep) | (put & ~keep & 0xFFFF)])
        return values

    def _read_and_write(self, values: dict[str, Any], now_ns: int) -> dict[str, Any]:
        start, quantity = values["read_start"], values["read_quantity"]
        self._need(Table.HOLDING, start, quantity)
        self._write(Table.HOLDING, values["write_start"], values["registers"], now_ns)
        return {"registers": self.points.get(Table.HOLDING, start, quantity)}

    def _queue(self, values: dict[str, Any], now_ns: int) -> dict[str, Any]:
        queue = self.points.queues.get(values["address"])
        if queue is None:
            raise RefusedError(ILLEGAL_ADDRESS)
        if len(queue) > _MOST_QUEUE:
            raise RefusedError(ILLEGAL_VALUE)
        return {"fifo_count": len(queue), "registers": list(queue)}

    def _records(self, values: Mapping[str, Any]) -> list[dict[str, Any]]:
        records = [value for value in values.values() if isinstance(value, dict)]
        for record in records:
            held = self.points.files.get(record["file"], {})
            if not all(record["record"] + at in held for at in range(record["length"])):
                raise RefusedError(ILLEGAL_ADDRESS)
        return records

    def _read_files(self, values: dict[str, Any], now_ns: int) -> dict[str, Any]:
        lengths = [value["length"] for value in values.values() if isinstance(value, dict)]
        if sum(2 * length + 2 for length in lengths) > _MOST_FILE_OCTETS:
            raise RefusedError(ILLEGAL_VALUE)
        told = []
        for record in self._records(values):
            held, first = self.points.files[record["file"]], record["record"]
            registers = [held[first + at] for at in range(record["length"])]
            told.append({"reference_type": 6, "registers": registers})
        return {"records": told}

    def _write_files(self, values: dict[str, Any], now_ns: int) -> dict[str, Any]:
        for record in self._records(values):
            self.points.files[record["file"]].update(enumerate(record["registers"], record["record"]))
        return values

    def _identify(self, values: dict[str, Any], now_ns: int) -> dict[str, Any]:
        return identification(self.identity, values["read_code"], values["object"])


def _touched(values: Mapping[str, Any]) -> tuple[int, int]:
    """The first and last address that a request touches; all of them where it names none."""
    spans = [
        (values[start], values[start] + values[count] - 1)
        for start, count in (
            ("start", "quantity"),
            ("read_start", "read_quantity"),
            ("write_start", "write_quantity"),
        )
        if start in values
    ]
    if "address" in values:
        spans.append((values["address"], values["address"]))
    return (min(first for first, _ in spans), max(last for _, last in spans)) if spans else (0, 0xFFFF)


def _reading(table: Table) -> Callable[[Unit, dict[str, Any], int], dict[str, Any]]:
    return lambda unit, values, now_ns: unit._read(table, values)


_DO: dict[int, Callable[[Unit, dict[str, Any], int], dict[str, Any]]] = {
    **{function: _reading(table) for function, table in _READS.items()},
    0x05: Unit._write_coil,
    0x06: Unit._write_register,
    0x07: lambda unit, values, now_ns: {"status": unit.status},
    0x08: lambda unit, values, now_ns: unit.counts.diagnose(values),
    0x0B: lambda unit, values, now_ns: unit.counts.event_count(),
    0x0C: lambda unit, values, now_ns: unit.counts.event_log(),
    0x0F: Unit._write_coils,
    0x10: Unit._write_registers,
    0x11: lambda unit, values, now_ns: {"server_id": unit.server_id + (b"\xff" if unit.running else b"\0")},
    0x14: Unit._read_files,
    0x15: Unit._write_files,
    0x16: Unit._mask,
    0x17: Unit._read_and_write,
    0x18: Unit._queue,
    0x2B: Unit._identify,
}
