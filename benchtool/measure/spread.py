"""Spread of a time in constant memory: least, greatest, median and percentiles from a logarithmic histogram.

64 bins an octave: a percentile read from it is within 1.1 % of the true one (2 ** (1/64) = 1.0109).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

_BINS_PER_OCTAVE = 64
_LOG = _BINS_PER_OCTAVE / math.log(2)
_log = math.log


@dataclass(frozen=True, slots=True)
class SpreadFigures:
    """A finished spread; times in nanoseconds, None where nothing was counted."""

    count: int
    least_ns: int | None
    median_ns: int | None
    p99_ns: int | None
    greatest_ns: int | None


class Spread:
    """Counts durations (ns, 0 or more; a negative one, from coarse time stamps, counts as 0)."""

    __slots__ = ("_bins", "_greatest", "_least")

    def __init__(self) -> None:
        self._bins: dict[int, int] = {}
        self._least = 1 << 80
        self._greatest = -1

    @property
    def count(self) -> int:
        """How many durations were counted."""
        return sum(self._bins.values())

    def add(self, duration_ns: int) -> None:
        """Count one duration."""
        if duration_ns < 1:
            duration_ns = 0
            index = -1
        else:
            index = int(_log(duration_ns) * _LOG)
        if duration_ns < self._least:
            self._least = duration_ns
        if duration_ns > self._greatest:
            self._greatest = duration_ns
        try:
            self._bins[index] += 1
        except KeyError:
            self._bins[index] = 1

    def percentile(self, share: float) -> int | None:
        """The duration that `share` (0 to 1) of those counted do not exceed; None when nothing was counted."""
        if self.count == 0:
            return None
        wanted = max(1, math.ceil(share * self.count - 1e-9))
        seen = 0
        for index in sorted(self._bins):
            seen += self._bins[index]
            if seen >= wanted:
                middle = 0 if index < 0 else round(math.exp((index + 0.5) / _LOG))
                return min(max(middle, self._least), self._greatest)
        return self._greatest

    def figures(self) -> SpreadFigures:
        """The figures as they stand."""
        count = self.count
        if count == 0:
            return SpreadFigures(0, None, None, None, None)
        return SpreadFigures(count, self._least, self.percentile(0.5), self.percentile(0.99), self._greatest)
