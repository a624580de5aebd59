"""Lines that say what a stand-in is to do: when, which device, and refusals that cannot be."""

from __future__ import annotations

import pytest

from benchtool.simulate import modbus_actions, osdp_actions
from benchtool.simulate.modbus_points import Points, Table
from benchtool.simulate.modbus_server import Server, Servers
from benchtool.simulate.modbus_unit import Unit
from tests.simulate.lockstep import SETTINGS


def one_server() -> Servers:
    unit = Unit(Points({Table.HOLDING: {0: 7}}))
    return Servers("servers", [Server("device", 17, SETTINGS, unit)], SETTINGS)


@pytest.mark.parametrize(
    ("head", "at_ns", "address"),
    [
        ("", 0, None),
        ("3 ", 3_000_000_000, None),
        ("1.5s ", 1_500_000_000, None),
        ("20ms @5 ", 20_000_000, 5),
        ("2m ", 120_000_000_000, None),
        ("@126 ", 0, 126),
    ],
)
def test_when_and_which_device(head: str, at_ns: int, address: int | None) -> None:
    told = osdp_actions.parse_action(head + "keys 12#")
    assert (told.at_ns, told.address, told.verb, told.words) == (at_ns, address, "keys", ("12#",))
    asked = modbus_actions.parse_action(head + "set holding 0 1")
    assert (asked.at_ns, asked.address, asked.verb) == (at_ns, address, "set")


def test_a_time_of_no_end_is_no_time() -> None:
    with pytest.raises(osdp_actions.ActionError):
        osdp_actions.parse_action("9" * 400 + "s keys 1")
    with pytest.raises(modbus_actions.ModbusActionError):
        modbus_actions.parse_action("9" * 400 + "s accept")


@pytest.mark.parametrize("line", ["refuse 9", "refuse 3 3 0 1 0", "refuse", "refuse x"])
def test_a_refusal_that_cannot_be_leaves_the_device_as_it_was(line: str) -> None:
    # sheet 3.4: exceptions 01 to 06, 08, 0A, 0B are defined; 3.3: read holding registers
    servers = one_server()
    unit = servers.members[0].unit
    with pytest.raises(modbus_actions.ModbusActionError):
        modbus_actions.perform(modbus_actions.parse_action(line), servers)
    assert unit.answer(bytes.fromhex("0300000001"), 0) == bytes.fromhex("03020007")
    modbus_actions.perform(modbus_actions.parse_action("refuse 6 3"), servers)
    assert unit.answer(bytes.fromhex("0300000001"), 0) == b"\x83\x06"
    modbus_actions.perform(modbus_actions.parse_action("accept"), servers)
    assert unit.answer(bytes.fromhex("0300000001"), 0) == bytes.fromhex("03020007")
