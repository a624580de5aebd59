"""`site compare` on simulated buses whose record has planted differences: each is found, and nothing else is told.

The simulated devices' serials, capabilities and rates are those of `simulate/build.py` and the scenarios.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from benchtool.commands.main import main
from benchtool.install.load import load
from benchtool.install.record import SCHEMA, Bus, Controller, Device, Door, Record, Site
from benchtool.install.save import to_text

SERIAL = 0x00A10000


def device(address: int, kind: str, door: str, metres: float, **more: Any) -> Device:
    """A device as the simulated one at the address is."""
    return Device(
        **{
            "id": f"d-{address}",
            "kind": kind,
            "door": door,
            "address": address,
            "serial": str(SERIAL | address),
            "metres": metres,
            "key": "none",
            **more,
        }
    )


DEMO = Record(
    schema=SCHEMA,
    site=Site(name="Lantern Quay"),
    door=(Door(id="store", name="Store door"), Door(id="loft", name="Loft door"), Door(id="slip", name="Slip gate")),
    controller=(Controller(id="ctl"),),
    bus=(
        Bus(
            id="quay",
            controller="ctl",
            protocol="osdp",
            baud=9600,
            format="8N1",
            check="crc",
            device=(
                Device(id="head", kind="controller", controller="ctl", metres=0),
                device(1, "interface", "store", 30),
                device(2, "reader", "store", 4),
                device(3, "interface", "loft", 54),
                device(4, "keypad", "loft", 7),
                device(5, "reader", "slip", 45, serial=None, key=None),
            ),
        ),
    ),
)


def on_bus(record: Record, **bus: Any) -> Record:
    """The record with other fields of its bus."""
    return replace(record, bus=(replace(record.bus[0], **bus),))


def with_devices(record: Record, **changes: dict[str, Any] | None) -> Record:
    """The record with other fields of devices (`d2={"address": 7}`), or without one (`d2=None`)."""
    kept = []
    for one in record.bus[0].device:
        change = changes.get(one.id.replace("-", ""), {})
        if change is not None:
            kept.append(replace(one, **change))
    return on_bus(record, device=tuple(kept))


def run(tmp_path: Path, record: Record, tap: str, *options: str, text: str | None = None, answer: str = "") -> Result:
    """The command on the record in a file."""
    path = tmp_path / "site.toml"
    path.write_text(to_text(record) if text is None else text, encoding="utf-8")
    return CliRunner().invoke(main, ["site", "compare", str(path), tap, *options], input=answer)


def told(tmp_path: Path, record: Record, tap: str, *options: str) -> list[dict[str, Any]]:
    """The differences that `--json` tells, those that are not the demo's silent reader and its clear cards."""
    result = run(tmp_path, record, tap, "--json", *options)
    assert result.exit_code == 0, result.output
    found: list[dict[str, Any]] = json.loads(result.stdout)["differences"]
    return [
        one for one in found if not (one["id"] == "missing" and one["addresses"] == [5]) and one["severity"] != "note"
    ]


def test_a_true_record_differs_in_the_dead_reader_alone(tmp_path: Path) -> None:
    assert told(tmp_path, DEMO, "sim:demo") == []
    result = run(tmp_path, DEMO, "sim:demo")
    assert "d-5" in result.output
    assert "does not answer" in result.output
    assert "segment" not in result.output  # one silent reader at the end is no segment
    assert run(tmp_path, DEMO, "sim:demo", "--strict").exit_code == 1
    assert run(tmp_path, with_devices(DEMO, d5=None), "sim:demo", "--strict").exit_code == 1  # it is asked all the same


