"""Files as taps: everything recorded comes again, and what is wrong with a file is said."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from benchtool.capture.chunk import Chunk, Gap, Item, LineCounts, LineErrors, TapInfo
from benchtool.capture.files import CaptureError, CaptureFile, Recorder
from benchtool.capture.settings import LineSettings
from benchtool.taps.file import FileTap
from benchtool.taps.tap import TapError
from tests.taps.fakes import octets_of

ITEMS: list[Item] = [
    Chunk(1000, 2000, b"\x01\x02", b"\x00\x01"),
    LineCounts(2500, framing=3),
    Gap(3000, 9000, "adapter pulled out"),
    *[Chunk(10_000 + 10 * number, 10_005 + 10 * number, b"x") for number in range(1000)],
]


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    path = tmp_path / "visit.pcapng"
    info = TapInfo("/dev/ttyUSB0", LineSettings(19200), LineErrors.MARKED, 3_000_000, 1_700_000_000_000_000_000)
    with Recorder(path, info) as recorder:
        for item in ITEMS:
            recorder.write(item)
    return path


def test_items_come_again_in_virtual_time(capture: Path) -> None:
    heard: list[Item] = []
    with FileTap(str(capture)) as tap:
        assert tap.now_ns == 0
        while items := tap.read(0):
            assert len(items) <= 300
            heard += items
            last = items[-1]
            assert tap.now_ns == (last.end_ns if isinstance(last, Chunk | Gap) else last.t_ns)
        assert tap.ended
    assert [(type(item), item.t_ns) for item in heard] == [(type(item), item.t_ns) for item in ITEMS]
    assert octets_of(heard) == octets_of(ITEMS)


def test_the_file_says_how_the_line_was_set_unless_the_user_does(capture: Path) -> None:
    with FileTap(str(capture)) as tap:
        assert tap.info.settings == LineSettings(19200)
        assert tap.info.line_errors is LineErrors.MARKED
    with FileTap(str(capture), LineSettings(4800)) as tap:
        assert tap.info.settings == LineSettings(4800)


def test_problems_are_passed_on_and_outlive_the_file(tmp_path: Path) -> None:
    path = tmp_path / "visit.log"
    path.write_text("0.000 01 02 03\nthis is no octet line\n0.100 04\n")
    with FileTap(str(path)) as tap:
        heard = []
        while items := tap.read(0):
            heard += items
        assert len(tap.problems) == 1
    assert octets_of(heard) == b"\x01\x02\x03\x04"
    assert "2" in tap.problems[0]


def test_what_came_before_a_break_is_delivered_before_the_error(capture: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(self: CaptureFile) -> Iterator[Item]:
        yield ITEMS[0]
        raise CaptureError("the file breaks off", reason="foreign")

    monkeypatch.setattr(CaptureFile, "__iter__", broken)
    with FileTap(str(capture)) as tap:
        assert octets_of(tap.read(0)) == b"\x01\x02"
        for _ in range(2):
            with pytest.raises(TapError, match="breaks off"):
                tap.read(0)

    def broken_at_once(self: CaptureFile) -> Iterator[Item]:
        raise CaptureError("the file breaks off", reason="foreign")
        yield ITEMS[0]

    monkeypatch.setattr(CaptureFile, "__iter__", broken_at_once)
    with FileTap(str(capture)) as tap:
        with pytest.raises(TapError, match="breaks off"):
            tap.read(0)
        assert tap.ended


@pytest.mark.parametrize(
    ("content", "reason"), [(None, "absent"), (b"", "foreign"), (b"\x89PNG\r\n\x1a\n" + bytes(64), "foreign")]
)
def test_files_that_are_none(tmp_path: Path, content: bytes | None, reason: str) -> None:
    path = tmp_path / "visit.pcapng"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(TapError) as caught:
        FileTap(str(path)).open()
    assert caught.value.reason == reason
    assert str(path) in str(caught.value)
