"""A scope's record drawn in characters: the whole of it, and beside it a few bits of the first talker.

Plain characters that every terminal has, so that it can be pasted anywhere.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_ROWS = 9
_BITS = 8
_LEAST, _BETWEEN, _SCALE = 18, 3, 7
"""Columns that a picture wants at least, those between two, and those of the volts at the left."""
_STEPS = (1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0)
_TALKS = 0.5
"""Of the greatest distance from idle: from here on somebody talks."""


def picture_lines(times_s: Floats, volts: Floats, bit_s: float, columns: int) -> list[str]:
    """A record of A-B in lines of at most `columns`; the bits alone are left out where there is no room.

    `times_s`, `volts`: shape (points,), in rising order; `bit_s`: seconds a bit.
    """
    top = _rounded_up(float(np.abs(volts).max()))
    room = columns - _SCALE
    close = (room - _BETWEEN) // 2
    begun = _begun(volts)
    if close < _LEAST:
        whole, near = max(_LEAST, room), None
    else:
        from_s = float(times_s[begun]) - bit_s
        chosen = (times_s >= from_s) & (times_s < from_s + _BITS * bit_s)
        whole, near = close, _rows(times_s[chosen], volts[chosen], close, top) if chosen.any() else None
    drawn = _rows(times_s, volts, whole, top)
    labels = [f"{_volts_of(row, top):+.3g} V" if row in (0, _ROWS // 2, _ROWS - 1) else "" for row in range(_ROWS)]
    lines = []
    for row in range(_ROWS):
        beside = "" if near is None else f"{'':{_BETWEEN}}{near[row]}"
        lines.append(f"{labels[row]:>{_SCALE - 1}} {drawn[row]}{beside}".rstrip())
    whole_words = f"A-B, all {_time(float(times_s[-1] - times_s[0]))}"
    near_words = "" if near is None else f"{'':{_BETWEEN}}{_BITS} bits of it, {_time(_BITS * bit_s)}"
    return [*lines, f"{'':{_SCALE}}{whole_words:{whole}}{near_words}".rstrip()]


def _rows(times_s: Floats, volts: Floats, columns: int, top: float) -> list[str]:
    """What is covered between the least and the most of each column, `-` the rest of the line of 0 V."""
    place = np.minimum(columns - 1, ((times_s - times_s[0]) / (times_s[-1] - times_s[0]) * columns).astype(int))
    grid = [[" "] * columns for _ in range(_ROWS)]
    grid[_ROWS // 2] = ["-"] * columns
    for column in range(columns):
        # With the last point before it, so that a line has no gaps.
        first = max(0, int(np.searchsorted(place, column)) - 1)
        part = volts[first : int(np.searchsorted(place, column, side="right"))]
        if len(part):
            for row in range(_row_of(float(part.max()), top), _row_of(float(part.min()), top) + 1):
                grid[row][column] = "#"
    return ["".join(row) for row in grid]


def _row_of(volts: float, top: float) -> int:
    return min(_ROWS - 1, max(0, round((1 - volts / top) / 2 * (_ROWS - 1))))


def _volts_of(row: int, top: float) -> float:
    return top * (1 - 2 * row / (_ROWS - 1))


def _begun(volts: Floats) -> int:
    """Where the first talker begins: the first point far from what it was at the beginning."""
    away = np.abs(volts - float(np.median(volts[: max(1, len(volts) // 20)])))
    most = float(away.max())
    return int(np.argmax(away >= _TALKS * most)) if most else 0


def _rounded_up(volts: float) -> float:
    """The next round figure."""
    if volts <= 0:
        return 1.0
    scale = 10.0 ** math.floor(math.log10(volts))
    return next(step * scale for step in _STEPS if step * scale >= volts * 0.999)


def _time(seconds: float) -> str:
    return f"{seconds * 1e3:.3g} ms" if seconds >= 1e-3 else f"{seconds * 1e6:.3g} us"
