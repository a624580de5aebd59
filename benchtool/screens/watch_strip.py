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
"""Rates are counted over so many whole seconds, or over all the time there is."""
_TOO_SHORT_NS = SECOND_NS // 4
"""Of so short a part of a second nobody can say that it is silent."""


@dataclass(slots=True)
class _Second:
    busy_ns: int = 0
    octets: int = 0
    sound: int = 0
    damaged: int = 0
    deaf_ns: int = 0


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
    """Nothing to say of it: before listening began, or it has hardly begun itself."""


_SILENT, _BEFORE = Cell(0.0, 0), Cell(0.0, 0, future=True)


@dataclass(frozen=True, slots=True)
class Rates:
    """A second's counts, over the last seconds in which the line could be heard."""

    octets: float = 0.0
    sound: float = 0.0
    damaged: float = 0.0
    busy: float = 0.0
    seconds: float = 0.0
    """Over so many they are; 0 where nothing could be heard in any of them."""


class Strip:
    """Feed it what the tap delivers and what the decoder makes of it."""

    def __init__(self, char_ns: int) -> None:
        self.char_ns = char_ns
        self._seconds: dict[int, _Second] = {}
        self._cells: dict[int, Cell] = {}
        """Of seconds that are over; one that something is added to afterwards is taken out again."""
        self._newest = -1
        self._began_ns: int | None = None
        self._deaf_until_ns = 0
        """What of deaf time has been counted."""

    def begin(self, now_ns: int) -> None:
        """Listening begins."""
        self._began_ns = self._deaf_until_ns = now_ns

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
            # A gap that lasts is told again and again, each time longer.
            start_ns, end_ns = max(item.t_ns, self._deaf_until_ns), item.end_ns
            self._deaf_until_ns = max(self._deaf_until_ns, end_ns)
            last = (end_ns - 1) // SECOND_NS
            for number in range(max(start_ns // SECOND_NS, last - KEPT), last + 1):
                begin_ns = number * SECOND_NS
                self._at(number).deaf_ns += min(end_ns, begin_ns + SECOND_NS) - max(start_ns, begin_ns)
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
                    self._cells.pop(old, None)
        if number in self._cells:
            del self._cells[number]
        return found

    def cells(self, now_ns: int, count: int) -> tuple[Cell, ...]:
        """The last `count` seconds, the present one last."""
        newest = max(0, now_ns - 1) // SECOND_NS
        began = (self._began_ns or 0) // SECOND_NS
        known = self._cells
        return tuple(
            _BEFORE if number < began else known.get(number) or self._cell(number, now_ns)
            for number in range(newest - min(count, KEPT) + 1, newest + 1)
        )

    def _cell(self, number: int, now_ns: int) -> Cell:
        second = self._seconds.get(number)
        if second is None:
            return _BEFORE if now_ns - number * SECOND_NS < _TOO_SHORT_NS else _SILENT
        heard_ns = self._heard_ns(number, now_ns)
        busy = second.busy_ns / max(SECOND_NS // 10, heard_ns)
        cell = Cell(min(1.0, busy), second.damaged, second.deaf_ns > 0)
        if (number + 1) * SECOND_NS <= now_ns:
            self._cells[number] = cell
        return cell

    def _heard_ns(self, number: int, now_ns: int) -> int:
        """How much of a second there was to hear, from when listening began until now."""
        start_ns = max(number * SECOND_NS, self._began_ns or 0)
        second = self._seconds.get(number)
        deaf_ns = 0 if second is None else second.deaf_ns
        return max(0, min((number + 1) * SECOND_NS, now_ns) - start_ns - deaf_ns)

    def rates(self, now_ns: int) -> Rates:
        """Counts a second, over the last whole seconds, or all the time since listening began; deaf time left out."""
        newest = now_ns // SECOND_NS
        began_ns = self._began_ns or 0
        # As long as there are fewer, all that there is counts.
        whole = now_ns - began_ns > _RATE_SECONDS * SECOND_NS
        numbers = range(newest - _RATE_SECONDS, newest) if whole else range(began_ns // SECOND_NS, newest + 1)
        heard_ns = sum(self._heard_ns(number, now_ns) for number in numbers)
        if not heard_ns:
            return Rates()
        seconds = [self._seconds[number] for number in numbers if number in self._seconds]
        share = SECOND_NS / max(SECOND_NS // 10, heard_ns)
        return Rates(
            sum(one.octets for one in seconds) * share,
            sum(one.sound for one in seconds) * share,
            sum(one.damaged for one in seconds) * share,
            min(1.0, sum(one.busy_ns for one in seconds) * share / SECOND_NS),
            heard_ns / SECOND_NS,
        )
