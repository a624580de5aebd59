"""A Modbus request as a client sends it, and whether a reply is one to it.

Facts: layouts of sheet 3.3 and what they repeat of the request; sheet 3.4 for exceptions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Any

from benchtool.frames.frame import Role
from benchtool.frames.meaning import Value
from benchtool.frames.modbus.build import encode
from benchtool.frames.modbus.functions import FUNCTIONS, layout_of
from benchtool.frames.modbus.layout import Reader


@dataclass(frozen=True, slots=True)
class Query:
    """What is asked: `values` go by the names of the function table (docs/modbus.md).

    `address` 0 asks all, and nobody answers. With `every_ns` it is asked again so long after it was begun.
    """

    address: int
    function: int
    values: Mapping[str, Any] = field(default_factory=dict)
    every_ns: int | None = None
    data: bytes | None = None
    """In place of `values`: any data octets, right or wrong."""

    def unit(self) -> bytes:
        """Address, function and data; ValueError where they cannot be."""
        if not 0 <= self.address <= 247:
            raise ValueError(f"a Modbus address to ask is 0 to 247, not {self.address}")
        data = encode(self.function, Role.REQUEST, self.values) if self.data is None else self.data
        return bytes((self.address, self.function)) + data


class Outcome(Enum):
    """How a request ended."""

    ANSWERED = "answered"
    REFUSED = "refused"
    """An exception."""
    SILENT = "silent"
    """Nothing came in time."""
    DAMAGED = "damaged"
    """Octets came, but no sound reply."""
    UNFITTING = "unfitting"
    """A sound frame came that is no answer to the request."""
    BROADCAST = "broadcast"
    """Sent to all; nobody answers."""


@dataclass(frozen=True, slots=True)
class Result:
    """What became of a request."""

    query: Query
    outcome: Outcome
    values: Mapping[str, Value]
    """Of the reply, by the names of the function table."""
    problem: str | None
    """Why a reply does not fit; the exception's number is in `values`."""
    tries: int
    asked_ns: int
    """When the last try began."""
    latency_ns: int | None
    """From the request's last octet to the reply's first; None without one."""


def read_reply(asked: bytes, told: bytes) -> tuple[Outcome, dict[str, Value], str | None]:
    """What `told` is to `asked` (both address, function and data): outcome, values, and why it does not fit."""
    if told[0] != asked[0]:
        return Outcome.UNFITTING, {}, f"address {told[0]} answers, {asked[0]} was asked"
    if told[1] == asked[1] | 0x80 and len(told) == 3:
        return Outcome.REFUSED, {"exception": told[2]}, None
    if told[1] != asked[1]:
        return Outcome.UNFITTING, {}, f"function {told[1]:02X} is answered, {asked[1]:02X} was asked"
    row = FUNCTIONS.get(asked[1])
    if row is None:
        return Outcome.ANSWERED, {"data": told[2:].hex().upper()}, None
    wanted, given = _values(asked, Role.REQUEST)[0], _values(told, Role.REPLY)
    values, problems = given
    problem = problems[0] if problems else _misfit(asked, told, wanted, values)
    if problem is not None:
        return Outcome.UNFITTING, values, problem
    quantity = wanted.get("quantity")
    bits = values.get("bits")
    if isinstance(bits, list) and isinstance(quantity, int):
        values["bits"] = bits[:quantity]
    return Outcome.ANSWERED, values, None


def _values(unit: bytes, role: Role) -> tuple[dict[str, Value], list[str]]:
    row = FUNCTIONS[unit[1]]
    reader = Reader(unit, 2, len(unit))
    reader.read(layout_of(row, role, unit[2] if len(unit) > 2 else None) or ())
    return {item.name: item.value for item in reader.fields}, reader.problems


_ECHOED = frozenset((0x05, 0x06, 0x15, 0x16))
_REPEATED = {0x08: ("sub_function",), 0x0F: ("start", "quantity"), 0x10: ("start", "quantity"), 0x2B: ("mei_type",)}
"""Numbers of the request that the reply has too."""


def _misfit(asked: bytes, told: bytes, wanted: Mapping[str, Value], given: Mapping[str, Value]) -> str | None:
    function = asked[1]
    if function in _ECHOED or (function == 0x08 and wanted.get("sub_function") == 0):
        return None if asked == told else "the reply does not repeat the request"
    for name in _REPEATED.get(function, ()):
        if given.get(name) != wanted.get(name):
            return f"{name.replace('_', ' ')} {given.get(name)} in the reply, {wanted.get(name)} was asked"
    if function == 0x14:
        return _records_misfit(wanted, given)
    octets = _octets_wanted(function, wanted)
    if octets is not None and given.get("byte_count") != octets:
        return f"{given.get('byte_count')} octets in the reply, {octets} were asked for"
    return None


def _octets_wanted(function: int, wanted: Mapping[str, Value]) -> int | None:
    quantity = wanted.get("read_quantity" if function == 0x17 else "quantity")
    if not isinstance(quantity, int):
        return None
    if function in (0x01, 0x02):
        return (quantity + 7) // 8
    return 2 * quantity if function in (0x03, 0x04, 0x17) else None


def _records_misfit(wanted: Mapping[str, Value], given: Mapping[str, Value]) -> str | None:
    asked = [record.get("length") for record in wanted.values() if isinstance(record, dict)]
    told = [
        len(registers)
        for record in given.values()
        if isinstance(record, dict) and isinstance(registers := record.get("registers"), list)
    ]
    return None if asked == told else f"records of {told} registers, {asked} were asked for"
