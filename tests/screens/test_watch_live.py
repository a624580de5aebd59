"""The live screen at an adapter: one that goes away and comes back, and one that does not take what it is told."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchtool.capture.chunk import Chunk, Gap, LineErrors, TapInfo
from benchtool.capture.files import open_capture
from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.frames.osdp.build import build_frame
from benchtool.screens.watch_look import Look
from benchtool.screens.watch_snapshot import Snapshot
from benchtool.screens.watch_summary import summary_lines
from benchtool.taps.live import LiveTap, Source, SourceLostError
from benchtool.taps.tap import TapError
from tests.screens.watching import Watching, watching
from tests.taps.fakes import FakeClock, FakePort, Step

POLL = build_frame(1, 0x60, b"", sequence=1, crc=True, reply=False)


class ScriptedTap(LiveTap):
    """A device by script, one each time it is opened, that takes any rate and no format but 8N1."""

    opening_s = 0.0

    def __init__(self, address: str, settings: LineSettings | None, clock: FakeClock, opened: list[list[Step]]) -> None:
        super().__init__(address, settings, clock=clock)
        self._fake, self._opened_with = clock, opened

    def _connect(self, timeout_s: float | None) -> Source:
        if not self._opened_with:
            raise TapError("there is no device", reason="absent")
        self._settings = LineSettings(self._settings.baud)
        self._fake.wait(self.opening_s)
        return FakePort(self._fake, self._opened_with.pop(0))

    def _describe(self) -> TapInfo:
        return TapInfo(self._address, self._settings, LineErrors.MARKED)


def at_adapter(clock: FakeClock, opened: list[list[Step]]) -> Watching:
    return watching("/dev/ttyX", opener=lambda where, settings: ScriptedTap(where, settings, clock, opened))


def until(screen: Watching, clock: FakeClock, seconds: float) -> None:
    """Listen until the tap's clock stands there."""
    end_ns = FakeClock().time_ns + round(seconds * 1e9)
    while clock.time_ns < end_ns:
        screen.pump.step()


def shot(screen: Watching) -> Snapshot:
    return screen.model.snapshot(Look(), 5, 10)


def test_the_seconds_in_which_an_adapter_is_gone_are_not_heard_from_the_first_on() -> None:
    clock = FakeClock()
    opened: list[list[Step]] = [[*[POLL] * 10, SourceLostError("unplugged")]]
    screen = at_adapter(clock, opened)
    until(screen, clock, 3.5)
    gone = shot(screen)
    assert "Cannot hear now: /dev/ttyX gone: unplugged" in gone.state
    assert gone.deaf_since_ns is not None
    assert gone.deaf_since_ns < 1e9
    assert [cell.deaf for cell in gone.cells if not cell.future] == [True] * 4
    # Plugged in again: what was not heard stays so, what is heard now is not.
    opened.append([])
    until(screen, clock, 6.5)
    back = shot(screen)
    assert back.deaf_since_ns is None
    assert [cell.deaf for cell in back.cells if not cell.future] == [True] * 5 + [False] * 2
    # The seconds without an adapter are no silence of the bus.
    assert back.state == "Listening: nothing heard yet."
    until(screen, clock, 10.5)
    assert shot(screen).state.startswith("Nothing heard for 6 s:")


def test_a_format_that_the_device_refuses_is_said_and_neither_shown_nor_recorded(tmp_path: Path) -> None:
    clock = FakeClock()
    screen = at_adapter(clock, [[POLL] * 5, [POLL] * 7, [POLL] * 9])
    until(screen, clock, 1)
    screen.type("r", str(tmp_path / "rec1.pcapng"))
    screen.type("b", "8E1")
    assert "The device does not take 9600 8E1: it goes on with 9600 8N1." in screen.look.refused
    assert screen.desk.submit("8N1") is False
    assert "already" in screen.look.refused
    screen.desk.cancel()
    until(screen, clock, 2)
    assert shot(screen).settings == "9600 8N1"
    assert not screen.pump.past, "nothing has changed: counting goes on"
    assert screen.model.octets == 12 * len(POLL)
    # The rate is taken, the format is not.
    screen.type("b", "19200 8E1")
    until(screen, clock, 3)
    screen.pump.finish()
    assert shot(screen).settings == "19200 8N1"
    summary = "\n".join(summary_lines(screen.pump, 100))
    assert "when the receiver was set to 19200 8N1 (the device does not take 19200 8E1)" in summary
    for name, expected, frames in (("rec1", "9600 8N1", 7), ("rec1-2", "19200 8N1", 9)):
        with open_capture(tmp_path / f"{name}.pcapng") as capture:
            assert str(capture.info.settings) == expected
            assert sum(len(item.octets) for item in capture if isinstance(item, Chunk)) == frames * len(POLL)


