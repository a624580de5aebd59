"""A file of Modbus devices and polls: what it makes, and one line for each mistake."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from benchtool.frames.modbus.build import build_frame
from benchtool.simulate.modbus_file import ModbusFile, client, faulty, is_modbus_file, load, parse, servers
from benchtool.simulate.modbus_framing import Mode
from benchtool.simulate.modbus_points import Table
from benchtool.simulate.modbus_query import Outcome
from benchtool.simulate.specs import ScenarioError
from tests.simulate import lockstep
from tests.simulate.lockstep import S, octets, say

FILE = Path(__file__).parents[2] / "fixtures" / "modbus" / "door-interface.toml"


def small(**more: Any) -> dict[str, Any]:
    return {"modbus": "rtu", "device": [{"address": 5, **more}]}


def test_the_example_talks() -> None:
    made = load(str(FILE))
    asks, answers = client(made, made.settings), servers(made, made.settings)
    lockstep.join([faulty(made, asks), answers], 10 * S, made.settings)
    outcomes = [result.outcome for result in asks.results]
    assert set(outcomes) == {Outcome.ANSWERED}
    assert sum(result.tries == 2 for result in asks.results) >= 2, "each 20th answer is spoilt, and asked for again"
    door = [(result.asked_ns, result.values["bits"]) for result in asks.results if result.query.function == 2]
    assert {bits == [0, 0] for at, bits in door if 2.3 * S < at < 4.9 * S} == {True}
    assert {bits == [1, 0] for at, bits in door if at < 1.9 * S or at > 5.3 * S} == {True}
    holding = [result.values["registers"] for result in asks.results if result.query.function == 3]
    assert len(holding) >= 9
    assert all(values == [555, 0, 100] for values in holding)
    assert answers.members[0].unit.points.get(Table.COILS, 0) == [1]


def test_all_that_a_device_can_have() -> None:
    told: list[Any] = []
    made = parse(
        small(
            name="all",
            reply_ms=20,
            functions=[3, 6, 7, 0x14, 0x18],
            status=9,
            holding=[{"start": 1, "values": [7, 8]}],
            records=[{"file": 1, "start": 2, "values": [3, 4]}],
            queue=[{"address": 4, "values": [5]}],
            refuse=[{"exception": 4, "function": 3, "start": 2, "end": 2}],
            fault=[{"wrong": "late", "late_ms": 100, "every": 2}],
        )
    )
    station = servers(made, made.settings, on_write=lambda *what: told.append(what))
    line = made.settings
    assert say(station, build_frame(5, 7), 0, line)[0] == build_frame(5, 7, b"\x09")
    asked = build_frame(5, 3, octets("0001 0001"))
    station.hear(lockstep.heard(asked, S, line))
    wake = station.wake_ns()
    assert wake is not None
    assert station.act(wake) is None
    assert station.wake_ns() == wake + 100_000_000
    assert station.act(wake + 100_000_000) == build_frame(5, 3, octets("02 0007"))
    assert say(station, build_frame(5, 3, octets("0001 0002")), 2 * S, line)[0] == build_frame(5, 0x83, b"\x04")
    station.hear(lockstep.heard(build_frame(5, 6, octets("0001 0009")), 3 * S, line))
    assert told[0][0] == 5
    assert told[0][2:] == (Table.HOLDING, 1, [9])
    assert is_modbus_file(str(FILE))


def test_a_file_for_ascii() -> None:
    made = parse({"modbus": "ascii", "format": "7E1", "poll": [{"address": 5, "function": 65, "data": "01FF"}]})
    assert made.mode is Mode.ASCII
    asks = client(made, made.settings)
    assert asks.act(0) == b":054101FFBA\r\n"
    assert faulty(made, asks).faults == ()


@pytest.mark.parametrize(
    ("data", "text"),
    [
        ({"modbus": "tcp"}, "'modbus' is rtu or ascii, not 'tcp'"),
        ({}, "the file lacks 'modbus'"),
        ({"modbus": "rtu"}, "neither a [[device]] to answer nor a [[poll]] to ask"),
        ({"modbus": "rtu", "devices": []}, "unknown key 'devices'"),
        ({"modbus": "rtu", "format": "7E1", "poll": [{"address": 1, "function": 7}]}, "8 data bits for RTU"),
        ({"modbus": "rtu", "format": "9N1"}, "'9N1' is not a character format"),
        (small(address=248), "'address' is 1 to 247, not 248"),
        ({"modbus": "rtu", "device": [{"address": 5}, {"address": 5}]}, "two devices have the address 5"),
        (small(holding=[{"start": 0, "values": [70000]}]), "device 5: holding: a value is 0 to 65535, not 70000"),
        (small(coils=[{"start": 0, "values": [2]}]), "device 5: coils: a value is 0 to 1, not 2"),
        (small(holding=[{"start": 65535, "values": [1, 2]}]), "device 5: holding: an address is 0 to 65535"),
        (small(holding=[{"start": 0}]), "lacks 'values'"),
        (small(holding=[7]), "is a table, not a whole number"),
        (small(change=[{"at_s": 1, "table": "relays", "start": 0, "values": [1]}]), "coils or inputs or holding"),
        (small(functions=[65]), "device 5: functions that this server does not know: [65]"),
        (small(refuse=[{"exception": 9}]), "device 5: a refusal has a defined exception"),
        (small(fault=[{"wrong": "sometimes"}]), "not 'sometimes'"),
        (small(records=[{"file": 1, "start": 0, "values": [70000]}]), "records hold values of 0 to 65535"),
        (small(queue=[{"address": 1, "values": [-1]}]), "a queue holds values of 0 to 65535"),
        ({"modbus": "rtu", "poll": [{"address": 5, "function": 3}]}, "[[poll]] 1: start is missing"),
        ({"modbus": "rtu", "poll": [{"address": 5, "function": 65, "data": "0"}]}, "[[poll]] 1:"),
    ],
)
def test_each_mistake_is_told_in_one_line(data: dict[str, Any], text: str) -> None:
    with pytest.raises(ScenarioError) as error:
        parse(data)
    assert text in str(error.value)
    assert "\n" not in str(error.value)


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    with pytest.raises(ScenarioError, match="cannot read"):
        load(str(path))
    assert not is_modbus_file(str(path))
    for content in (b"modbus = [", b"\xff\xfe", b"modbus = " + b"[" * 100_000):
        path.write_bytes(content)
        with pytest.raises(ScenarioError, match=r"a\.toml"):
            load(str(path))
        assert not is_modbus_file(str(path))
    path.write_text('modbus = "rtu"\n')
    with pytest.raises(ScenarioError, match=r"a\.toml: the file has neither"):
        load(str(path))
    assert is_modbus_file(str(path))
    assert isinstance(load(str(FILE)), ModbusFile)
