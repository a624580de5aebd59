"""Stray octets: one or two that belong to no frame. What they are, and where: at a frame's edge or alone in a silence.

An undefined idle line, a driver let go, or one that begins late leave such octets, mostly 00 or FF, right at the edges
of frames; noise leaves any value anywhere (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass

from benchtool.capture.chunk import Mark
from benchtool.frames.frame import Frame, Role
from benchtool.measure.kept import Sampler

_MOST_TIMES = 1024
_EDGE_CHARS = 2.5
"""Nearer to a frame than this it is at its edge."""


@dataclass(frozen=True, slots=True)
class Strays:
    """Counts of stray spans (one or two octets), by their first octet where it says value or mark."""

    spans: int = 0
    after_request: int = 0
    """Right after a request's end: the controller's driver letting go, or a device's beginning."""
    after_reply: int = 0
    """Right after a reply's end: a device's driver letting go, or the next request's beginning."""
    before: int = 0
    """Right before a sound frame: its driver taking hold."""
    alone: int = 0
    """With silence on both sides."""
    zeros: int = 0
    """00."""
    high: int = 0
    """FF, FE, FC, F8, F0, E0, C0, 80: a short 0 and then 1s."""
    marked: int = 0
    """With a framing error or break."""


class StrayCounter:
    """Counts; one a tap. `char_ns` is a character's time, `resolution_ns` the tap's."""

    def __init__(self, char_ns: int, resolution_ns: int) -> None:
        self._edge_ns = round(_EDGE_CHARS * char_ns) + resolution_ns
        self._counts = dict.fromkeys(("spans", "after_request", "after_reply", "alone", "zeros", "high", "marked"), 0)
        self._before = 0
        self.times = Sampler(_MOST_TIMES)
        """When those came that are alone: at a frame's edge they keep step with polling."""
        self.waiting: Frame | None = None
        """A stray that the next frame may follow directly; not yet counted as before it or alone."""

    def add(self, stray: Frame, last: Frame | None) -> None:
        """Take a stray, with the sound frame before it (None: damage)."""
        counts = self._counts
        if self.waiting is not None:
            self._alone(self.waiting)
            self.waiting = None
        counts["spans"] += 1
        value = stray.octets[0]
        counts["zeros"] += value == 0
        counts["high"] += value in _HIGH
        if stray.marks:
            counts["marked"] += stray.marks[0] & (Mark.FRAMING | Mark.BREAK) != 0
        if last is not None and stray.t_ns - last.end_ns < self._edge_ns:
            counts["after_request" if last.role is Role.REQUEST else "after_reply"] += 1
        else:
            self.waiting = stray

    def before(self, frame: Frame) -> None:
        """A frame came after the stray that is waiting."""
        stray, self.waiting = self.waiting, None
        if stray is not None:
            if frame.t_ns - stray.end_ns < self._edge_ns:
                self._before += 1
            else:
                self._alone(stray)

    def _alone(self, stray: Frame) -> None:
        self._counts["alone"] += 1
        self.times.add(stray.t_ns)

    def figures(self) -> Strays:
        """The counts as they stand."""
        waiting = self.waiting is not None
        counts = dict(self._counts)
        counts["alone"] += waiting
        return Strays(before=self._before, **counts)


_HIGH = frozenset((0xFF, 0xFE, 0xFC, 0xF8, 0xF0, 0xE0, 0xC0, 0x80))
