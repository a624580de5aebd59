"""The loop all listening commands share, on taps that do what real ones do: pause, vanish, fail."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import pytest

from benchtool.capture.chunk import Chunk, Gap, Item, LineErrors, TapInfo
from benchtool.capture.files import CaptureError, Recorder, open_capture
from benchtool.capture.settings import LineSettings
from benchtool.commands.errors import CommandError
from benchtool.commands.session import Session, end_progress, progress_line, terminal_width
from benchtool.frames.frame import Frame, Reason
from benchtool.taps.tap import Tap, TapError

POLL = bytes.fromhex("5301080005608B33")  # sheet 5.7, computed gallery
ACK = bytes.fromhex("5381080005403935")
MS = 1_000_000


class ScriptedTap(Tap):
    """Delivers batches one read at a time; an exception in the script is raised, a number moves the clock (ns)."""

    def __init__(self, *script: list[Item] | BaseException | int, last: list[Item] | None = None) -> None:
        self._script = list(script)
        self._last = last or []
        self._now_ns = 0
        self.notices: list[str] = []
        self.closed = 0

    def open(self) -> None:
        pass

    def close(self) -> None:
        self.closed += 1

    @property
    def info(self) -> TapInfo:
        return TapInfo("scripted", LineSettings(), LineErrors.UNAVAILABLE)

    @property
    def ended(self) -> bool:
        return not self._script and not self.closed

    @property
    def now_ns(self) -> int:
        return self._now_ns

    def read(self, timeout_s: float) -> list[Item]:
        if self.closed:
            last, self._last = self._last, []
            return last
        step = self._script.pop(0)
        if isinstance(step, BaseException):
            raise step
        if isinstance(step, int):
            self._now_ns = step
            return []
        self._now_ns = max([self._now_ns, *(item.t_ns for item in step)])
        return step


def chunk(at_ms: float, octets: bytes) -> Chunk:
    return Chunk(round(at_ms * MS), round(at_ms * MS) + len(octets) * 1_041_667, octets)


def make(tap: Tap, **words: object) -> tuple[Session, list[Frame]]:
    frames: list[Frame] = []
    session = Session(tap, on_frame=frames.append, **words)  # type: ignore[arg-type]  # passed on as they are
    return session, frames


def test_a_frame_in_two_reads_is_one_frame() -> None:
    session, frames = make(ScriptedTap([chunk(0, POLL[:3])], [chunk(3.125, POLL[3:])]))
    session.run()
    assert [(frame.octets, frame.reason) for frame in frames] == [(POLL, Reason.OK)]


def test_what_waits_is_told_when_the_line_has_been_quiet() -> None:
    tap = ScriptedTap([chunk(0, POLL[:5])], 30 * MS, 500 * MS, [chunk(600, POLL)])
    session, frames = make(tap)
    session.run()
    assert [frame.reason for frame in frames] == [Reason.TRUNCATED, Reason.OK]


def test_ctrl_c_ends_it_and_all_is_counted() -> None:
    session, frames = make(ScriptedTap([chunk(0, POLL), chunk(12, ACK)], KeyboardInterrupt(), [chunk(50, POLL)]))
    session.run()
    assert session.stopped_by_user
    assert session.failure is None
    assert len(frames) == 2
    assert session.tally.figures().addresses[0].answered == 1


def test_a_tap_that_fails_leaves_its_result_and_the_error() -> None:
    broken = TapError("/dev/ttyX went away", reason="absent")
    session, frames = make(ScriptedTap([chunk(0, POLL)], broken))
    session.run()
    assert len(frames) == 1
    assert isinstance(session.failure, CommandError)
    assert session.failure.exit_code == 3


def test_what_a_live_tap_still_holds_when_closed_is_heard() -> None:
    gap = Gap(100 * MS, 900 * MS, "adapter pulled out")
    items: list[Item] = []
    session = Session(ScriptedTap([chunk(0, POLL)], last=[gap]), on_item=items.append)
    session.run()
    assert items == [chunk(0, POLL), gap]
    assert session.tally.figures().gaps == 1


def test_a_request_before_a_gap_is_not_called_silent() -> None:
    # Its last octets are still being decided when the gap comes: it was heard before, and is forgotten with the gap.
    gap = Gap(20 * MS, 900 * MS, "adapter pulled out")
    session, _ = make(ScriptedTap([chunk(0, POLL), gap, chunk(1000, POLL), chunk(1012, ACK)]))
    session.run()
    row = session.tally.figures().addresses[0]
    assert (row.requests, row.answered, row.silent) == (1, 1, 0)


def test_notices_are_passed_on_once() -> None:
    tap = ScriptedTap([chunk(0, POLL)], 10 * MS, 20 * MS)
    told: list[str] = []
    session = Session(tap, on_notice=told.append)
    tap.notices.append("adapter gone")
    session.run()
    tap.notices.append("too late")
    assert told == ["adapter gone"]


def test_the_time_is_up_on_the_taps_clock() -> None:
    tap = ScriptedTap([chunk(0, POLL)], [chunk(900, POLL), chunk(1100, POLL)], [chunk(2000, POLL)])
    session, frames = make(tap, seconds=1.0)
    session.run()
    assert len(frames) == 2
    quiet, none = make(ScriptedTap(500 * MS, 1000 * MS, [chunk(2000, POLL)]), seconds=1.0)
    quiet.run()
    assert none == []


def test_a_disk_that_fills_while_recording(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    written = 0
    real = Recorder.write

    def write(self: Recorder, item: Item) -> None:
        nonlocal written
        written += 1
        if written > 2:
            raise CaptureError("'a.pcapng' cannot be written: no space left", reason="cannot-write")
        real(self, item)

    monkeypatch.setattr(Recorder, "write", write)
    name = tmp_path / "a.pcapng"
    session, frames = make(
        ScriptedTap([chunk(0, POLL)], [chunk(50, ACK)], [chunk(100, POLL)], [chunk(150, ACK)]), record=str(name)
    )
    session.run()
    assert session.failure is not None
    assert session.failure.exit_code == 5
    assert len(frames) >= 2
    assert session.recorded is not None
    assert session.recorded.text().startswith(f"recorded in {name} only until 0.1 s (")
    with open_capture(name) as again:
        assert [item.octets for item in again if isinstance(item, Chunk)] == [POLL, ACK]


def test_a_recording_is_flushed_once_a_second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    flushes = 0

    def flush(self: Recorder) -> None:
        nonlocal flushes
        flushes += 1

    monkeypatch.setattr(Recorder, "flush", flush)
    script: list[list[Item] | int] = [seconds * 1000 * MS // 4 for seconds in range(1, 13)]
    session, _ = make(ScriptedTap(*script), record=str(tmp_path / "a.pcapng"))
    session.run()
    assert 3 <= flushes <= 6  # three seconds, and when it is closed


class Terminal(io.StringIO):
    """A stream that says that it is a terminal."""

    def isatty(self) -> bool:
        return True


def test_progress_is_shown_on_terminals_only(monkeypatch: pytest.MonkeyPatch) -> None:
    assert progress_line() is None
    end_progress(None)
    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    show = progress_line()
    assert show is not None
    for now_ms in (0, 100, 600, 700, 1200):
        show(now_ms * MS, 7)
    assert screen.getvalue().count("listening:") == 3
    assert "7 frames" in screen.getvalue()
    end_progress(show)
    assert screen.getvalue().endswith("\r")


def test_lines_are_cut_on_terminals_only(monkeypatch: pytest.MonkeyPatch) -> None:
    assert terminal_width() is None
    monkeypatch.setattr(sys, "stdout", Terminal())
    monkeypatch.setenv("COLUMNS", "91")
    assert terminal_width() == 91
