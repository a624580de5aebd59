"""What sysfs and /proc tell about adapters, from trees built for the purpose; and the table of drivers."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from benchtool.capture.chunk import LineErrors
from benchtool.capture.settings import LineSettings
from benchtool.taps import holders
from benchtool.taps.devices import Adapter, describe, is_pseudo_terminal, list_adapters
from benchtool.taps.drivers import PSEUDO_TERMINAL, driver_facts, resolution_ns
from tests.taps.fakes import onboard_port, pseudo_terminal, usb_adapter


def test_usb_adapters_are_listed_in_natural_order(tmp_path: Path) -> None:
    for name in ("ttyUSB10", "ttyUSB2", "ttyACM0"):
        usb_adapter(tmp_path, name)
    onboard_port(tmp_path)
    names = [Path(adapter.device).name for adapter in list_adapters(tmp_path)]
    assert names == ["ttyACM0", "ttyUSB2", "ttyUSB10"]


def test_everything_about_a_usb_adapter(tmp_path: Path) -> None:
    device = str(usb_adapter(tmp_path, driver="ftdi_sio", serial="B0001", latency=16))
    expected = Adapter(device, "ftdi_sio", True, 0x1209, 0x0A01, "Bench adapter", "B0001", 16)
    assert list_adapters(tmp_path) == [expected]
    assert expected.usb_id == "1209:0a01"


def test_onboard_ports_only_when_asked_and_only_real_ones(tmp_path: Path) -> None:
    onboard_port(tmp_path, "ttyS0")
    onboard_port(tmp_path, "ttyS1", uart=0)
    assert list_adapters(tmp_path) == []
    (port,) = list_adapters(tmp_path, onboard=True)
    assert (port.device, port.usb, port.usb_id, port.hold_octets) == (str(tmp_path / "dev/ttyS0"), False, None, 8)


def test_no_tree_no_adapters(tmp_path: Path) -> None:
    assert list_adapters(tmp_path) == []
    assert describe(str(tmp_path / "dev/ttyUSB0"), tmp_path) is None


def test_missing_parts_are_left_out(tmp_path: Path) -> None:
    device = usb_adapter(tmp_path, serial=None, latency=None)
    adapter = describe(str(device), tmp_path)
    assert adapter is not None
    assert (adapter.serial_number, adapter.latency_ms) == (None, None)


def test_a_device_pulled_out_while_we_look(tmp_path: Path) -> None:
    usb_adapter(tmp_path)
    for name in ("idVendor", "idProduct"):
        (tmp_path / "sys/devices/usb1/1-ttyUSB0" / name).write_text("")
    (adapter,) = list_adapters(tmp_path)
    assert adapter.usb_id is None


def test_texts_a_usb_device_chose_cannot_steer_a_terminal(tmp_path: Path) -> None:
    usb_adapter(tmp_path, product="bad\x1b[2Jthing")
    assert list_adapters(tmp_path)[0].product == "bad?[2Jthing"


def test_a_link_to_the_device_finds_the_same(tmp_path: Path) -> None:
    device = usb_adapter(tmp_path)
    link = tmp_path / "by-id"
    link.symlink_to(device)
    adapter = describe(str(link), tmp_path)
    assert adapter is not None
    assert adapter.driver == "ftdi_sio"


def test_other_systems_are_asked_through_pyserial(monkeypatch: pytest.MonkeyPatch) -> None:
    port = SimpleNamespace(
        device="/dev/null", vid=0x1209, pid=1, product=None, description="Bench adapter", serial_number="B1"
    )
    bare = SimpleNamespace(device="/dev/null", vid=None, pid=None, product=None, description="n/a", serial_number=None)
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: [port])
    monkeypatch.setattr(sys, "platform", "darwin")
    assert list_adapters() == [Adapter("/dev/null", None, True, 0x1209, 1, "Bench adapter", "B1")]
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: [bare])
    assert list_adapters() == []
    assert [adapter.usb for adapter in list_adapters(onboard=True)] == [False]


def test_pseudo_terminals_are_known() -> None:
    with pseudo_terminal() as (_, name):
        assert is_pseudo_terminal(name)
    assert not is_pseudo_terminal("/dev/null")
    assert not is_pseudo_terminal("/dev/no-such-device")


def _process(root: Path, number: int, name: str, *handles: str) -> None:
    folder = root / "proc" / str(number)
    (folder / "fd").mkdir(parents=True)
    (folder / "comm").write_text(f"{name}\n")
    for place, target in enumerate(handles):
        (folder / "fd" / str(place)).symlink_to(target)


def test_who_has_it_open(tmp_path: Path) -> None:
    device = usb_adapter(tmp_path)
    _process(tmp_path, 4242, "terminal", "/dev/null", str(device))
    _process(tmp_path, 77, "other", "/dev/null")
    _process(tmp_path, os.getpid(), "ourselves", str(device))
    assert holders.holders(str(device), tmp_path) == ["'terminal' (process 4242)"]


def test_a_lock_file_counts_while_its_owner_lives(tmp_path: Path) -> None:
    device = usb_adapter(tmp_path)
    lock = tmp_path / "run/lock/LCK..ttyUSB0"
    lock.parent.mkdir(parents=True)
    lock.write_text("      4242\n")
    assert holders.lock_owner(str(device), tmp_path) is None
    _process(tmp_path, 4242, "terminal")
    assert holders.lock_owner(str(device), tmp_path) == "4242"
    assert holders.holders(str(device), tmp_path) == ["'terminal' (process 4242)"]
    lock.write_text("nonsense")
    assert holders.lock_owner(str(device), tmp_path) is None


def test_permission_names_the_group_that_helps(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(holders, "_group_name", lambda number: "dialout")
    monkeypatch.setattr(holders, "_is_member", lambda group: False)
    assert holders.forbidden_words("/dev/ttyUSB0", 20, 0o660) == (
        "you may not read /dev/ttyUSB0: sudo usermod -aG dialout $USER, then log out and in again"
    )
    monkeypatch.setattr(holders, "_is_member", lambda group: True)
    assert "log out and in again" in holders.forbidden_words("/dev/ttyUSB0", 20, 0o660)
    assert "usermod" not in holders.forbidden_words("/dev/ttyUSB0", 20, 0o660)
    assert "udev rule" in holders.forbidden_words("/dev/ttyUSB0", 20, 0o600)


def test_permission_of_real_files(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    file = tmp_path / "device"
    file.write_text("")
    assert holders.permission_problem(str(file)) is None
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    assert "you may not read" in str(holders.permission_problem(str(file)))
    assert "cannot be looked at" in str(holders.permission_problem(str(tmp_path / "absent")))
    assert holders._group_name(2**31 - 7) is None
    assert holders._is_member("no-such-group") is False


# sheet 10.2 (READ, kernel sources)
@pytest.mark.parametrize(
    ("driver", "line_errors"),
    [
        ("ftdi_sio", LineErrors.MARKED),
        ("cp210x", LineErrors.MARKED),
        ("pl2303", LineErrors.MARKED),
        ("ch341", LineErrors.UNAVAILABLE),
        ("ch341-uart", LineErrors.UNAVAILABLE),
        ("cdc_acm", LineErrors.UNAVAILABLE),
        (PSEUDO_TERMINAL, LineErrors.UNAVAILABLE),
    ],
)
def test_what_drivers_can_show(driver: str, line_errors: LineErrors) -> None:
    assert driver_facts(driver, counters=True).line_errors is line_errors
    assert driver_facts(driver, counters=False).line_errors is line_errors


@pytest.mark.parametrize("driver", ["serial8250", "some_new_driver", None])
def test_other_drivers_count_only_if_the_counters_answer(driver: str | None) -> None:
    assert driver_facts(driver, counters=True).line_errors is LineErrors.COUNTED
    assert driver_facts(driver, counters=False).line_errors is LineErrors.UNAVAILABLE


def test_whole_packet_marking_is_said_where_it_is_so() -> None:
    # sheet 0 item 11
    for name in ("ftdi_sio", "pl2303"):
        assert "whole USB packet" in driver_facts(name, counters=True).words
    assert "whole" not in driver_facts("cp210x", counters=True).words


def test_resolution_adds_what_delays() -> None:
    slow = LineSettings(9600)
    # sheet 10.3: 16 ms latency timer, ±1 ms and a USB frame
    assert resolution_ns(usb=True, latency_ms=16, hold_octets=0, settings=slow) == 18_000_000
    assert resolution_ns(usb=True, latency_ms=1, hold_octets=0, settings=slow) == 3_000_000
    assert resolution_ns(usb=False, latency_ms=None, hold_octets=0, settings=slow) == 1_000_000
    assert resolution_ns(usb=False, latency_ms=None, hold_octets=8, settings=slow) == 1_000_000 + 8 * slow.char_ns
