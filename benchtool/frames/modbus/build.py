"""Build Modbus RTU frames from the tables that also describe them.

Facts: sheet 3.1 (at most 256 octets), 3.2 (CRC low octet first), layouts and limits in `functions`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from benchtool.frames.crc import with_crc_modbus
from benchtool.frames.modbus.functions import EXCEPTIONS, FUNCTIONS
from benchtool.frames.modbus.layout import Count, Item, Kind, Layout, Number, Records, Run

MAX_DATA = 252
"""Octets between function and CRC."""


def build_frame(address: int, function: int, data: bytes = b"") -> bytes:
    """Address, function, data, CRC. ValueError when a part is out of range."""
    if not 0 <= address <= 255:
        raise ValueError(f"a Modbus address is one octet, 0 to 255, not {address}")
    if not 0 <= function <= 255:
        raise ValueError(f"a Modbus function is one octet, 0 to 255, not {function}")
    if len(data) > MAX_DATA:
        raise ValueError(f"a Modbus frame carries at most {MAX_DATA} octets of data, not {len(data)}")
    return with_crc_modbus(bytes((address, function)) + data)


def build_request(address: int, function: int, /, **values: Any) -> bytes:
    """A request of a public function. Values by the names in the table (docs/modbus.md); counts are worked out.

    Bits and registers are lists of integers, octets are bytes, records a list of mappings. ValueError says what is
    missing, too much or out of range.
    """
    return _build(address, function, FUNCTIONS, "request", values)


def build_reply(address: int, function: int, /, **values: Any) -> bytes:
    """A reply, likewise."""
    return _build(address, function, FUNCTIONS, "reply", values)


def build_exception(address: int, function: int, code: int) -> bytes:
    """An exception reply to `function` (without its top bit)."""
    if code not in EXCEPTIONS:
        raise ValueError(f"exception code {code} is not defined")
    if not 0 < function < 0x80:
        raise ValueError(f"a function that can be refused is 1 to 127, not {function}")
    return build_frame(address, function | 0x80, bytes((code,)))


def _build(address: int, function: int, table: Mapping[int, Any], which: str, values: Mapping[str, Any]) -> bytes:
    row = table.get(function)
    if row is None:
        raise ValueError(f"function {function} is not public; use build_frame")
    layout: Layout = getattr(row, which)
    left = dict(values)
    data = _items(layout, left)
    if left:
        raise ValueError(f"{row.name} {which} has no {', '.join(sorted(left))}")
    return build_frame(address, function, data)


def _items(items: Sequence[Item], values: dict[str, Any]) -> bytes:
    """The octets of the items; takes what it uses out of `values`."""
    if not items:
        return b""
    head, rest = items[0], items[1:]
    if isinstance(head, Count):
        body = _items(rest, values)
        if len(body) >= 1 << 8 * head.size:
            raise ValueError(f"{len(body)} octets are too many for {head.name.replace('_', ' ')}")
        return len(body).to_bytes(head.size, "big") + body
    if head.name not in values:
        if isinstance(head, Run) and head.optional:
            return _items(rest, values)
        raise ValueError(f"{head.name} is missing")
    value = values.pop(head.name)
    if isinstance(head, Number):
        return _number(head, value) + _items(rest, values)
    if isinstance(head, Run):
        return _run(head, value) + _items(rest, values)
    return _records(head, value) + _items(rest, values)


def _number(item: Number, value: int) -> bytes:
    most = min(item.most, (1 << 8 * item.size) - 1)
    problem = None if item.least <= value <= most else f"{item.name} {value} is outside {item.least} to {most}"
    problem = problem or item.problem(value)
    if problem is not None:
        raise ValueError(problem)
    return value.to_bytes(item.size, "big")


def _run(item: Run, value: Any) -> bytes:
    if item.kind is Kind.BITS:
        if any(bit not in (0, 1) for bit in value):
            raise ValueError(f"{item.name} are 0 or 1")
        packed: int = sum(bit << place for place, bit in enumerate(value))
        return packed.to_bytes((len(value) + 7) // 8, "little")
    if item.kind is Kind.REGISTERS:
        if any(not 0 <= word <= 0xFFFF for word in value):
            raise ValueError(f"{item.name} are 0 to 65535")
        return b"".join(word.to_bytes(2, "big") for word in value)
    if item.kind is Kind.CHARACTERS:
        return str(value).encode("latin-1")
    return bytes(value)


def _records(item: Records, value: Sequence[Mapping[str, Any]]) -> bytes:
    octets = b""
    for record in value:
        left = dict(record)
        octets += _items(item.items, left)
        if left:
            raise ValueError(f"{item.name} have no {', '.join(sorted(left))}")
    return octets
