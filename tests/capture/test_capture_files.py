"""Opening what is no capture, and recording onto disks that fill: one clear line, and whole blocks only."""

from __future__ import annotations

import errno
import os
from io import FileIO
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from benchtool.capture import private
from benchtool.capture.chunk import Chunk, Item, TapInfo
from benchtool.capture.files import CaptureError, CaptureFile, Recorder, open_capture
from tests.capture.pcapng_samples import INFO, ITEMS, SECTION, interface, read, recorded

if TYPE_CHECKING:
    from typing_extensions import Buffer

SECOND = 1_000_000_000


def refused(path: Path) -> tuple[str, str]:
    with pytest.raises(CaptureError) as caught, open_capture(path):
        pass
    assert "\n" not in str(caught.value)
    return caught.value.reason, str(caught.value)


def chunk(t_ns: int) -> Chunk:
    return Chunk(t_ns, t_ns + 10, b"\x53\x01")


# --- opening ---


def test_the_constructor_touches_nothing(tmp_path: Path) -> None:
    capture = open_capture(tmp_path / "absent")
    assert isinstance(capture, CaptureFile)
    for use in (lambda: capture.info, lambda: next(iter(capture))):
        with pytest.raises(RuntimeError, match="not open"):
            use()
    Recorder(tmp_path / "never.pcapng", INFO)
    assert list(tmp_path.iterdir()) == []


