"""A board for probe_logic.Probe without state machines: it answers the words that they would, worked out by arithmetic.

The state machines themselves run in board_model.py. Here time is given, so that logic and host are tested quickly, and
over a pseudo-terminal in real time.
"""

from __future__ import annotations

import os
import pty
import select
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from tests.probe.board_files import load

LOGIC: Any = load("probe_logic")
MASK = (1 << 30) - 1


def word(ticks: int, levels: int) -> int:
    """What the edge program pushes."""
    return levels << 30 | (~ticks & MASK)


class LogicBoard:
    """D0 and D1 with pull-ups; what is emitted is seen at the inputs. `follows` False: the lines stay as they are."""

    def __init__(self, now_ms: Callable[[], int], *, levels: int = 3, follows: bool = True, test: str = "") -> None:
        self._now = now_ms
        self._follows = follows
        self._levels = levels
        self._test = test
        self.coming: list[tuple[int, int]] = [(0, levels)]
        """(ticks, levels), rising."""
        self.lost = 0
        self.to_probe = bytearray()
        self.said = bytearray()
        self.plans: list[list[int]] = []
        self.stopped = 0
        self.lamp: list[bool] = []
        self._until = 0

    def now_ms(self) -> int:
        return self._now()

    def heard(self) -> bytes:
        octets, self.to_probe = bytes(self.to_probe[:64]), self.to_probe[64:]
        return octets

    def say(self, octets: bytes) -> None:
        self.said += octets

    def edges(self) -> tuple[list[int], int]:
        now = self._now() * 2500
        due = [one for one in self.coming if one[0] <= now]
        self.coming = self.coming[len(due) :]
        lost, self.lost = self.lost, 0
        if due:
            self._levels = due[-1][1]
        return [] if lost else [word(*one) for one in due], lost

    def pulse(self, ticks: int, line: int, width: int = 125) -> None:
        """A pulse from outside."""
        self.coming += [(ticks, 3 & ~(1 << line)), (ticks + width, 3)]

    def levels(self) -> int:
        return self._levels

    def emit(self, words: Any) -> None:
        self.plans.append(list(words))
        ticks = self._now() * 2500
        for one in words:
            if self._follows:
                self.coming.append((ticks, 3 & ~(one & 3)))
            # A microsecond is two and a half ticks: the sample after the change sees it.
            ticks += ((one >> 2) + 4) * 5 // 2
        self._until = ticks

    def emitting(self) -> bool:
        return self._now() * 2500 < self._until

    def stop(self) -> None:
        self.stopped += 1
        self.coming = []

    def test(self) -> list[int]:
        words = [word(0, 0), word(20, 1), word(145, 0), word(2520, 2), word(2645, 0)]
        return words[:-1] if self._test == "edges" else words

    def about(self) -> str:
        return "clock=7735940 ring=1000 micropython=1.27.0"

    def led(self, on: bool) -> None:
        self.lamp.append(bool(on))


@contextmanager
def probe_at_terminal(
    board_of: Callable[[Callable[[], int]], LogicBoard] = LogicBoard, each: Callable[[LogicBoard], None] | None = None
) -> Iterator[tuple[str, LogicBoard]]:
    """A device name at which the probe's program runs, over a pseudo-terminal and in real time."""
    ours, theirs = pty.openpty()
    tty.setraw(ours)
    tty.setraw(theirs)
    began = time.monotonic()
    board = board_of(lambda: int((time.monotonic() - began) * 1000))
    probe = LOGIC.Probe(board)
    stop = threading.Event()

    def run() -> None:
        probe.hello()
        while not stop.is_set():
            if select.select([ours], [], [], 0.002)[0]:
                board.to_probe += os.read(ours, 4096)
            probe.step()
            if each is not None:
                each(board)
            if board.said:
                said, board.said = bytes(board.said), bytearray()
                os.write(ours, said)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        yield os.ttyname(theirs), board
    finally:
        stop.set()
        thread.join(10)
        os.close(ours)
        os.close(theirs)
