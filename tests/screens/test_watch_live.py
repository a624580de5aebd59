"""The live screen at an adapter: one that goes away and comes back, and one that does not take what it is told."""

from __future__ import annotations

from benchtool.capture.chunk import LineErrors, TapInfo
from benchtool.capture.settings import LineSettings
from benchtool.frames.osdp.build import build_frame
from benchtool.screens.watch_look import Look
from benchtool.screens.watch_state import Snapshot
from benchtool.taps.live import LiveTap, Source, SourceLostError
from benchtool.taps.tap import TapError
from tests.screens.watching import Watching, watching
from tests.taps.fakes import FakeClock, FakePort, Step

POLL = build_frame(1, 0x60, b"", sequence=1, crc=True, reply=False)


class ScriptedTap(LiveTap):
    """A device by script; one step each time it is opened."""

    def __init__(self, address: str, settings: LineSettings | None, clock: FakeClock, opened: list[list[Step]]) -> None:
        super().__init__(address, settings, clock=clock)
        self._fake, self._opened_with = clock, opened

    def _connect(self, timeout_s: float | None) -> Source:
        if not self._opened_with:
            raise TapError("there is no device", reason="absent")
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
