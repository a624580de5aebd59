"""`benchtool ports` on file systems built for the purpose."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from click.testing import CliRunner

from benchtool.commands.ports import command
from tests.taps.fakes import onboard_port, usb_adapter


def ports(root: Path, *options: str) -> str:
    result = CliRunner().invoke(command, ["--root", str(root), *options])
    assert result.exit_code == 0, result.output
    return result.output


def test_none_found_says_what_to_try(tmp_path: Path) -> None:
    output = ports(tmp_path)
    assert output.startswith("No USB serial adapter found.\n")
    for hint in ("plugged in", "dmesg", "virtual machine", "benchtool ports --all", "sim:demo"):
        assert hint in output
    assert "socket://" in ports(tmp_path, "--all")
    assert json.loads(ports(tmp_path, "--json")) == {"ports": []}


def test_one_adapter_in_words(tmp_path: Path) -> None:
    device = usb_adapter(tmp_path)
    assert ports(tmp_path).splitlines() == [
        f"{device}   Bench adapter  (1209:0a01, serial number B0001)",
        "  driver       ftdi_sio",
        "  line errors  marked, but one mark covers a whole USB packet, not one octet",
        "  latency      16 ms; lowered to 1 ms while benchtool listens, where that is allowed",
        "  permission   you may listen",
    ]


def test_several_and_onboard(tmp_path: Path) -> None:
    usb_adapter(tmp_path, "ttyUSB0", driver="ch341-uart", serial=None, latency=None, product="")
    usb_adapter(tmp_path, "ttyUSB1", latency=1)
    onboard_port(tmp_path, "ttyS0")
    onboard_port(tmp_path, "ttyS9", uart=0)
    output = ports(tmp_path)
    assert "no product text  (1209:0a01)" in output
    assert "0 errors prove nothing" in output
    assert "latency      1 ms\n" in output
    assert "ttyS" not in output
    output = ports(tmp_path, "--all")
    assert "ttyS0   on-board port\n" in output
    assert "ttyS9" not in output


def test_json_says_the_same(tmp_path: Path) -> None:
    device = usb_adapter(tmp_path, driver="cp210x", latency=None)
    (port,) = json.loads(ports(tmp_path, "--json"))["ports"]
    assert port == {
        "device": str(device),
        "product": "Bench adapter",
        "usb_id": "1209:0a01",
        "serial_number": "B0001",
        "driver": "cp210x",
        "line_errors": "marked",
        "line_errors_words": "marked: each damaged octet",
        "latency_ms": None,
        "permitted": True,
        "mend": None,
        "in_use_by": [],
    }


def test_forbidden_and_in_use(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    device = usb_adapter(tmp_path)
    process = tmp_path / "proc/4242"
    (process / "fd").mkdir(parents=True)
    (process / "comm").write_text("terminal\n")
    (process / "fd/3").symlink_to(device)
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    output = ports(tmp_path)
    assert f"permission   you may not read {device}" in output
    assert "in use       by 'terminal' (process 4242); close that program first" in output
    (port,) = json.loads(ports(tmp_path, "--json"))["ports"]
    assert port["permitted"] is False
    assert "you may not read" in port["mend"]


def test_nothing_is_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    device = usb_adapter(tmp_path)
    device.unlink()
    device.mkdir()  # opening a folder as a device would fail
    assert str(device) in ports(tmp_path)
