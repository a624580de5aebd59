"""One string says where to listen; a wrong one is answered with the mend."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from benchtool.capture.settings import LineSettings
from benchtool.taps import address
from benchtool.taps.adapter import AdapterTap
from benchtool.taps.address import open_tap
from benchtool.taps.file import FileTap
from benchtool.taps.network import SocketTap, UrlTap
from benchtool.taps.tap import Tap, TapError
from benchtool.taps.windows import ComTap
from tests.taps.fakes import pseudo_terminal, usb_adapter


@pytest.mark.parametrize(
    ("word", "kind"),
    [
        ("socket://127.0.0.1:4001", SocketTap),
        ("SOCKET://127.0.0.1:4001", SocketTap),
        ("rfc2217://127.0.0.1:4001", UrlTap),
        ("loop://", UrlTap),
        ("spy:///dev/ttyUSB0", UrlTap),
        ("  /dev/null ", AdapterTap),
    ],
)
def test_kinds_of_address(word: str, kind: type[Tap]) -> None:
    assert type(open_tap(word)) is kind


def test_a_file_a_device_and_a_simulated_bus(tmp_path: Path) -> None:
    file = tmp_path / "visit.pcapng"
    file.write_bytes(b"")
    assert type(open_tap(str(file))) is FileTap
    with pseudo_terminal() as (_, name):
        tap = open_tap(name)
        assert type(tap) is AdapterTap
        with tap:
            assert tap.info.settings == LineSettings()
    assert type(open_tap("sim:demo?seed=3")).__name__ == "SimulatedTap"


def test_com_ports_are_for_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(TapError, match="no such device COM5"):
        open_tap("COM5")
    monkeypatch.setattr(os, "name", "nt")
    for word in ("COM5", "com12", r"\\.\COM12"):
        assert type(open_tap(word)) is ComTap


def refusal(word: str, root: Path) -> TapError:
    with pytest.raises(TapError) as caught:
        open_tap(word, root=root)
    assert "\n" not in str(caught.value)
    return caught.value


@pytest.mark.parametrize(
    ("word", "reason", "words"),
    [
        ("", "bad-address", "sim:demo"),
        ("/dev/ttyUSB7", "absent", "no adapter is plugged in"),
        ("ttyUSB7", "absent", "written in full, /dev/ttyUSB7"),
        ("10.0.0.7:4001", "absent", "socket://10.0.0.7:4001"),
        ("demo", "absent", "sim:demo"),
        ("/no/such/folder/visit.pcapng", "absent", "there is no folder /no/such/folder"),
        ("Visit 3.pcapng", "absent", "benchtool ports"),
        ("sockt://host:1", "bad-address", "did you mean socket://?"),
        ("ftp://host/file", "bad-address", "known are"),
        ("a\0b", "bad-address", "is not an address"),
        ("a\nb", "bad-address", "'a\\nb' is not an address: it has a line break"),
    ],
)
def test_refusals_with_the_mend(
    word: str, reason: str, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    error = refusal(word, tmp_path)
    assert (error.reason, words in str(error)) == (reason, True), str(error)


def test_adapters_that_are_there_are_named(tmp_path: Path) -> None:
    device = usb_adapter(tmp_path)
    assert f"adapters here: {device} (see benchtool ports)" in str(refusal("/dev/ttyUSB7", tmp_path))


def test_a_near_file_name_is_offered(tmp_path: Path) -> None:
    (tmp_path / "visit-3.pcapng").write_bytes(b"")
    assert f"did you mean {tmp_path}/visit-3.pcapng?" in str(refusal(f"{tmp_path}/visit3.pcapng", tmp_path))


def test_a_link_to_nothing_is_said(tmp_path: Path) -> None:
    link = tmp_path / "p1"
    link.symlink_to(tmp_path / "gone")
    (tmp_path / "p2").symlink_to(tmp_path / "gone")
    error = refusal(str(link), tmp_path)
    assert f"{link} is a link to {tmp_path}/gone, which is not there" in str(error)
    # Nor is such a link offered in place of another name.
    assert "did you mean" not in str(refusal(str(tmp_path / "p3"), tmp_path))


@pytest.mark.parametrize("word", ["socket://", "socket://host", "rfc2217://", "rfc2217://host"])
def test_a_host_without_a_port_is_said(word: str) -> None:
    tap = open_tap(word)
    with pytest.raises(TapError, match=f"write {word.split(':')[0]}://host:port"):
        tap.open()


def test_a_simulated_bus_runs_as_long_as_asked_and_keeps_its_name() -> None:
    with open_tap("sim:demo?for=9", seconds=0.25) as tap:
        assert tap.info.name == "sim:demo?for=9"
        while not tap.ended:
            tap.read(0)
        assert tap.now_ns == 250_000_000


def test_what_is_neither_file_nor_device(tmp_path: Path) -> None:
    assert "is a folder" in str(refusal(str(tmp_path), tmp_path))
    with socket.socket(socket.AF_UNIX) as local:
        local.bind(str(tmp_path / "socket"))
        error = refusal(str(tmp_path / "socket"), tmp_path)
    assert (error.reason, "neither a serial device nor a file" in str(error)) == ("unusable", True)


def test_a_closed_folder_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(path: str) -> os.stat_result:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(address.os, "stat", refuse)  # type: ignore[attr-defined]
    assert refusal("/root/visit.pcapng", tmp_path).reason == "forbidden"
