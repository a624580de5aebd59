"""Shapes that parity groups have: runs of bits, every second bit, two of three …, each with its price in bits.

A price is the length of the shortest description that we know for a group (minimum description length): what is common
in published layouts (reference sheet 6.2 to 6.5: halves, all bits, a parity bit at either end) is cheap. The prices are
ours; `python -m benchtool.train.card_layouts` measures what they are worth.
"""

from __future__ import annotations

from functools import lru_cache
from math import log2
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Words = npt.NDArray[np.uint64]
Places = npt.NDArray[np.int64]

_EVERY: tuple[tuple[int, tuple[int, ...], float], ...] = (
    (1, (0,), 1.0),
    (2, (0,), 3.0),
    (3, (0,), 6.0),
    (3, (0, 1), 5.0),
    (4, (0,), 7.0),
    (4, (0, 1), 7.0),
    (4, (0, 1, 2), 8.0),
)
"""(period, places of it that are covered, price): 1 of 1 is a plain run; turned round, each may begin anywhere."""
_ANOTHER = 1.0
"""That there is one more group."""


class Shapes(NamedTuple):
    """All shapes in a frame of one length, as arrays of equal size."""

    kinds: tuple[tuple[int, ...], ...]
    """For each kind, the places (from 0) that it would cover if it ran through the whole frame."""
    kind: Places
    first: Places
    """First place covered, from 0."""
    last: Places
    price: npt.NDArray[np.float64]


@lru_cache(maxsize=16)
def shapes(length: int) -> Shapes:
    """The shapes of groups in a frame of `length` bits."""
    kinds: list[tuple[int, ...]] = []
    rows: list[tuple[int, int, int, float]] = []
    for period, covered, price in _EVERY:
        for turn in range(period):
            places = tuple(place for place in range(length) if (place - turn) % period in covered)
            kinds.append(places)
            for at, first in enumerate(places):
                rows += [
                    (len(kinds) - 1, first, last, price + _ends(first, last, length, period))
                    for last in places[at + 1 :]
                    if period == 1 or last - first >= 2 * period - 1
                ]
    kind, first_place, last_place = (np.array([row[i] for row in rows], np.int64) for i in range(3))
    return Shapes(tuple(kinds), kind, first_place, last_place, np.array([row[3] for row in rows]) + _ANOTHER)


def _ends(first: int, last: int, length: int, period: int) -> float:
    """The price of where a shape begins and ends: cheap at the ends and about the middle of the frame."""
    free = log2(length) + 1.5
    near = period  # an interleaved shape begins at any of its first places
    at_start, at_end = first <= near, last >= length - 1 - near
    middle = length / 2
    from_middle, to_middle = abs(first - middle) <= 1.5, abs(last + 1 - middle) <= 1.5
    begin = 1.5 if at_start or (from_middle and at_end) else free
    end = 1.5 if at_end or (to_middle and at_start) else free
    return begin + end


@lru_cache(maxsize=1 << 15)
def covered(kind: tuple[int, ...], first: int, last: int, length: int) -> int:
    """A shape as a mask over the frame, bit 1 the most significant."""
    return sum(1 << (length - 1 - place) for place in kind if first <= place <= last)


def run_totals(columns: Words, length: int) -> Words:
    """For each shape the sum (over GF(2)) of the columns it covers: (shapes, words) from (length, words)."""
    table = shapes(length)
    totals = np.empty((len(table.kind), columns.shape[1]), np.uint64)
    for number, places in enumerate(table.kinds):
        kept = np.zeros_like(columns)
        kept[list(places)] = columns[list(places)]
        before = np.zeros((length + 1, columns.shape[1]), np.uint64)
        np.bitwise_xor.accumulate(kept, axis=0, out=before[1:])
        rows = np.flatnonzero(table.kind == number)
        totals[rows] = before[table.last[rows] + 1] ^ before[table.first[rows]]
    return totals


def bit_price(place: int, length: int) -> float:
    """What it costs that the parity bit lies at `place` (from 1): least at the ends of the frame."""
    edge = min(place - 1, length - place)
    return 1.0 if edge == 0 else 2.5 + 0.5 * edge if edge <= 3 else log2(length) + 1.5


def written_out_price(mask: int, care: int, length: int) -> float:
    """The price of a group described by its runs: places that never changed (not in `care`) may be covered or not."""
    runs = 0
    inside = False
    for place in range(1, length + 1):
        bit = 1 << (length - place)
        if not care & bit:
            continue
        if mask & bit and not inside:
            runs += 1
        inside = bool(mask & bit)
    return _ANOTHER + 4.0 + runs * (2 * log2(length) - 1) - log2(max(1, runs))
