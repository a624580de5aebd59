"""A screen without a terminal: time is passed in, pictures are text."""

from __future__ import annotations

from dataclasses import dataclass

from benchtool.capture.settings import LineSettings
from benchtool.frames.decoders import UNTOLD
from benchtool.frames.osdp.keys import KeyRing
from benchtool.screens.watch_app import Canvas
from benchtool.screens.watch_desk import Desk
from benchtool.screens.watch_diagnosis import Worker
from benchtool.screens.watch_glyphs import BLOCKS, Glyphs
from benchtool.screens.watch_look import Look
from benchtool.screens.watch_pace import Pace
from benchtool.screens.watch_pump import Pump
from benchtool.screens.watch_source import Opener, Source
from benchtool.screens.watch_state import Model
from benchtool.taps.address import open_tap

TURN_NS = 20_000_000


@dataclass
class Watching:
    """Everything behind a screen, and the real time, which goes on only where a test says so."""

    model: Model
    look: Look
    pump: Pump
    desk: Desk
    glyphs: Glyphs
    clock: list[int]

    def run(self, seconds: float) -> None:
        """Let so much real time pass."""
        until_ns = self.clock[0] + round(seconds * 1e9)
        while self.clock[0] < until_ns:
            self.clock[0] += TURN_NS
            self.pump.step()

    def press(self, *keys: str) -> None:
        for key in keys:
            assert self.desk.press(key), key
        self.pump.step()

    def type(self, key: str, text: str) -> None:
        """A key that asks, and the line."""
        assert self.desk.press(key)
        assert self.look.ask is not None
        self.desk.submit(text)
        self.pump.step()

    def picture(self, width: int = 80, height: int = 24) -> list[str]:
        lines = Canvas(self.desk, self.glyphs).paint(width, height)
        return ["".join(text for _, text in line) for line in lines]

    def text(self, width: int = 80, height: int = 24) -> str:
        return "\n".join(line.rstrip() for line in self.picture(width, height)) + "\n"


def watching(
    address: str = "sim:demo",
    *,
    settings: LineSettings | None = None,
    speed: float = 1.0,
    glyphs: Glyphs = BLOCKS,
    opener: Opener = open_tap,
    answer_s: float = 10.0,
) -> Watching:
    """A screen on that tap, open, at time 0."""
    clock = [1]

    look, model, pace = Look(), Model(UNTOLD, KeyRing()), Pace(speed)
    worker = Worker(model.take_found, clock_ns=lambda: clock[0])
    pump = Pump(
        model,
        Source(address, settings, pace, opener),
        pace,
        worker,
        clock_ns=lambda: clock[0],
        wait=lambda _: None,
        tell=look.tell,
        answer_s=answer_s,
    )
    pump.open()
    return Watching(model, look, pump, Desk(model, look, pump, glyphs=glyphs, stamp=lambda: "now"), glyphs, clock)
