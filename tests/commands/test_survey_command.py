"""`benchtool survey`: on simulated buses, on a pseudo-terminal, against a list of what ought to be there."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from benchtool.commands.main import main
from benchtool.simulate.osdp_device_session import DeviceSession
from benchtool.simulate.panel import Panel
from benchtool.simulate.peripheral import Peripheral
from tests.commands.other_end import FAST, Silent, other_end

IDENTITY = bytes.fromhex("020b7e010101000102030400")


def run(*words: str) -> Result:
    return CliRunner().invoke(main, ["survey", *words])


def found(result: Result) -> dict[str, Any]:
    assert result.exit_code == 0, result.output
    made: dict[str, Any] = json.loads(result.stdout)
    return made


def test_the_demo_installation() -> None:
    made = found(run("sim:demo", "--addresses", "0-6", "--json"))
    assert (made["kind"], made["asked"], made["complete"], made["wrong"]) == ("survey", 7, True, False)
    # the slipway reader at 5 never answers
    assert [device["address"] for device in made["devices"]] == [1, 2, 3, 4]
    assert [device["identities"][0]["serial"] & 0xFF for device in made["devices"]] == [1, 2, 3, 4]
    assert made["devices"][1]["reply_ms"]["median"] == pytest.approx(2.6, abs=0.2)
    assert made["devices"][0]["default_key"] is False
    assert made["rates"] == [{"baud": 9600, "format": "8N1", "addresses": list(range(7))}]


def test_the_text() -> None:
    result = run("sim:demo", "--addresses", "2", "--no-key-check")
    assert result.exit_code == 0
    assert "address 2 at 9600 bit/s: 7 of 7 questions got a sound reply" in result.output
    assert "maker 020B7E, model 1" in result.output


def test_two_devices_at_an_address() -> None:
    late = found(run("sim:bench?fault=address-duplicate&ms=30", "--addresses", "0-3", "--json", "--no-key-check"))
    clash = [device["address"] for device in late["devices"] if device["clash"]]
    assert len(clash) == 1
    result = run("sim:demo?fault=address-duplicate", "--addresses", "0-6", "--strict")
    assert result.exit_code == 1
    assert "two devices at this address" in result.output


def test_the_wrong_bit_rate_finds_nobody_and_the_right_one_does() -> None:
    made = found(run("sim:demo", "--addresses", "1", "--bauds", "38400,9600", "--json"))
    assert made["asked"] == 2
    assert [device["baud"] for device in made["devices"]] == [9600]
    assert "nobody answers" in run("sim:demo", "--addresses", "60").output


def test_against_a_list(tmp_path: Path) -> None:
    toml = tmp_path / "devices.toml"
    toml.write_text(
        '[[device]]\naddress = 1\nname = "store"\noui = "02-0b-7e"\nserial = 7\n'
        '[[device]]\naddress = 2\nbaud = 9600\n[[device]]\naddress = 6\nname = "gate"\n'
    )
    result = run("sim:demo", "--addresses", "1-3", "--expected", str(toml), "--strict", "--json")
    assert result.exit_code == 1
    made = json.loads(result.stdout)
    assert made["missing"] == ["address 6 gate (not among the addresses asked)"]
    by_address = {device["address"]: device for device in made["devices"]}
    assert by_address[1]["differences"] == ["serial 7 expected, 10551297 found"]
    assert by_address[1]["name"] == "store"
    assert (by_address[2]["expected"], by_address[2]["differences"]) == (True, [])
    assert by_address[3]["expected"] is False
    table = tmp_path / "devices.csv"
    table.write_text("Address, name ,serial\n1,store,10551297\n2,,\n")
    made = found(run("sim:demo", "--addresses", "1-2", "--expected", str(table), "--json"))
    assert made["wrong"] is False


@pytest.mark.parametrize(
    ("name", "text", "why"),
    [
        ("a.toml", "[[device]]\nname = 'x'\n", "lacks an address"),
        ("a.toml", "[[device]]\naddress = 127\n", "0 to 126"),
        ("a.toml", "[[device]]\naddress = true\n", "0 to 126"),
        ("a.toml", "[[device]]\naddress = 1\nserail = 5\n", "unknown key 'serail'"),
        ("a.toml", "[[device]]\naddress = 1\noui = 'xyz'\n", "six hexadecimal digits"),
        ("a.toml", "[[device]]\naddress = 1\nname = 5\n", "one line of text"),
        ("a.toml", "[[device]]\naddress = 1\n[[device]]\naddress = 1\n", "there twice"),
        ("a.toml", "device = 5\n", "[[device]] table"),
        ("a.toml", "device = [5]\n", "no table"),
        ("a.toml", "[line]\nbaud = 5\n", "[[device]] table"),
        ("a.toml", "", "no device in it"),
        ("a.toml", "[[", "not TOML"),
        ("a.csv", "address\n-1\n", "0 to 126"),
        ("a.csv", "address\n²\n", "0 to 126"),
        ("a.csv", "name\nx\n", "lacks an address"),
        ("a.csv", "address\n", "no device in it"),
    ],
)
def test_a_list_that_is_none(tmp_path: Path, name: str, text: str, why: str) -> None:
    path = tmp_path / name
    path.write_text(text)
    result = run("sim:demo", "--addresses", "1", "--expected", str(path))
    assert result.exit_code == 4, result.output
    assert why in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1


@pytest.mark.parametrize(
    ("words", "code", "why"),
    [
        (("sim:demo", "--addresses", "0-127"), 2, "0 to 126"),
        (("sim:demo", "--addresses", "5-3"), 2, "0 to 126"),
        (("sim:demo", "--addresses", "²"), 2, "0 to 126"),
        (("sim:demo", "--addresses", ","), 2, "no number"),
        (("sim:demo", "--bauds", "20"), 2, "--bauds 20"),
        (("sim:modbus",), 2, "speaks Modbus"),
        (("sim:nope",), 2, "no scenario"),
        (("sim:demo", "--expected", "/nothing"), 4, "cannot be read"),
        (("/dev/x",), 2, "add --transmit"),
        (("/dev/nothing", "--transmit"), 3, "there is no device"),
    ],
)
def test_what_is_refused_in_one_line(words: tuple[str, ...], code: int, why: str) -> None:
    result = run(*words)
    assert result.exit_code == code, result.output
    assert why in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1


def device(address: int) -> Peripheral:
    return Peripheral(
        "device",
        address,
        FAST,
        identity=IDENTITY,
        capabilities=bytes.fromhex("090101"),
        reply_ns=0,
        rng=np.random.default_rng(1),
        session=DeviceSession(IDENTITY, random=os.urandom),
    )


def test_a_real_line() -> None:
    # A stall may cost the device a question, so only the end of the story counts.
    for _ in range(3):
        with other_end(device(4)) as port:
            made = found(run(port, "--transmit", "--baud", "115200", "--addresses", "3-4", "--json", "--wait", "0.5s"))
        if made["devices"] and made["devices"][0]["default_key"] is not None:
            break
    assert [one["address"] for one in made["devices"]] == [4]
    assert made["devices"][0]["identities"][0]["oui"] == "020B7E"
    assert made["devices"][0]["default_key"] is True
    assert any("default key" in text for text in made["devices"][0]["remarks"])


def test_a_line_where_a_controller_talks_is_left_alone() -> None:
    for _ in range(3):
        with other_end(Panel("panel", [3], FAST, poll_gap_ns=5_000_000)) as port:
            result = run(port, "--transmit", "--baud", "115200", "--addresses", "3")
        if result.exit_code == 3:
            break
    assert result.exit_code == 3
    assert "another controller talks" in result.stderr


def test_a_line_that_goes_leaves_what_was_found(monkeypatch: pytest.MonkeyPatch) -> None:
    from benchtool.taps.live import SourceLostError
    from benchtool.taps.talker_port import PosixTalkPort

    def gone(self: PosixTalkPort, timeout_s: float) -> tuple[bytes, bytes]:
        raise SourceLostError("unplugged")

    monkeypatch.setattr(PosixTalkPort, "read", gone)
    with other_end(Silent()) as port:
        result = run(port, "--transmit", "--anyway", "--addresses", "3", "--json")
        assert result.exit_code == 3
        assert json.loads(result.stdout)["complete"] is False
        assert "unplugged" in result.stderr
        result = run(port, "--transmit", "--addresses", "3", "--json")
    assert result.exit_code == 3
    assert "unplugged" in result.stderr


def test_a_line_that_goes_between_two_rates_leaves_what_was_found(monkeypatch: pytest.MonkeyPatch) -> None:
    from benchtool.commands import talking
    from benchtool.commands.errors import CommandError, Exit

    real = talking.open_line
    opened: list[str] = []

    def once(address: str, *rest: Any) -> Any:
        opened.append(address)
        if len(opened) > 1:
            raise CommandError(f"there is no device '{address}'; see benchtool ports", Exit.TAP)
        return real(address, *rest)

    monkeypatch.setattr(talking, "open_line", once)
    with other_end(Silent()) as port:
        result = run(port, "--transmit", "--anyway", "--addresses", "3", "--bauds", "9600,19200", "--wait", "0.01s")
    assert result.exit_code == 3
    assert result.stdout.startswith("0 of 1 addresses answer (stopped early)\nnot asked, or not to the end: 1 of 2")
    assert result.stderr == f"benchtool: there is no device '{port}'; see benchtool ports\n"


def test_ctrl_c_leaves_what_was_found(monkeypatch: pytest.MonkeyPatch) -> None:
    from benchtool.simulate.osdp_survey import Surveyor

    real = Surveyor.act

    def stopped(self: Surveyor, now_ns: int) -> bytes | None:
        if len(self.answers) == 2:
            raise KeyboardInterrupt
        return real(self, now_ns)

    monkeypatch.setattr(Surveyor, "act", stopped)
    result = run("sim:demo", "--addresses", "1-4")
    assert result.exit_code == 0
    assert "2 of 2 addresses answer (stopped early)" in result.output
    assert "not asked, or not to the end: 2 of 4 addresses" in result.output
