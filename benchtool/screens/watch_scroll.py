"""Which lines of the traffic are on the screen: newest, held, filtered, searched. Pure; others may add lines."""

from __future__ import annotations

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
        self.rows: Ring[Row] = Ring(most_rows)

    def back(self, look: Look, start: int, count: int) -> list[int]:
        """At most `count` numbers of lines that the filter lets through, from `start` back; newest first."""
        return list(self._walk(look, range(min(start, self.rows.end - 1), self.rows.first - 1, -1), count))

    def forward(self, look: Look, start: int, count: int) -> list[int]:
        """The same from `start` on; oldest first."""
        return list(self._walk(look, range(max(start, self.rows.first), self.rows.end), count))

    def _walk(self, look: Look, numbers: range, count: int) -> Iterator[int]:
        tests = 0
        everything = look.filter.all
        for number in numbers:
            if count <= 0:
                return
            try:
                row = self.rows[number]
            except IndexError:  # gone meanwhile: somebody else adds to the ring
                continue
            if not everything:
                version, wanted = row.matched
                if version != look.filter_number:
                    tests += 1
                    if tests > _TESTS:
                        return
                    wanted = look.filter.wants(row)
                    row.matched = (look.filter_number, wanted)
                if not wanted:
                    continue
            count -= 1
            yield number

    def search(self, matches: Callable[[Row], bool], look: Look, start: int, step: int) -> int | None:
        """The nearest line from `start` on, in steps of 1 or -1, that is shown and matches; None: there is none."""
        number = start
        while self.rows.first <= number < self.rows.end:
            try:
                row = self.rows[number]
            except IndexError:
                return None
            if look.filter.wants(row) and matches(row):
                return number
            number += step
        return None

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
        look.selected = max(look.selected, self.rows.first)
        if look.selected > look.bottom:
            look.bottom = look.selected
        numbers = self.back(look, look.bottom, count)[::-1]
        if numbers and look.selected < numbers[0]:
            numbers = self.forward(look, look.selected, count)
            if numbers:
                look.bottom = numbers[-1]
        if len(numbers) < count:
            # Lines have fallen out of the memory above: what is left moves up.
            numbers = self.forward(look, numbers[0] if numbers else self.rows.first, count)
            look.bottom = numbers[-1] if numbers else look.bottom
        return numbers
