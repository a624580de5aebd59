"""Which lines of the traffic are on the screen: newest, held, filtered, searched. Pure; others may add lines.

What is held is a copy: on a fast line the memory turns over within seconds, and the held picture must not move.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator

from benchtool.screens.watch_look import Look
from benchtool.screens.watch_ring import Ring
from benchtool.screens.watch_rows import Row

_LATELY_NS = 5_000_000_000
"""So long it is told that lines passed by unseen."""
_TESTS = 600
"""Lines that a filter puts into words for one picture: the rest of the memory is gone through in the next ones."""


class Scroll:
    """The newest lines, and the walk through them."""

    def __init__(self, most_rows: int) -> None:
        self.lock = threading.Lock()
        """Held while lines are added."""
        self.rows: Ring[Row] = Ring(most_rows)
        self._below = (-1, -1, 0, 0)
        """From which line on, under which filter, how many lines below it fit, and up to which line that is known."""

    def lines(self, look: Look) -> Ring[Row]:
        """Those that can be looked at: as they were where the traffic is held."""
        return self.rows if look.kept is None else look.kept

    def hold(self, look: Look) -> None:
        """Hold the traffic, the newest line that is shown selected."""
        with self.lock:
            kept = self.rows.copy(2 * self.rows.most)
        found = self.search(_any, look, kept.end - 1, -1, kept)
        look.hold(kept, -1 if found is None else found)

    def catch_up(self, look: Look) -> int:
        """Add to the held lines those that came next; how many between have left the memory, so that none is added."""
        kept = look.kept
        if kept is None:
            return 0
        with self.lock:
            if self.rows.first > kept.end:
                return self.rows.first - kept.end
            # The selected line must stay.
            room = kept.most - (kept.end - kept.first) + max(0, look.selected - kept.first)
            for number in range(kept.end, min(self.rows.end, kept.end + room)):
                kept.append(self.rows[number])
        return 0

    def newer(self, look: Look, lowest: int) -> int:
        """How many lines came after the lowest on the screen that the filter lets through, as far as that is known."""
        if look.filter.all:
            return max(0, self.rows.end - 1 - lowest)
        start, version, count, known = self._below
        if (start, version) != (lowest, look.filter_number):
            count, known = 0, lowest + 1
        tests = 0
        kept = self.lines(look)
        while known < self.rows.end and tests < _TESTS:
            try:
                row = kept[known] if known < kept.end else self.rows[known]
            except IndexError:  # gone before anybody looked
                known = max(known + 1, self.rows.first)
                continue
            tests += row.matched[0] != look.filter_number
            count += _wanted(row, look)
            known += 1
        self._below = (lowest, look.filter_number, count, known)
        return count

    def back(self, look: Look, start: int, count: int) -> list[int]:
        """At most `count` numbers of lines that the filter lets through, from `start` back; newest first."""
        return list(
            self._walk(look, range(min(start, self.lines(look).end - 1), self.lines(look).first - 1, -1), count)
        )

    def forward(self, look: Look, start: int, count: int) -> list[int]:
        """The same from `start` on; oldest first."""
        return list(self._walk(look, range(max(start, self.lines(look).first), self.lines(look).end), count))

    def _walk(self, look: Look, numbers: range, count: int) -> Iterator[int]:
        tests = 0
        everything, rows = look.filter.all, self.lines(look)
        for number in numbers:
            if count <= 0:
                return
            try:
                row = rows[number]
            except IndexError:  # gone meanwhile: somebody else adds to the ring
                continue
            if not everything:
                if row.matched[0] != look.filter_number:
                    tests += 1
                    if tests > _TESTS:
                        return
                if not _wanted(row, look):
                    continue
            count -= 1
            yield number

    def search(
        self, matches: Callable[[Row], bool], look: Look, start: int, step: int, rows: Ring[Row] | None = None
    ) -> int | None:
        """The nearest line from `start` on, in steps of 1 or -1, that is shown and matches; None: there is none.

        In `rows`, or where that is None in those that can be looked at.
        """
        rows = self.lines(look) if rows is None else rows
        number = start
        while rows.first <= number < rows.end:
            try:
                row = rows[number]
            except IndexError:
                return None
            if _wanted(row, look) and matches(row):
                return number
            number += step
        return None

    def anything(self, look: Look, start: int, step: int) -> int | None:
        """The nearest line that is shown at all."""
        return self.search(_any, look, start, step)

    def shown(self, look: Look, count: int, now_ns: int) -> list[int]:
        """The numbers of the lines on the screen, oldest first; moves them so that the selected one is there."""
        if not look.held:
            numbers = self.back(look, self.rows.end - 1, count)[::-1]
            if numbers and len(numbers) == count:
                unseen = numbers[0] - look.painted
                if unseen > 0:
                    look.passed, look.passed_ns = look.passed + unseen, now_ns
                elif now_ns - look.passed_ns > _LATELY_NS:
                    look.passed = 0
            look.painted = self.rows.end
            return numbers
        if look.selected >= 0:
            look.selected = max(look.selected, self.lines(look).first)
        if look.selected > look.bottom:
            look.bottom = look.selected
        numbers = self.back(look, look.bottom, count)[::-1]
        if numbers and 0 <= look.selected < numbers[0]:
            numbers = self.forward(look, look.selected, count)
            if numbers:
                look.bottom = numbers[-1]
        if len(numbers) < count:
            # There are no more above: those below move up.
            numbers = self.forward(look, numbers[0] if numbers else self.lines(look).first, count)
            look.bottom = numbers[-1] if numbers else look.bottom
        return numbers


def _any(_: Row) -> bool:
    return True


def _wanted(row: Row, look: Look) -> bool:
    """Whether the filter lets a line through; it is asked once for each filter."""
    version, wanted = row.matched
    if version != look.filter_number:
        wanted = look.filter.wants(row)
        row.matched = (look.filter_number, wanted)
    return wanted
