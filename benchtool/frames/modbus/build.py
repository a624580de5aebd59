"""Build Modbus RTU frames from the tables that also describe them.

Facts: sheet 3.1 (at most 256 octets), 3.2 (CRC low octet first), layouts and limits in `functions`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from benchtool.frames.crc import with_crc_modbus
from benchtool.frames.frame import Role
from benchtool.frames.modbus.functions import EXCEPTIONS, FUNCTIONS, layout_of
from benchtool.frames.modbus.layout import Count, Item, Kind, Number, Records, Run

MAX_DATA = 252
"""Octets between function and CRC."""


def build_frame(address: int, function: int, data: bytes = b"") -> bytes:
    """Address, function, data, CRC; anything goes in the data. ValueError when a part is out of range."""
    if not 0 <= address <= 255:
        raise ValueError(f"a Modbus address is one octet, 0 to 255, not {address}")
    if not 0 <= function <= 255:
        raise ValueError(f"a Modbus function is one octet, 0 to 255, not {function}")
    if len(data) > MAX_DATA:
        raise ValueError(f"a Modbus frame carries at most {MAX_DATA} octets of data, not {len(data)}")
    return with_crc_modbus(bytes((address, function)) + data)


def build_request(address: int, function: int, /, **values: Any) -> bytes:
    """A request of a public function; values as for `encode`."""
    return build_frame(address, function, encode(function, Role.REQUEST, values))


def build_reply(address: int, function: int, /, **values: Any) -> bytes:
    """A reply, likewise."""
    return build_frame(address, function, encode(function, Role.REPLY, values))


def build_exception(address: int, function: int, code: int) -> bytes:
    """An exception reply to `function` (without its top bit)."""
    if code not in EXCEPTIONS:
        raise ValueError(f"exception code {code} is not defined")
    if not 0 < function < 0x80:
        raise ValueError(f"a function that can be refused is 1 to 127, not {function}")
    return build_frame(address, function | 0x80, bytes((code,)))


def encode(function: int, role: Role, values: Mapping[str, Any]) -> bytes:
    """The data octets of a public function's request or reply.

    Values go by the names in the table (docs/modbus.md): numbers are integers or a word of their table ("on"), bits and
    registers lists of integers, octets bytes or hex, each record a mapping, as `describe` gives them (`record`,
    `record_2`) or all in one list (`records`). What counts something else (byte counts, the quantity of a write) may be
    left out. ValueError says what is missing, too much, out of range or at odds.
    """
    row = FUNCTIONS.get(function)
    if row is None:
        raise ValueError(f"function {function} is not public, and has no layout: give its octets in 'data'")
    if role is Role.UNKNOWN:
        raise ValueError("a Modbus frame is built as a request or as a reply")
    mei_type = values.get("mei_type")
    layout = layout_of(row, role, mei_type if isinstance(mei_type, int) else None) or ()
    left = dict(values)
    for item in layout:
        if isinstance(item, Records):
            listed = left.pop(f"{item.name}s", ())
            left.update({_nth(item.name, index): record for index, record in enumerate(listed)})
    data = _items(layout, left, {})
    if left:
        raise ValueError(f"{row.name} {role.value} has no {', '.join(sorted(left))}")
    return data


def _items(items: Sequence[Item], values: dict[str, Any], numbers: dict[str, int]) -> bytes:
    """The octets of the items; takes what it uses out of `values`, keeps numbers for what they count."""
    if not items:
        return b""
    head, rest = items[0], items[1:]
    if isinstance(head, Count):
        given = values.pop(head.name, None)
        body = _items(rest, values, numbers)
        return _count(head, given, len(body)) + body
    if isinstance(head, Records):
        octets = _records(head, values, numbers)
    elif isinstance(head, Number):
        value = values.pop(head.name) if head.name in values else _counted(head.name, rest, values)
        octets = _number(head, value, numbers)
    elif head.name in values or not head.optional:
        octets = _run(head, values.pop(head.name, None), numbers)
    else:
        octets = _run(head, b"", numbers)
    return octets + _items(rest, values, numbers)


def _count(item: Count, given: object, octets: int) -> bytes:
    if given is not None and given != octets:
        raise ValueError(f"{item.name} {given} is at odds with {octets} octets")
    if octets >= 1 << 8 * item.size:
        raise ValueError(f"{octets} octets are too many for {item.name}")
    if problem := item.problem(octets):
        raise ValueError(problem)
    return octets.to_bytes(item.size, "big")


def _counted(name: str, rest: Sequence[Item], values: Mapping[str, Any]) -> int:
    """How many of what the number `name` counts; ValueError when it counts nothing."""
    for item in rest:
        if isinstance(item, Records) and item.counted_by == name:
            return len(_record_names(item, values))
        if isinstance(item, Run) and item.counted_by == name:
            things = values.get(item.name, ())
            return len(things) if isinstance(things, (list, tuple)) else 0
    raise ValueError(f"{name} is missing")


def _number(item: Number, value: Any, numbers: dict[str, int]) -> bytes:
    if isinstance(value, str) and item.words is not None:
        value = next((number for number, word in item.words.items() if word == value), value)
    most = min(item.most, (1 << 8 * item.size) - 1)
    if not isinstance(value, int):
        raise ValueError(f"{item.name} {value!r} is not a number from {item.least} to {most}")
    if not item.least <= value <= most:
        raise ValueError(f"{item.name} {value} is outside {item.least} to {most}")
    if problem := item.problem(value):
        raise ValueError(problem)
    numbers[item.name] = value
    return value.to_bytes(item.size, "big")


def _run(item: Run, value: Any, numbers: Mapping[str, int]) -> bytes:
    if value is None:
        raise ValueError(f"{item.name} is missing")
    octets = _run_octets(item, value)
    if not octets and not item.optional:
        raise ValueError(f"{item.name} is empty")
    counted = numbers.get(item.counted_by)
    if counted is not None and counted != len(value):
        raise ValueError(f"{item.counted_by} {counted} is at odds with {len(value)} {item.name}")
    if problem := item.most_problem(len(octets)):
        raise ValueError(problem)
    return octets


def _run_octets(item: Run, value: Any) -> bytes:
    if isinstance(value, (bytes, bytearray)) and (not value or item.kind in (Kind.OCTETS, Kind.CHARACTERS)):
        return bytes(value)
    if item.kind in (Kind.OCTETS, Kind.CHARACTERS):
        if not isinstance(value, str):
            raise ValueError(f"{item.name} is octets or text, not {value!r}")
        try:
            return bytes.fromhex(value) if item.kind is Kind.OCTETS else value.encode("latin-1")
        except ValueError:
            wanted = "hex octets" if item.kind is Kind.OCTETS else "Latin 1 text"
            raise ValueError(f"{item.name} is {wanted}, not {value!r}") from None
    most = 1 if item.kind is Kind.BITS else 0xFFFF
    if not isinstance(value, (list, tuple)) or any(not isinstance(one, int) or not 0 <= one <= most for one in value):
        raise ValueError(f"{item.name} is a list of integers from 0 to {most}")
    if item.kind is Kind.REGISTERS:
        return b"".join(word.to_bytes(2, "big") for word in value)
    packed: int = sum(bit << place for place, bit in enumerate(value))
    return packed.to_bytes((len(value) + 7) // 8, "little")


def _nth(name: str, index: int) -> str:
    return f"{name}_{index + 1}" if index else name


def _record_names(item: Records, values: Mapping[str, Any]) -> list[str]:
    names: list[str] = []
    while (name := _nth(item.name, len(names))) in values:
        names.append(name)
    return names


def _records(item: Records, values: dict[str, Any], numbers: Mapping[str, int]) -> bytes:
    names = _record_names(item, values)
    counted = numbers.get(item.counted_by)
    if counted is not None and counted != len(names):
        raise ValueError(f"{item.counted_by} {counted} is at odds with {len(names)} times {item.name}")
    if counted is None and not names:
        raise ValueError(f"{item.name} is missing")
    octets = b""
    for name in names:
        record = values.pop(name)
        if not isinstance(record, Mapping):
            raise ValueError(f"{name} is not a mapping of its parts")
        left = dict(record)
        octets += _items(item.items, left, {})
        if left:
            raise ValueError(f"{name} has no {', '.join(sorted(left))}")
    return octets