def test_while_the_tap_is_set_nothing_is_heard_and_time_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ScriptedTap, "opening_s", 0.2)
    clock = FakeClock()
    screen = at_adapter(clock, [[], [POLL], []])
    until(screen, clock, 1)
    screen.type("r", str(tmp_path / "a.pcapng"))
    screen.pump._clock_ns = clock.now_ns
    before_ns = screen.pump.source.now_ns()
    screen.desk.press("b")
    screen.desk.submit("8E1")
    assert screen.pump.source.now_ns() - before_ns == 200_000_000
    until(screen, clock, 2)
    screen.pump.finish()
    with open_capture(tmp_path / "a.pcapng") as capture:
        gaps = [item for item in capture if isinstance(item, Gap)]
    assert [(gap.end_ns - gap.t_ns, gap.why) for gap in gaps] == [(200_000_000, "the tap was being set")]


def test_notices_of_a_tap_opened_later_stand_on_the_time_of_the_screen() -> None:
    clock = FakeClock()
    screen = at_adapter(clock, [[], [POLL, SourceLostError("unplugged")]])
    until(screen, clock, 3)
    screen.type("b", "19200")
    until(screen, clock, 4)
    assert "/dev/ttyX gone at 3.0 s (unplugged)" in screen.text(100, 30)


def test_a_second_change_of_rate_records_into_a_third_file(tmp_path: Path) -> None:
    screen = watching("sim:bench")
    screen.type("r", str(tmp_path / "rec1.pcapng"))
    for rate in ("19200", "4800", "9600 8E1"):
        screen.run(0.5)
        screen.type("b", rate)
    screen.run(0.5)
    screen.pump.finish()
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "rec1-2.pcapng",
        "rec1-3.pcapng",
        "rec1-4.pcapng",
        "rec1.pcapng",
    ]
    with open_capture(tmp_path / "rec1-4.pcapng") as capture:
        assert capture.info.settings == LineSettings(9600, CharFormat.parse("8E1"))


def test_what_has_been_played_of_a_capture_is_told(tmp_path: Path) -> None:
    line = "{} 53 01 08 00 05 60 8B 33\n"
    for name, count in (("short.log", 20), ("long.log", 300)):
        (tmp_path / name).write_text("".join(line.format(f"{1000 + at}.5") for at in range(count)))
        screen = watching(str(tmp_path / name))
        screen.run(count / 4)
        assert shot(screen).pace in ("speed 1, 24% of file", "speed 1, 25% of file", "speed 1, 26% of file")
        assert screen.text().startswith(" ")
        screen.run(count * 0.76)
        assert shot(screen).pace == "speed 1, 100% of file"
        screen.pump.finish()
    sim = watching()
    sim.run(1)
    assert "of file" not in shot(sim).pace


def test_time_that_could_not_be_heard_makes_no_finding_and_counts_where_it_belongs() -> None:
    clock = FakeClock()
    screen = at_adapter(clock, [[*[POLL] * 10, SourceLostError("unplugged")]])
    until(screen, clock, 3)
    screen.press("c")
    until(screen, clock, 16)
    assert screen.model.found is None
    assert screen.model.listened_ns == 0
    screen.pump.finish()
    before, after = "\n".join(summary_lines(screen.pump, 100)).split("after that:")
    assert "Nothing at all was heard" not in after
    assert "heard 0 octets in 13.0 s" in after
    assert "could not hear for 13.0 s of that" in after
    assert "could not hear for 3.0 s of that" in before.replace("2.9", "3.0")


def test_why_a_format_was_not_taken_and_where_it_is_recorded_are_both_told(tmp_path: Path) -> None:
    clock = FakeClock()
    screen = at_adapter(clock, [[POLL] * 5, [POLL] * 5])
    until(screen, clock, 1)
    screen.type("r", str(tmp_path / "a.pcapng"))
    screen.type("b", "19200 8E1")
    assert "the device does not take 19200 8E1" in screen.look.message
    assert "Recording into " in screen.look.message
    screen.pump.finish()


def test_octets_of_a_tap_that_is_blind_are_not_called_ok(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        ScriptedTap, "_describe", lambda self: TapInfo(self._address, self._settings, LineErrors.UNAVAILABLE)
    )
    clock = FakeClock()
    screen = at_adapter(clock, [[POLL] * 5])
    until(screen, clock, 1)
    screen.press("home", "enter")
    page = screen.text(100, 40)
    assert "0  53  0101 0011  ?     start of message" in page
    assert "this tap cannot tell which octet had a line error" in page