PLANTED: dict[str, tuple[Record, str, str, tuple[int, ...]]] = {
    "missing": (
        with_devices(DEMO, d4={"address": 9, "serial": None}),
        "missing",
        "is not asked by the controller",
        (9,),
    ),
    "unexpected": (with_devices(DEMO, d3=None), "unexpected", "address 3", (3,)),
    "swapped": (
        with_devices(DEMO, d1={"address": 3}, d3={"address": 1}),
        "address-swapped",
        "have exchanged addresses",
        (1, 3),
    ),
    "moved": (with_devices(DEMO, d2={"address": 8}), "address-differs", "answers at address 2", (2,)),
    "serial": (with_devices(DEMO, d3={"serial": "40401"}), "serial-differs", "40401", (3,)),
    "baud": (on_bus(DEMO, baud=19200), "baud-differs", "runs at 9600 bit/s", ()),
    "format": (on_bus(DEMO, format="8E1"), "format-differs", "8E1", ()),
    "protocol": (on_bus(DEMO, protocol="modbus-rtu"), "protocol-differs", "speaks osdp", ()),
    "check": (on_bus(DEMO, check="checksum"), "check-differs", "end in a CRC", ()),
    "interface": (with_devices(DEMO, d2={"kind": "interface"}), "kind-differs", "as a reader", (2,)),
    "reader": (with_devices(DEMO, d1={"kind": "reader"}), "kind-differs", "contact inputs", (1,)),
    "key": (with_devices(DEMO, d1={"key": "own"}), "key-differs", "in the clear", (1,)),
    "type": (
        with_devices(DEMO, d1={"maker_type": "K7"}, d2={"maker_type": "k7"}, d3={"maker_type": "K7"}),
        "type-differs",
        "model 1",
        (2,),
    ),
}


@pytest.mark.parametrize("name", PLANTED)
def test_each_planted_difference_is_found_and_no_other(tmp_path: Path, name: str) -> None:
    record, wanted, words, addresses = PLANTED[name]
    found = told(tmp_path, record, "sim:demo")
    assert {wanted} <= {one["id"] for one in found} <= {wanted, "unexpected"}
    if name not in ("missing", "unexpected"):
        assert {one["id"] for one in found} == {wanted}
    one = next(one for one in found if one["id"] == wanted)
    assert words in one["sentence"]
    assert sorted(one["addresses"]) == sorted(addresses)


@pytest.mark.parametrize("name", ["swapped", "moved", "serial", "interface"])
def test_a_survey_finds_what_identities_tell(tmp_path: Path, name: str) -> None:
    survey = tmp_path / "survey.json"
    survey.write_text(CliRunner().invoke(main, ["survey", "sim:demo", "--addresses", "0-10", "--json"]).stdout)
    record, wanted, _, _ = PLANTED[name]
    assert {one["id"] for one in told(tmp_path, record, str(survey))} == {wanted}


def test_a_survey_does_not_tell_of_addresses_that_it_never_asked(tmp_path: Path) -> None:
    survey = tmp_path / "survey.json"
    survey.write_text(CliRunner().invoke(main, ["survey", "sim:demo", "--addresses", "0-4", "--json"]).stdout)
    result = run(tmp_path, DEMO, str(survey), "--json")
    made = json.loads(result.stdout)
    assert [one["id"] for one in made["differences"] if one["id"] == "missing"] == []
    assert any("d-5" in text and "not asked" in text for text in made["not_compared"])
    assert run(tmp_path, DEMO, str(survey), "--baud", "9600").exit_code == 2


def test_a_survey_says_that_it_does_not_tell_the_format(tmp_path: Path) -> None:
    survey = tmp_path / "survey.json"
    survey.write_text(CliRunner().invoke(main, ["survey", "sim:demo", "--addresses", "0-10", "--json"]).stdout)
    result = run(tmp_path, on_bus(DEMO, format="8E1"), str(survey))
    assert "the character format, 8E1 in the record" in " ".join(result.output.split("NOT COMPARED")[1].split())
    assert "character format" not in run(tmp_path, on_bus(DEMO, format=None), str(survey)).output


def test_a_device_at_another_rate_is_named(tmp_path: Path) -> None:
    rows: dict[int, Any] = {}
    for baud in (9600, 19200):
        text = CliRunner().invoke(main, ["survey", "sim:demo", "--addresses", "1-3", "--baud", str(baud), "--json"])
        rows[baud] = json.loads(text.stdout)
    made = rows[9600]
    made["devices"] = [one for one in made["devices"] if one["address"] != 3]
    third = next(one for one in rows[9600]["devices"] if one["address"] == 2) | {
        "address": 3,
        "baud": 19200,
        "identities": [{"oui": "020B7E", "model": 3, "version": 1, "serial": SERIAL | 3, "firmware": "1.4.0"}],
    }
    made["devices"].append(third)
    made["rates"] = [{"baud": 9600, "addresses": [1, 2, 3]}, {"baud": 19200, "addresses": [1, 2, 3]}]
    survey = tmp_path / "survey.json"
    survey.write_text(json.dumps(made))
    found = [one for one in told(tmp_path, DEMO, str(survey)) if one["id"] == "baud-differs"]
    assert [one["addresses"] for one in found] == [[3]]
    assert "19200" in found[0]["sentence"]


