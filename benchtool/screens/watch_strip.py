"""The line over the last minutes, second by second: how busy, how many frames sound or damaged, when nobody could hear.

Constant memory: the seconds of the last four minutes.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchtool.capture.chunk import Chunk, Gap, Item, LineCounts
from benchtool.frames.frame import Frame

SECOND_NS = 1_000_000_000
KEPT = 240
_RATE_SECONDS = 5
"""Rates are counted over so many whole seconds."""


@dataclass(slots=True)
class _Second:
    busy_ns: int = 0
    octets: int = 0
    sound: int = 0
    damaged: int = 0
    deaf: bool = False


@dataclass(frozen=True, slots=True)
class Cell:
    """One second of the line."""

    busy: float
    """Share of the time in which octets were on the wire, 0 to 1."""
    damaged: int
    """Damaged frames and spans, and line errors that were only counted."""
    deaf: bool = False
    """Nothing could be heard in a part of it."""
    future: bool = False
    """Before listening began."""


@dataclass(frozen=True, slots=True)
class Rates:
    """A second's counts, over the last seconds."""

    octets: float = 0.0
    sound: float = 0.0
    damaged: float = 0.0
    busy: float = 0.0


class Strip:
    """Feed it what the tap delivers and what the decoder makes of it."""

    def __init__(self, char_ns: int) -> None:
        self.char_ns = char_ns
        self._seconds: dict[int, _Second] = {}
        self._newest = -1
        self._began_ns: int | None = None

    def begin(self, now_ns: int) -> None:
        """Listening begins."""
        self._began_ns = now_ns

    def item(self, item: Item) -> None:
        """What came from the tap."""
        if self._began_ns is None:
            self._began_ns = item.t_ns
        if isinstance(item, Chunk):
            count = len(item.octets)
            busy_ns = count * self.char_ns
            # A lump that an adapter hands over late still took its time on the wire, up to its end.
            start_ns, end_ns = min(item.t_ns, item.end_ns - busy_ns), item.end_ns
            first, last = start_ns // SECOND_NS, max(0, end_ns - 1) // SECOND_NS
            if first >= last:
                second = self._at(last)
                second.busy_ns += busy_ns
                second.octets += count
                return
            whole_ns = end_ns - start_ns
            for number in range(max(first, last - KEPT), last + 1):
                part_ns = min(end_ns, (number + 1) * SECOND_NS) - max(start_ns, number * SECOND_NS)
                second = self._at(number)
                second.busy_ns += busy_ns * part_ns // whole_ns
                second.octets += count * part_ns // whole_ns
        elif isinstance(item, Gap):
            last = max(item.t_ns, item.end_ns - 1) // SECOND_NS
            for number in range(max(item.t_ns // SECOND_NS, last - KEPT), last + 1):
                self._at(number).deaf = True
        elif isinstance(item, LineCounts):
            self._at(item.t_ns // SECOND_NS).damaged += item.framing + item.parity + item.breaks + item.overrun

    def frame(self, frame: Frame) -> None:
        """What the decoder made of it."""
        second = self._at(frame.end_ns // SECOND_NS)
        if frame.ok:
            second.sound += 1
        else:
            second.damaged += 1

    def _at(self, number: int) -> _Second:
        found = self._seconds.get(number)
        if found is None:
            found = self._seconds[number] = _Second()
            if number > self._newest:
                self._newest = number
            if len(self._seconds) > KEPT:
                for old in [one for one in self._seconds if one <= self._newest - KEPT]:
                    del self._seconds[old]
        return found

    def cells(self, now_ns: int, count: int) -> tuple[Cell, ...]:
        """The last `count` seconds, the present one last."""
        newest = now_ns // SECOND_NS
        began = (self._began_ns or 0) // SECOND_NS
        made = []
        for number in range(newest - min(count, KEPT) + 1, newest + 1):
            second = self._seconds.get(number)
            if number < began:
                made.append(Cell(0.0, 0, future=True))
            elif second is None:
                made.append(Cell(0.0, 0))
            else:
                lasted = SECOND_NS if number < newest else max(SECOND_NS // 10, now_ns - number * SECOND_NS)
                made.append(Cell(min(1.0, second.busy_ns / lasted), second.damaged, second.deaf))
        return tuple(made)

    def rates(self, now_ns: int) -> Rates:
        """Counts a second, over the last whole seconds since listening began."""
        newest = now_ns // SECOND_NS
        first = max(newest - _RATE_SECONDS, (self._began_ns or 0) // SECOND_NS)
        seconds = [self._seconds[number] for number in range(first, newest) if number in self._seconds]
        if newest <= first:  # not one whole second yet: the beginning of it
            seconds = [self._seconds[newest]] if newest in self._seconds else []
            share = SECOND_NS / max(SECOND_NS // 10, now_ns - (self._began_ns or 0))
        else:
            share = 1 / (newest - first)
        return Rates(
            sum(one.octets for one in seconds) * share,
            sum(one.sound for one in seconds) * share,
            sum(one.damaged for one in seconds) * share,
            min(1.0, sum(one.busy_ns for one in seconds) * share / SECOND_NS),
        )
