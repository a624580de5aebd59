"""Which masks over a frame have the same parity in all reads, or in nearly all, and what each costs and explains.

Masks that differ only in places that never change, or by what few-valued neighbours have in common, are one class:
these reads cannot tell them apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import comb, log2

import numpy as np
import numpy.typing as npt

from benchtool.explore.card_patterns import Words, bit_price, covered, run_totals, shapes, written_out_price
from benchtool.explore.card_samples import Span, annihilator, evidence, members

_MOST_WRITTEN_OUT = 11
"""Relations beyond the constants up to which all their sums (2 to that power) are looked at one by one."""
_MOST_HITS = 6000
_DAMAGED_PRICE = 4.0
"""Bits that it costs to call a read damaged, beside which of them it is."""
_MOST_DAMAGED = 4
_KNOWN_PRICE = 2.5
"""The price of a group that a format of the table has."""


@dataclass(slots=True)
class Masks:
    """One class: masks that the reads cannot tell apart, each with its price."""

    core: int
    """What is left of them when ties (`card_samples.ties`) are taken out."""
    prices: dict[int, float]
    bad: frozenset[int] = frozenset()
    """Reads (by index) that do not keep it."""
    gain: float = 0.0

    @property
    def price(self) -> float:
        """Of the whole class: any of its masks may be meant."""
        return -log2(sum(2.0**-price for price in self.prices.values()))

    @property
    def plain(self) -> int:
        """The cheapest of them."""
        return min(self.prices, key=lambda mask: (self.prices[mask], mask))

    @property
    def net(self) -> float:
        """Bits by which it is better to say it than not."""
        return self.gain - self.price


def gain(values: Sequence[int], mask: int, free: int, bad: frozenset[int] = frozenset()) -> float:
    """Bits that a relation explains (`card_samples.evidence`), less what it costs that `bad` reads do not keep it."""
    good = [value for index, value in enumerate(values) if index not in bad] if bad else values
    return evidence(good, mask, free) - damage_price(len(values), len(bad))


def damage_price(count: int, bad: int) -> float:
    """Bits that it costs to call `bad` of so many reads damaged: which they are is a choice."""
    return log2(comb(count, bad)) + _DAMAGED_PRICE * bad


def classes(
    values: list[int], length: int, care: int, tied: Span, known: Sequence[int], free: int, damaged: int = _MOST_DAMAGED
) -> tuple[list[Masks], list[Masks]]:
    """Classes that hold in all reads, and those that hold in all but a few; `known` masks are cheap.

    `free` is what `card_samples.free_bits` tells of all reads; at most `damaged` of them break what nearly holds.
    """
    exact: dict[int, Masks] = {}
    nearly: dict[tuple[int, frozenset[int]], Masks] = {}
    if len(values) < 2 or not care:
        return [], []
    for mask, price, bad in _hits(values, length, care, damaged):
        core = tied.rest(mask)
        if not core:
            continue
        held = nearly.setdefault((core, bad), Masks(core, {}, bad)) if bad else exact.setdefault(core, Masks(core, {}))
        held.prices[mask] = min(price, held.prices.get(mask, price))
    for mask in known:
        core = tied.rest(mask)
        if core and len({(value & mask).bit_count() & 1 for value in values}) == 1:
            exact.setdefault(core, Masks(core, {})).prices[mask] = _KNOWN_PRICE
    for core in written_out(values, length, tied):
        held = exact.setdefault(core, Masks(core, {}))
        if core not in held.prices:
            bit = min(bit_price(place, length) for place in members(core, length))
            held.prices[core] = written_out_price(core, care, length) + bit
    for one in (*exact.values(), *nearly.values()):
        one.gain = gain(values, one.plain, free, one.bad)
    return list(exact.values()), list(nearly.values())


def beyond_ties(values: list[int], length: int, tied: Span) -> Span:
    """All relations that hold, the ties taken out of them."""
    return Span(core for mask in annihilator(values, length) if (core := tied.rest(mask)))


def written_out(values: list[int], length: int, tied: Span) -> list[int]:
    """Every relation that holds, one by one, where they are few."""
    span = beyond_ties(values, length, tied)
    return span.sums() if len(span) <= _MOST_WRITTEN_OUT else []


def _columns(values: list[int], length: int) -> Words:
    """For each place its bit in every read: (length, words), read 0 in the lowest bit of word 0."""
    words = (len(values) + 63) // 64
    rows = []
    for place in range(length):
        number = sum((value >> (length - 1 - place) & 1) << index for index, value in enumerate(values))
        rows.append([number >> (64 * word) & ((1 << 64) - 1) for word in range(words)])
    return np.array(rows, np.uint64).reshape(length, words)


def _count_ones(words: Words) -> npt.NDArray[np.int64]:
    if hasattr(np, "bitwise_count"):
        counted: npt.NDArray[np.int64] = np.bitwise_count(words).sum(axis=1, dtype=np.int64)
    else:
        octets = np.unpackbits(np.ascontiguousarray(words).view(np.uint8), axis=1)
        counted = octets.sum(axis=1, dtype=np.int64)
    return counted


def _hits(values: list[int], length: int, care: int, damaged: int) -> list[tuple[int, float, frozenset[int]]]:
    """(mask, price, reads that break it) of each shape, alone or with one bit more or less, that nearly holds."""
    count = len(values)
    few = min(damaged, count // 8)
    most = count - 1 + 1.0
    bits = [0.0, *(bit_price(place, length) for place in range(1, length + 1))]
    table = shapes(length)
    affordable = np.flatnonzero(table.price < most)
    columns = _columns(values, length)
    totals = run_totals(columns, length)[affordable]
    found: list[tuple[float, int, int, int]] = []
    for extra in (-1, *(place - 1 for place in members(care, length))):
        ones = _count_ones(totals if extra < 0 else totals ^ columns[extra])
        least = np.minimum(ones, count - ones)
        hit = np.flatnonzero(least <= few)
        rows = affordable[hit]
        found += [
            (price, row, extra, broken)
            for price, row, broken in zip(table.price[rows].tolist(), rows.tolist(), least[hit].tolist(), strict=True)
        ]
    made = []
    for price, row, extra, broken in sorted(found)[:_MOST_HITS]:
        mask = covered(table.kinds[table.kind[row]], int(table.first[row]), int(table.last[row]), length)
        bit = 1 << (length - 1 - extra) if extra >= 0 else 0
        if mask & bit:
            price += log2(length) + 4.0
        mask ^= bit
        if not mask & care:
            continue
        price += bits[extra + 1] if mask & bit else min(bits[place] for place in members(mask & care, length))
        if price < most:
            made.append((mask, price, _breaking(values, mask) if broken else frozenset()))
    return made


def _breaking(values: list[int], mask: int) -> frozenset[int]:
    """Reads (by index) whose parity under a mask is not that of most."""
    odd = [(value & mask).bit_count() & 1 for value in values]
    usual = int(2 * sum(odd) > len(values))
    return frozenset(index for index, one in enumerate(odd) if one != usual)