def test_the_default_key_is_unsafe(tmp_path: Path) -> None:
    own = {"serial": None, "key": "own"}
    record = with_devices(DEMO, d1=own, d2={**own, "kind": "keypad"}, d3=None, d4=None, d5=None)
    found = told(tmp_path, record, "sim:secure")
    assert {(one["id"], one["severity"]) for one in found} == {("key-differs", "error"), ("key-unsafe", "error")}
    result = run(tmp_path, record, "sim:secure")
    assert "default key" in result.output
    assert "3031" not in result.output  # the octets of the default key, sheet 5.8, are told nowhere


def test_two_devices_at_one_address(tmp_path: Path) -> None:
    survey = tmp_path / "survey.json"
    tap = "sim:demo?fault=address-duplicate&at=2"
    survey.write_text(CliRunner().invoke(main, ["survey", tap, "--addresses", "0-10", "--json"]).stdout)
    found = told(tmp_path, DEMO, str(survey))
    assert [(one["id"], one["addresses"]) for one in found] == [("damaged", [2])]
    made = json.loads(survey.read_text())
    second = {"oui": "020B7E", "model": 1, "version": 1, "serial": 77, "firmware": "1.4.0"}
    next(one for one in made["devices"] if one["address"] == 3)["identities"].append(second)
    survey.write_text(json.dumps(made))
    assert {"address-twice", "damaged"} == {one["id"] for one in told(tmp_path, DEMO, str(survey))}
    heard = told(tmp_path, DEMO, "sim:demo?fault=address-duplicate")
    assert [(one["id"], one["addresses"]) for one in heard] == [("damaged", [5])]


def test_noise_that_meets_all_points_at_no_segment(tmp_path: Path) -> None:
    found = told(tmp_path, DEMO, "sim:demo?fault=noise-impulsive")
    assert [one["id"] for one in found] == ["errors"]
    assert "nothing points at one segment" in found[0]["sentence"]


def test_an_open_conductor_points_at_its_segment(tmp_path: Path) -> None:
    found = told(tmp_path, DEMO, "sim:demo?fault=conductor-open&at=3")
    one = next(one for one in found if one["id"] == "segment")
    assert "between" in one["sentence"]
    assert {device["id"] for device in one["devices"]} == {"d-3", "d-4", "d-5"}
    assert "(d-2)" in one["sentence"]
    assert "(d-3)" in one["sentence"]
    assert one["numbers"]["before_most"] < one["numbers"]["beyond_least"]


def test_a_wrong_rate_at_the_tap_is_no_list_of_missing_devices(tmp_path: Path) -> None:
    made = json.loads(run(tmp_path, on_bus(DEMO, baud=19200), "sim:demo", "--baud", "19200", "--json").stdout)
    ids = [one["id"] for one in made["differences"]]
    assert ids[0] == "nothing-sound"
    assert "missing" not in ids
    assert "baud-differs" in ids  # the damage, undone, proves it
    assert made["baud"] == 9600


def test_baud_auto_finds_rate_and_format(tmp_path: Path) -> None:
    found = told(tmp_path, on_bus(DEMO, baud=38400, format="8N2"), "sim:demo", "--baud", "auto")
    assert [one["id"] for one in found if one["severity"] == "error"] == ["baud-differs"] or {
        one["id"] for one in found
    } == {"baud-differs", "format-differs"}


def test_a_log_that_does_not_say_its_rate_proves_none(tmp_path: Path) -> None:
    log = tmp_path / "visit.log"
    assert CliRunner().invoke(main, ["listen", "sim:demo", "--record", str(log)]).exit_code == 0
    record = on_bus(DEMO, baud=19200)
    assert [one["id"] for one in told(tmp_path, record, str(log))] == ["baud-differs"]
    log.write_text("".join(line for line in log.read_text().splitlines(True) if not line.startswith("#!")))
    assert told(tmp_path, record, str(log)) == []
    assert "the bit rate: this tap does not show it" in " ".join(run(tmp_path, record, str(log)).output.split())
    assert [one["id"] for one in told(tmp_path, record, str(log), "--baud", "9600")] == ["baud-differs"]


def test_nothing_heard_is_no_pass(tmp_path: Path) -> None:
    log = tmp_path / "empty.log"
    log.write_text("", encoding="utf-8")
    result = run(tmp_path, DEMO, "sim:demo?for=0", "--strict")
    assert result.exit_code == 1
    assert "nothing-heard" in result.output


