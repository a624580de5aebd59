"""What a person has a Modbus stand-in do, in words: change what a device holds, refuse, ask a device something.

One line each, `3s @17 set inputs 0 1`: when (nothing: now), which device (nothing: the first), what.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from benchtool.simulate.action_head import take_head
from benchtool.simulate.modbus_points import Table
from benchtool.simulate.modbus_query import Query
from benchtool.simulate.modbus_server import Servers
from benchtool.simulate.modbus_unit import Refusal

DEVICE_USAGE = (
    "set TABLE START VALUE ...   (coils, inputs, holding, input_registers): set holding 107 555 0 100",
    "refuse EXCEPTION [FUNCTION]   answer with this exception from now on: refuse 6 3",
    "accept   answer as usual again",
)
CLIENT_USAGE = (
    "ask FUNCTION NAME=VALUE ...   @17 ask 3 start=107 quantity=3; @17 ask 16 start=0 registers=1,2,3",
    "ask FUNCTION data=HEX   any data octets, right or wrong: @17 ask 65 data=0102",
)


class ModbusActionError(ValueError):
    """A line says nothing that can be done; the text says what would be right."""


class ModbusAction(NamedTuple):
    """One line, taken apart."""

    at_ns: int
    address: int | None
    verb: str
    words: tuple[str, ...]


def parse_action(text: str) -> ModbusAction:
    """Take a line apart; ModbusActionError where it has no verb that is known."""
    at_ns, address, words = take_head(text)
    if not words or words[0].lower() not in ("set", "refuse", "accept", "ask"):
        raise ModbusActionError("say one of: set, refuse, accept (a device); ask (a controller)")
    return ModbusAction(at_ns, address, words[0].lower(), tuple(words[1:]))


def perform(action: ModbusAction, servers: Servers) -> None:
    """Have a device do it; ModbusActionError where it cannot."""
    if action.verb == "ask":
        raise ModbusActionError("a device does: set, refuse, accept; ask is a controller's")
    members = [member for member in servers.members if action.address in (None, member.address)]
    if not members:
        raise ModbusActionError(f"there is no device at address {action.address} here")
    unit = members[0].unit
    try:
        if action.verb == "set":
            table = Table(action.words[0])
            unit.points.set(table, _number(action.words[1]), [_number(word) for word in action.words[2:]])
        elif action.verb == "refuse":
            refusal = Refusal(*(_number(word) for word in action.words))
            unit.refuse([refusal])
        else:
            unit.refuse([])
    except (ValueError, IndexError, TypeError) as error:
        raise ModbusActionError(f"{error}; say {' | '.join(DEVICE_USAGE)}") from None


def query_of(action: ModbusAction, first: int | None) -> Query:
    """What a controller asks; `first` is the address where none is said. ModbusActionError where it cannot be asked."""
    if action.verb != "ask":
        raise ModbusActionError(f"a controller does: ask; {action.verb} is a device's")
    address = first if action.address is None else action.address
    if address is None:
        raise ModbusActionError(f"say which device: @17 ask {' '.join(action.words)}")
    try:
        function = _number(action.words[0])
        given = dict(_named(word) for word in action.words[1:])
        # Diagnostics has values of which one is called data.
        if "data" in given and "sub_function" not in given:
            query = Query(address, function, data=bytes.fromhex(given["data"]))
        else:
            query = Query(address, function, given)
        query.unit()
    except (ValueError, IndexError) as error:
        raise ModbusActionError(f"{error}; say {' | '.join(CLIENT_USAGE)}") from None
    return query


def _number(word: str) -> int:
    return int(word, 16 if word.lower().startswith("0x") else 10)


def _named(word: str) -> tuple[str, Any]:
    name, equals, value = word.partition("=")
    if not equals or not value:
        raise ValueError(f"'{word}' is not NAME=VALUE")
    if name == "data":
        return name, value
    if "," in value or name in ("bits", "registers"):
        return name, [_number(part) for part in value.split(",")]
    return name, _number(value) if value[0].isdigit() else value
