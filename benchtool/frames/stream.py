"""Octets that are not decided yet, with the time of each, their marks, and where the line was silent between them.

No protocol here. Positions are offsets from the first octet that is still held; times come from the chunks, spread
evenly over a chunk's octets, so it does not matter how the same octets were split into chunks.
"""

from __future__ import annotations

from benchtool.capture.chunk import Chunk, Direction

_SENT, _RECEIVED = Direction.SENT, Direction.RECEIVED


class Stream:
    """Pending octets. `break_ns` is the silence from which on a place counts as a break."""

    __slots__ = (
        "_base",
        "_marks",
        "_mixed",
        "_segments",
        "before_ns",
        "break_ns",
        "breaks",
        "cut_ns",
        "end_ns",
        "heading",
        "octets",
    )

    def __init__(self, break_ns: int, cut_ns: int) -> None:
        self.break_ns = break_ns
        self.cut_ns = cut_ns
        """A change between sent and received octets counts as a silence this long."""
        self.octets = bytearray()
        self.breaks: list[tuple[int, int]] = []
        """(position of the octet after it, silence in ns), in order; position 0 is possible."""
        self.end_ns: int | None = None
        """When the last octet ended, kept when all octets are gone; None before the first."""
        self.before_ns: int | None = None
        """When the octet before position 0 ended; None where that is not known."""
        self._base = 0
        self._segments: list[tuple[int, int, int, int, Direction]] = []
        self._marks: dict[int, int] = {}
        self._mixed = False
        """Whether the octets held may have more than one direction."""
        self.heading = Direction.UNKNOWN
        """Direction of the last octet."""

    def append(self, chunk: Chunk, skip: int = 0, stop: int | None = None) -> None:
        """Take a chunk's octets from `skip` to `stop`. Only a chunk from its first octet can follow a break."""
        octets = chunk.octets
        count = len(octets)
        stop = count if stop is None else min(stop, count)
        start_ns = chunk.t_ns
        lasts_ns = max(0, chunk.end_ns - start_ns)
        held = len(self.octets)
        direction = chunk.direction
        if skip == 0 and self.end_ns is not None:
            silence = start_ns - self.end_ns
            turned = direction is not self.heading and {direction, self.heading} == {_SENT, _RECEIVED}
            if turned and silence < self.cut_ns:
                silence = self.cut_ns
            if silence >= self.break_ns:
                self.breaks.append((held, silence))
        if held and direction is not self.heading:
            self._mixed = True
        at = self._base + held
        self._segments.append((at - skip, count, start_ns, lasts_ns, direction))
        if chunk.marks and any(chunk.marks):
            for index, mark in enumerate(chunk.marks[skip:stop], at):
                if mark:
                    self._marks[index] = mark
        self.octets += octets[skip:stop]
        self.end_ns = start_ns + stop * lasts_ns // count
        self.heading = direction

    def goes_on(self, t_ns: int, direction: Direction) -> bool:
        """Whether octets from `t_ns` on belong to those held: no break, mark or change of direction up to then."""
        return (
            not self._marks
            and direction is self.heading
            and (not self.breaks or (len(self.breaks) == 1 and self.breaks[0][0] == 0))
            and self.end_ns is not None
            and t_ns - self.end_ns < self.break_ns
            and not self._mixed
        )

    def forget_time(self) -> None:
        """After a time in which the tap could not hear: the silence before what comes next is not known."""
        self.end_ns = self.before_ns = None

    def last_start(self) -> int:
        """Position of the first octet of the last chunk (below 0 when part of it is gone)."""
        return self._segments[-1][0] - self._base if self._segments else 0

    def clear(self) -> None:
        """Let all octets go without a trace of when they were: they are to be taken again, or are dropped."""
        self.octets.clear()
        self._segments.clear()
        self._marks.clear()
        self.breaks.clear()
        self._mixed = False
        self._base = 0

    def drop(self, count: int) -> None:
        """Let the first `count` octets go."""
        if count <= 0:
            return
        self.before_ns = self.stop_ns(count - 1)
        if count >= len(self.octets):
            self.clear()
            return
        del self.octets[:count]
        base = self._base = self._base + count
        while self._segments[0][0] + self._segments[0][1] <= base:
            del self._segments[0]
        self._mixed = self._mixed and len({segment[4] for segment in self._segments}) > 1
        if self.breaks:
            self.breaks = [(at - count, silence) for at, silence in self.breaks if at >= count]
        if self._marks:
            self._marks = {at: mark for at, mark in self._marks.items() if at >= base}

    def _segment(self, at: int) -> tuple[int, int, int, int, Direction]:
        for segment in self._segments:
            if at < segment[0] + segment[1]:
                return segment
        raise IndexError(at)

    def start_ns(self, at: int) -> int:
        """When the octet at a position began."""
        at += self._base
        first, count, start, lasts, _ = self._segment(at)
        return start + (at - first) * lasts // count

    def stop_ns(self, at: int) -> int:
        """When the octet at a position was complete."""
        at += self._base
        first, count, start, lasts, _ = self._segment(at)
        return start + (at + 1 - first) * lasts // count

    def stop_before_ns(self, at: int) -> int | None:
        """When the octet before a position was complete; None where that is not known."""
        return self.stop_ns(at - 1) if at else self.before_ns

    def direction(self, start: int, end: int) -> Direction:
        """The direction of the octets; UNKNOWN where it changes between them."""
        found = self._segment(start + self._base)[4]
        if len(self._segments) > 1:
            for first, _, _, _, direction in self._segments:
                if start < first - self._base < end and direction is not found:
                    return Direction.UNKNOWN
        return found

    def marks(self, start: int, end: int) -> bytes:
        """Line-error marks of the octets; empty where there is none."""
        if not self._marks:
            return b""
        base = self._base
        marks = bytes(self._marks.get(at, 0) & 0xFF for at in range(base + start, base + end))
        return marks if any(marks) else b""

    def marked(self, at: int) -> bool:
        """Whether an octet carries a mark."""
        return self._base + at in self._marks

    def is_break(self, at: int) -> bool:
        """Whether the octet at a position follows a silence."""
        return any(place == at for place, _ in self.breaks)

    def next_break(self, after: int, before: int, at_least_ns: int = 0) -> int | None:
        """The first break in `after` < position < `before`."""
        for place, silence in self.breaks:
            if after < place < before and silence >= at_least_ns:
                return place
        return None