def test_edits_are_shown_and_written_only_with_a_yes(tmp_path: Path) -> None:
    record = with_devices(DEMO, d1={"address": 3}, d3={"address": 1}, d5=None)
    text = to_text(record).replace('id = "quay"', 'id = "quay"  # along the water')
    path = tmp_path / "site.toml"
    result = run(tmp_path, record, "sim:demo", "--apply", text=text, answer="q\n")
    assert "nothing written" in result.output
    assert path.read_text() == text
    result = run(tmp_path, record, "sim:demo", "--apply", text=text, answer="n\n" * 9)
    assert "nothing written" in result.output
    assert path.read_text() == text
    result = run(tmp_path, record, "sim:demo", "--apply", text=text, answer="")
    assert path.read_text() == text
    result = run(tmp_path, record, "sim:demo", "--apply", "--yes", text=text)
    assert "2 edits written" in result.output
    changed = path.read_text()
    assert "# along the water" in changed
    assert [one.address for one in load(changed).record.bus[0].device] == [None, 1, 2, 3, 4]


def test_an_unexpected_device_is_proposed_as_an_entry_with_what_it_told(tmp_path: Path) -> None:
    record = with_devices(DEMO, d1=None, d3=None, d5=None)
    path = tmp_path / "site.toml"
    (first, second) = (
        edit for one in told(tmp_path, record, "sim:demo") if one["id"] == "unexpected" for edit in one["edits"]
    )
    assert (first["value"]["address"], first["value"]["kind"]) == (1, "interface")
    assert second["value"]["address"] == 3
    before = path.read_text()
    run(tmp_path, record, "sim:demo", "--apply", "--yes")
    assert path.read_text() == before
    result = run(tmp_path, record, "sim:demo", "--apply", answer="y\n" * 9)
    assert "written into" in result.output
    added = load(path.read_text()).record.bus[0].device[-2:]
    assert [one.address for one in added] == [1, 3]
    assert [one.serial for one in added] == [first["value"]["serial"], second["value"]["serial"]]
    left = told(tmp_path, load(path.read_text()).record, "sim:demo")
    assert {one["id"] for one in left} == {"asked-not-recorded"}  # the dead reader, taken out of the record above


def test_two_controllers_are_named(tmp_path: Path) -> None:
    found = told(tmp_path, DEMO, "sim:demo?fault=two-controllers")
    assert "two-controllers" in {one["id"] for one in found}
    for other in ("sim:demo", "sim:demo?fault=noise-impulsive", "sim:demo?fault=address-duplicate"):
        assert "two-controllers" not in {one["id"] for one in told(tmp_path, DEMO, other)}


def test_doubtful_edits_are_left_by_yes(tmp_path: Path) -> None:
    record = with_devices(DEMO, d1={"kind": "reader"}, d5=None)
    result = run(tmp_path, record, "sim:demo", "--apply", "--yes")
    assert "nothing written" in result.output
    result = run(tmp_path, record, "sim:demo", "--apply", answer="y\n")
    assert load((tmp_path / "site.toml").read_text()).record.bus[0].device[1].kind == "interface"


def test_which_bus_is_meant(tmp_path: Path) -> None:
    two = replace(DEMO, bus=(*DEMO.bus, Bus(id="yard")))
    assert run(tmp_path, two, "sim:demo").exit_code == 2
    assert run(tmp_path, two, "sim:demo", "--bus", "nowhere").exit_code == 2
    assert run(tmp_path, two, "sim:demo", "--bus", "quay").exit_code == 0
    other = run(tmp_path, two, "sim:demo", "--bus", "yard", "--json")
    homes = [one for one in json.loads(other.stdout)["differences"] if one["id"] == "unexpected"]
    assert "d-1, which the record has on quay" in homes[0]["sentence"]
    assert run(tmp_path, replace(DEMO, bus=()), "sim:demo").exit_code == 4


def test_misuse_is_one_line(tmp_path: Path) -> None:
    assert run(tmp_path, DEMO, "sim:demo", "--yes").exit_code == 2
    assert run(tmp_path, DEMO, "sim:demo", "--json", "--apply").exit_code == 2
    broken = tmp_path / "broken.json"
    broken.write_text('{"kind":"survey","devices":[{"address":"one"}]}')
    result = run(tmp_path, DEMO, str(broken))
    assert result.exit_code == 4
    assert len(result.output.strip().splitlines()) == 1