def test_what_cannot_be_opened(tmp_path: Path) -> None:
    assert refused(tmp_path / "absent.pcapng") == ("absent", f"there is no file '{tmp_path / 'absent.pcapng'}'")
    reason, text = refused(tmp_path)
    assert (reason, "folder" in text) == ("unusable", True)
    (tmp_path / "empty").touch()
    assert refused(tmp_path / "empty") == ("empty", f"'{tmp_path / 'empty'}' is empty")
    (tmp_path / "file").write_text("0 53\n")
    assert refused(tmp_path / "file" / "below")[0] == "unusable"
    assert refused(Path("nul\0name"))[0] == "unusable"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_is_refused_at_once(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    assert refused(tmp_path / "pipe")[0] == "unusable"


def test_no_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a.pcapng").write_bytes(b"x")

    def forbid(*_: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr("builtins.open", forbid)
    reason, text = refused(tmp_path / "a.pcapng")
    assert (reason, "may not be read by you" in text) == ("forbidden", True)


@pytest.mark.parametrize("magic", ["a1b2c3d4", "d4c3b2a1", "a1b23c4d", "4d3cb2a1"])
def test_classic_captures_are_named(tmp_path: Path, magic: str) -> None:
    # from memory: the magic numbers of the classic packet capture, micro- and nanoseconds, both byte orders
    (tmp_path / "a.pcap").write_bytes(bytes.fromhex(magic) + bytes(20))
    reason, text = refused(tmp_path / "a.pcap")
    assert (reason, "classic packet capture" in text) == ("foreign", True)


def test_packed_files_are_named(tmp_path: Path) -> None:
    (tmp_path / "a.gz").write_bytes(b"\x1f\x8b\x08\0")
    assert refused(tmp_path / "a.gz") == ("foreign", f"'{tmp_path / 'a.gz'}' is packed (gzip); unpack it first")


def test_captures_of_other_traffic(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    path.write_bytes(SECTION + interface(1) + interface(105))
    reason, text = refused(path)
    assert reason == "foreign"
    assert text.startswith(f"'{path}' holds no benchtool traffic (its link types are 1, 105); ")
    path.write_bytes(SECTION + interface(147))
    assert "holds no benchtool traffic" in refused(path)[1]
    path.write_bytes(SECTION[:9])
    assert "truncated: last block incomplete at octet 0" in refused(path)[1]


def test_a_failing_disk_ends_the_reading_with_a_problem(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.pcapng"
    items: list[Item] = [chunk(n) for n in range(10_000)]
    recorded(path, items)

    class Failing:
        def __init__(self, path: Path) -> None:
            self.file = path.open("rb")
            self.seek, self.close = self.file.seek, self.file.close
            self.left = 3

        def read(self, number: int) -> bytes:
            self.left -= 1
            if self.left < 0:
                raise OSError(errno.EIO, "Input/output error")
            return self.file.read(number)

    monkeypatch.setattr("benchtool.capture.files._opened", Failing)
    with open_capture(path) as capture:
        got = list(capture)
        assert 0 < len(got) < len(items)
        assert got == items[: len(got)]
        assert capture.problems == ["reading failed: Input/output error; everything before it was read"]
    monkeypatch.setattr(Failing, "read", lambda *_: (_ for _ in ()).throw(OSError(errno.EIO, "Input/output error")))
    assert refused(path) == ("unusable", f"'{path}' cannot be read: Input/output error")


# --- recording ---


@pytest.mark.parametrize(
    ("name", "kind"),
    [("a.pcapng", "pcapng"), ("a", "pcapng"), ("a.bin", "pcapng"), ("a.log", "octet-log"), ("a.TXT", "octet-log")],
)
def test_the_suffix_decides_the_kind(tmp_path: Path, name: str, kind: str) -> None:
    recorded(tmp_path / name)
    with open_capture(tmp_path / name) as capture:
        assert capture.kind == kind
        assert list(capture) == ITEMS
        assert capture.info == INFO


def test_an_existing_file_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    path.write_text("precious")
    with pytest.raises(CaptureError, match="exists already") as caught, Recorder(path, INFO):
        pass
    assert caught.value.reason == "exists"
    assert path.read_text() == "precious"
    with Recorder(path, INFO, overwrite=True):
        pass
    assert read(path) == (INFO, [], [])


@pytest.mark.skipif(os.name != "posix", reason="rights are the folder's on Windows")
@pytest.mark.parametrize("name", ["a.pcapng", "a.log"])
def test_only_its_owner_may_read_a_recording(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    with Recorder(path, INFO):
        assert path.stat().st_mode & 0o777 == 0o600
    path.chmod(0o644)
    with Recorder(path, INFO, overwrite=True):
        assert path.stat().st_mode & 0o777 == 0o600


def test_where_nothing_can_be_written(tmp_path: Path) -> None:
    for path, mend in ((tmp_path / "no" / "a.pcapng", "folder does not exist"), (tmp_path, "it is a folder")):
        with pytest.raises(CaptureError, match=mend) as caught, Recorder(path, INFO, overwrite=True):
            pass
        assert caught.value.reason == "cannot-write"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
def test_a_full_disk_from_the_start() -> None:
    with pytest.raises(CaptureError, match="the disk is full") as caught, Recorder("/dev/full", INFO, overwrite=True):
        pass
    assert caught.value.reason == "cannot-write"


class Disk(FileIO):
    """A file on a disk with room for `room` octets, which takes at most `most` of them at once."""

    room = 0
    most = 1 << 30

    def write(self, data: Buffer) -> int:
        octets = bytes(data)
        taken = min(len(octets), self.room - self.tell(), self.most)
        if octets and taken <= 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        return super().write(octets[:taken])


def test_a_disk_that_fills_leaves_whole_blocks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(private, "FileIO", Disk)
    monkeypatch.setattr(Disk, "room", 1 << 30)
    header = len(recorded(tmp_path / "probe.pcapng", []))
    block = len(recorded(tmp_path / "probe.pcapng", [chunk(0)])) - header
    for room in (header, header + 1, header + block - 1, header + block, header + 2 * block + 7):
        path = tmp_path / f"{room}.pcapng"
        monkeypatch.setattr(Disk, "room", room)
        with Recorder(path, INFO) as recorder:
            for n in range(3):
                recorder.write(chunk(n))
            with pytest.raises(CaptureError, match="the disk is full"):
                recorder.flush()
            with pytest.raises(CaptureError, match="the disk is full"):
                recorder.write(chunk(4))
            with pytest.raises(CaptureError, match="the disk is full"):
                recorder.flush()
        assert read(path) == (INFO, [chunk(n) for n in range((room - header) // block)], [])


def test_short_writes_lose_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(private, "FileIO", Disk)
    monkeypatch.setattr(Disk, "room", 1 << 30)
    monkeypatch.setattr(Disk, "most", 7)
    recorded(tmp_path / "a.pcapng")
    assert read(tmp_path / "a.pcapng") == (INFO, ITEMS, [])


def test_a_stop_in_the_middle_of_a_write_loses_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.pcapng"

    class Stopped(FileIO):
        writes = 0

        def write(self, data: Buffer) -> int:
            Stopped.writes += 1
            if Stopped.writes != 2:
                return super().write(data)
            super().write(bytes(data)[:150])
            raise KeyboardInterrupt

    monkeypatch.setattr(private, "FileIO", Stopped)
    items: list[Item] = [chunk(n) for n in range(6)]
    with Recorder(path, INFO) as recorder:
        for item in items:
            recorder.write(item)
        with pytest.raises(KeyboardInterrupt):
            recorder.flush()
    assert read(path) == (INFO, items, [])


def test_at_most_a_second_is_held_back(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    items = [chunk(n * SECOND // 4) for n in range(9)]
    seen = []
    with Recorder(path, INFO) as recorder:
        seen.append(read(path)[1])
        for item in items:
            recorder.write(item)
            seen.append(read(path)[1])
        recorder.flush()
        assert read(path)[1] == items
    assert [len(each) for each in seen] == [0, 0, 0, 0, 0, 5, 5, 5, 5, 5]
    for number, each in enumerate(seen[1:], 1):
        held = items[len(each) : number]
        assert not held or held[-1].t_ns - held[0].t_ns < SECOND


def test_much_in_a_second_is_not_held_back(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    with Recorder(path, INFO) as recorder:
        for n in range(20):
            recorder.write(Chunk(n, n, bytes(20_000)))
        assert len(read(path)[1]) >= 13


def test_a_recorder_that_is_not_open(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path / "a.pcapng", TapInfo("x"))
    with pytest.raises(RuntimeError, match="not open"):
        recorder.write(chunk(0))
    recorder.flush()
    recorder.close()
    with recorder:
        pass
    recorder.close()
    with pytest.raises(RuntimeError, match="not open"):
        recorder.write(chunk(0))
