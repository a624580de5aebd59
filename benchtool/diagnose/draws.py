"""Worked lines: what meter and scope would read on thousands of random buses with known causes, from the line model.

How likely a reading is under a cause is how well it fits the worked lines with that cause, all readings of one line
together, since a line that explains one must explain the others too. Readings of a device are kept twice: at the
device that the cause is at (`@that`), and at some other (`@other`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib import resources
from typing import Any

import numpy as np
import numpy.typing as npt

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.mends import MENDED_BY_CHANCE, MENDS, action_chance
from benchtool.diagnose.model import INDEX, Sets, all_sets
from benchtool.diagnose.places import PLACED, moved, share_at
from benchtool.diagnose.readings import ByHand, Kind, Reading, Tried, kind_of
from benchtool.diagnose.shown import METER_SHOWS, SCOPE_SHOWS, like_rows
from benchtool.measure.waveform_readings import SPREAD

Floats = npt.NDArray[np.float64]

_STRAY = 0.01
"""Share of readings that fit nothing: a slip, a bad contact, a line that was not thought of."""
_WIDTHS = (1.0, 2.0, 4.0)
"""Readings taken together fit few lines all at once, so lines a little, and far, further off than a meter's error count
too. The more readings, the more the wider ones weigh, alike: none for two readings, two thirds of all for very many."""
_FURTHEST = 20.0
"""No reading lies further off a line than so many standard deviations: one slip must not outweigh all others."""
_TELLING = math.log(2.5)
"""Readings at a device say whether a fault is there if they are so much likelier with it there, or elsewhere."""
_NEAR = 4.0
"""Where a fault is, is told by which is nearer, so readings may lie that many times further off: lines are few."""
_LENGTH_SPREAD = 0.5
"""Worked lines whose length differs by this factor (as a natural logarithm) still count, if less."""
_FAR = 1e-3
"""How heavily the tails of a reading's likelihood weigh."""
_OUTCOMES = 9
"""Bins that the possible results of a measurement are told apart in."""
_PLANNED = 300
"""Lines of each set that the next measurement is planned by."""
_BLOCKS = {"supply@": "supply", "ground-volts@": "ground"}
"""Readings that depend on no others, given the cause, so that each is held to all lines by itself."""
_STRANGE = 0.25
"""The same, where something is at work that is on no list."""
_SCOPE_STRAY = 0.005
"""The same of a scope's figures: nobody misreads them (judgement)."""
_SCOPE_SHARE = 0.6
"""Figures of one waveform depend on each other: together they count as this share of what they would count apart."""


def scope_kind(name: str) -> Kind:
    """How figures of a waveform are compared."""
    relative, absolute = SPREAD.get(name, (0.04, 0.03))
    return Kind(name, "", "", 15.0, relative, absolute, scope=True)


@dataclass(frozen=True, slots=True)
class Draws:
    """The worked lines, sorted by their set of causes."""

    columns: tuple[str, ...]
    values: Floats
    """Shape (lines, columns) on each kind's own scale; NaN where there is nothing to read."""
    log_length: Floats
    """Shape (lines,): natural logarithm of the pair's length in metres."""
    starts: npt.NDArray[np.int64]
    """Where the lines of each set begin; shape (sets,). Most sets have none: see `like`."""
    has: npt.NDArray[np.bool_]
    """Whether a set has any; shape (sets,)."""
    like: npt.NDArray[np.int64]
    """For each set, the one whose lines speak for it: itself without the causes that no such reading shows."""

    def log_likelihood(
        self, by_hand: ByHand, length_m: float | None, at: Mapping[Cause, Mapping[int, float]]
    ) -> Floats:
        """Log-likelihood of everything measured under each set; shape (sets,), 0 where nothing was measured.

        `at`: for each cause with a place, how probable each address is.
        """
        sets = all_sets()
        blocks: dict[str, list[Reading]] = {}
        for reading in by_hand.readings:
            blocks.setdefault(_BLOCKS.get(reading.kind, "pair"), []).append(reading)
        found = np.zeros(len(sets.members))
        for readings in blocks.values():
            found = found + self._mean_by_set(self._fit_together(readings, sets, at), length_m, sets)
        if by_hand.scope:
            found = found + load_scope()._scope(by_hand.scope, length_m, sets)
        for tried in by_hand.tried:
            found = found + self._tried(tried, sets, at)
        return found

    def _scope(self, figures: Mapping[str, float], length_m: float | None, sets: Sets) -> Floats:
        """Of one waveform's figures. What shows now and then only is not found where it did not show in this record."""
        found = np.zeros(len(sets.members))
        for name, value in figures.items():
            if name in self.columns:
                fit = self._fit(name, scope_kind(name), value)
                found = found + _SCOPE_SHARE * self._mean_by_set(fit, length_m, sets, _SCOPE_STRAY)
        unseen = set()
        if not figures.get("scope-impulses-per-s"):
            unseen = {Cause.NOISE_IMPULSIVE, Cause.NOISE_MAINS}
        elif "scope-mains-locked" not in figures:
            unseen = {Cause.NOISE_MAINS}
        return np.asarray(np.minimum(found, found[like_rows(frozenset(INDEX) - unseen)]))

    def placed(
        self,
        by_hand: ByHand,
        length_m: float | None,
        at: Mapping[Cause, Mapping[int, float]],
        probability: Floats,
    ) -> dict[Cause, dict[int, float]]:
        """`at` after what was measured and tried at devices: Bayes' rule once more, for the place of each cause.

        `probability` of each set: how much its worked lines count.

        For what is shown and suggested; `log_likelihood` takes `at` as it was before, or readings would count twice.
        """
        found = {cause: dict(where) for cause, where in at.items()}
        done = [*(one.address for one in by_hand.readings), *(one.address for one in by_hand.tried)]
        addresses = {address for address in done if address is not None}
        sets = all_sets()
        weights = self._line_weights(length_m)
        scale = np.bincount(np.repeat(np.arange(len(sets.members)), self._counts()), weights, len(sets.members))
        for cause in sorted(PLACED, key=INDEX.__getitem__) if addresses else ():
            chosen = self._by_like(np.where(sets.holds[:, INDEX[cause]], probability, 0.0))
            share = np.repeat(chosen / np.maximum(1e-300, scale), self._counts())
            lines = np.flatnonzero(share)
            logs = {
                address: self._here_or_elsewhere(cause, address, by_hand, lines, (share * weights)[lines])
                for address in addresses
            }
            ratio = {address: math.exp(value) for address, value in logs.items() if abs(value) > _TELLING}
            if ratio:
                found[cause] = moved(at.get(cause, {}), ratio, at)
        return {cause: where for cause, where in found.items() if where}

    def _here_or_elsewhere(
        self, cause: Cause, address: int, by_hand: ByHand, lines: npt.NDArray[np.int64], weights: Floats
    ) -> float:
        """Log of how many times likelier what was done at a device is with the cause there than elsewhere."""
        total = 0.0
        for tried in by_hand.tried:
            if tried.address == address:
                chance = max(MENDED_BY_CHANCE, MENDS[tried.action].get(cause, 0.0))
                total += math.log(chance / MENDED_BY_CHANCE if tried.better else (1 - chance) / (1 - MENDED_BY_CHANCE))
        here, elsewhere = np.zeros(len(weights)), np.zeros(len(weights))
        for reading in by_hand.readings:
            if reading.address == address:
                kind = kind_of(reading.kind)
                here += self._fit(f"{kind.name}that", kind, reading.value, _NEAR)[lines]
                elsewhere += self._fit(f"{kind.name}other", kind, reading.value, _NEAR)[lines]
        if not len(weights):
            return total
        top = max(float(here.max()), float(elsewhere.max()))
        one, other = (float((np.exp(logs - top) * weights).sum()) for logs in (here, elsewhere))
        floor = _STRAY * max(one, other)
        return total + math.log((one + floor) / (other + floor))

    def outcomes(
        self,
        kind: Kind,
        address: int | None,
        length_m: float | None,
        at: Mapping[Cause, Mapping[int, float]],
        weight: Floats,
    ) -> Floats | None:
        """Probability of each possible result under each set, shape (sets, bins); None where nothing is known of it.

        `weight`: the probability of each set, which decides how the results are split into bins.
        """
        sets = all_sets()
        that = self._that(address, sets, at)
        columns = [f"{kind.name}that", f"{kind.name}other"] if kind.at_device else [kind.name]
        if any(column not in self.columns for column in columns):
            return None
        tables = []
        edges = None
        shared = self._by_like(weight) / np.maximum(1, self._counts())
        each: Floats = self._line_weights(length_m) * np.repeat(shared, self._counts())
        for column in columns:
            values = self.values[:, self.columns.index(column)]
            if edges is None:
                edges = self._edges(kind, values, each)
            tables.append(self._histogram(values, edges, length_m, of_other=column.endswith("@other")))
        table = tables[0] if len(tables) == 1 else that[:, None] * tables[0] + (1 - that[:, None]) * tables[1]
        # Any result can come of a slip; readings near the edge of a bin are not spread over both.
        return np.asarray((1 - _STRAY) * table + _STRAY / table.shape[1])

    def span(self, kind: Kind, row: int, length_m: float | None, *, that: bool = True) -> tuple[float, float] | None:
        """Within which limits a reading lies on 8 of 10 worked lines of a set, on the kind's scale."""
        column = f"{kind.name}{'that' if that else 'other'}" if kind.at_device else kind.name
        row = int(self.like[row])
        if column not in self.columns or not self.has[row]:
            return None
        lines = slice(self.starts[row], self.starts[row] + self._counts()[row])
        values = self.values[lines, self.columns.index(column)]
        weights = self._line_weights(length_m)[lines]
        known = np.isfinite(values)
        if not known.any():
            return None
        order = np.argsort(values[known])
        share = np.cumsum(weights[known][order])
        low, high = np.interp([0.1 * share[-1], 0.9 * share[-1]], share, values[known][order])
        return float(low), float(high)

    def off(self, reading: Reading, rows: npt.NDArray[np.int64]) -> float:
        """How many of a meter's errors a reading lies off the nearest worked line of some sets, by their rows; 0 where
        none of them has such a reading.
        """
        kind = kind_of(reading.kind)
        spoken = np.repeat(np.isin(np.arange(len(self.starts)), self.like[rows]), self._counts())
        columns = [f"{kind.name}that", f"{kind.name}other"] if kind.at_device else [kind.name]
        known = self.values[spoken][:, [self.columns.index(column) for column in columns]]
        apart = np.abs(known[np.isfinite(known)] - kind.scale(reading.value)) / kind.spread(reading.value)
        return float(apart.min(initial=np.inf)) if len(apart) else 0.0

    def _counts(self) -> npt.NDArray[np.int64]:
        return np.diff(np.append(self.starts, len(self.values)))

    def _by_like(self, weight: Floats) -> Floats:
        """Weights of sets, gathered at those whose lines speak for them."""
        return np.bincount(self.like, weight, len(weight)).astype(np.float64)

    def _line_weights(self, length_m: float | None) -> Floats:
        if length_m is None:
            return np.ones(len(self.values))
        apart = (self.log_length - math.log(max(1.0, length_m))) / _LENGTH_SPREAD
        return np.exp(-0.5 * np.minimum(apart, 30) ** 2) + 1e-4

    def _mean_by_set(self, logs: Floats, length_m: float | None, sets: Sets, stray: float = _STRAY) -> Floats:
        """Log of the weighted mean over each set's lines, mixed with a little of all lines together."""
        if not logs.any():
            return np.zeros(len(sets.members))
        weights = self._line_weights(length_m)
        top = float(logs.max())
        likely = np.exp(logs - top) * weights
        counts = self._counts()
        filled = np.where(self.has)[0]
        total = np.zeros(len(sets.members))
        scale = np.ones(len(sets.members))
        total[filled] = np.add.reduceat(likely, self.starts[filled])
        scale[filled] = np.add.reduceat(weights, self.starts[filled])
        overall = likely.sum() / weights.sum()
        drawn = np.where(counts > 0, total / scale, 0.0)[self.like]
        strays = np.where(sets.holds[:, INDEX[Cause.NONE_OF_THESE]], _STRANGE, stray)
        mean = (1 - strays) * drawn + strays * overall
        return np.asarray(np.log(np.maximum(mean, 1e-300)) + top)

    def _fit(self, column: str, kind: Kind, value: float, wider: float = 1.0) -> Floats:
        """Log-density of a reading on each line.

        A line that has no such figure says nothing; one that has no other device cannot be the one.
        """
        missing = 30.0 if column.endswith("@other") else 2.0
        spread = wider * kind.spread(value)
        known = self.values[:, self.columns.index(column)]
        apart = np.abs(np.where(np.isfinite(known), (known - kind.scale(value)) / spread, missing))
        fits = np.exp(-0.5 * np.minimum(apart, 30) ** 2)
        # Beyond all lines, the nearest ones still explain it best.
        fits += _FAR / (1 + np.minimum(apart, 1e3) ** 2)
        return np.asarray(np.log(fits + 1e-7) - math.log(spread))

    def _fit_together(self, readings: Sequence[Reading], sets: Sets, at: Mapping[Cause, Mapping[int, float]]) -> Floats:
        """Log-density of readings taken together on each line, but for a constant: kernels of several widths."""
        apart = np.zeros(len(self.values))
        placed = []
        for reading in readings:
            kind = kind_of(reading.kind)
            if kind.at_device:
                that = np.repeat(self._that(reading.address, sets, at), self._counts())
                columns = (f"{kind.name}that", f"{kind.name}other")
                here, elsewhere = (self._apart(column, kind, reading.value) for column in columns)
                placed.append((np.maximum(that, 1e-6), here, np.maximum(1 - that, 1e-6), elsewhere))
            else:
                apart += self._apart(kind.name, kind, reading.value)
        wider = max(0.0, 1 - 2 / len(readings)) / len(_WIDTHS)
        fits = np.zeros(len(self.values))
        for width in _WIDTHS:
            share = wider if width > 1 else 1 - wider * (len(_WIDTHS) - 1)
            fit = share * width ** -len(readings) * np.exp(-0.5 / width**2 * apart)
            for here_share, here, other_share, elsewhere in placed:
                fit *= here_share * np.exp(-0.5 / width**2 * here) + other_share * np.exp(-0.5 / width**2 * elsewhere)
            fits += fit
        return np.asarray(np.log(np.maximum(fits, 1e-300)))

    def _apart(self, column: str, kind: Kind, value: float) -> Floats:
        """How far a reading lies off each line, in standard deviations squared; as in `_fit` where a line has none."""
        missing = _FURTHEST if column.endswith("@other") else 2.0
        known = self.values[:, self.columns.index(column)]
        apart = np.abs(known - kind.scale(value)) / kind.spread(value)
        return np.asarray(np.minimum(np.where(np.isnan(apart), missing, apart), _FURTHEST) ** 2)

    def _that(self, address: int | None, sets: Sets, at: Mapping[Cause, Mapping[int, float]]) -> Floats:
        """How probable it is, under each set, that a reading is of the device `@that`.

        It is the one at fault; where no cause has a device, any.
        """
        found = []
        for row in self.like:
            placed = [cause for cause in sets.members[row] if cause in PLACED]
            found.append(max(share_at(at, cause, address) for cause in placed) if placed else 1.0)
        return np.asarray(np.clip(found, 0.0, 1.0))

    def _tried(self, tried: Tried, sets: Sets, at: Mapping[Cause, Mapping[int, float]]) -> Floats:
        chance = action_chance(tried.action, tried.address, sets, at)
        return np.asarray(np.log(chance if tried.better else 1 - chance))

    def _edges(self, kind: Kind, values: Floats, weights: Floats) -> Floats:
        known = np.isfinite(values)
        if not known.any():
            return np.array([0.0])
        order = np.argsort(values[known])
        ranked, share = values[known][order], np.cumsum(weights[known][order])
        cuts = np.interp(np.linspace(0, 1, _OUTCOMES + 1)[1:-1] * share[-1], share, ranked)
        # No two results closer than readings can tell apart.
        kept = [cuts[0]]
        for cut in cuts[1:]:
            back = 10**cut if kind.unit == "ohm" else cut
            if cut - kept[-1] > 2 * kind.spread(back):
                kept.append(cut)
        return np.array(kept)

    def _histogram(self, values: Floats, edges: Floats, length_m: float | None, *, of_other: bool) -> Floats:
        """Share of each set's lines in each bin; the last bin is for lines without such a reading.

        `of_other`: lines without another device do not count.
        """
        sets = len(self.starts)
        row = np.repeat(np.arange(sets), self._counts())
        place = np.where(np.isfinite(values), np.searchsorted(edges, np.nan_to_num(values)), len(edges) + 1)
        table = np.zeros((sets, len(edges) + 2))
        weights = self._line_weights(length_m)
        np.add.at(table, (row, place), np.where(np.isfinite(values), weights, 0.0) if of_other else weights)
        total = table.sum(axis=1, keepdims=True)
        shares = np.where(total > 0, table / np.maximum(total, 1e-300), 1.0 / table.shape[1])
        return np.asarray(shares[self.like])


@lru_cache(maxsize=1)
def load() -> Draws:
    """The shipped worked lines that a meter was held to."""
    return _read("meter.npz", METER_SHOWS)


@lru_cache(maxsize=1)
def load_fewer() -> Draws:
    """The first of them of each set: enough to plan the next measurement by, and several times quicker."""
    every = load()
    place = np.arange(len(every.values)) - np.repeat(every.starts, every._counts())
    kept = place < _PLANNED
    counts = np.minimum(every._counts(), _PLANNED)
    return replace(
        every,
        values=every.values[kept],
        log_length=every.log_length[kept],
        starts=np.concatenate(([0], np.cumsum(counts)[:-1])),
    )


@lru_cache(maxsize=1)
def load_scope() -> Draws:
    """The shipped worked lines that a scope was held to: fewer, since each has to be travelled by waves."""
    return _read("scope.npz", SCOPE_SHOWS)


def _read(name: str, shows: frozenset[Cause]) -> Draws:
    with resources.files("benchtool.diagnose").joinpath("data", name).open("rb") as file:
        held: Any = np.load(file, allow_pickle=False)
        columns = tuple(str(column) for column in held["columns"])
        values = np.asfortranarray(held["values"].astype(np.float64))  # read by columns
        row = held["set"].astype(np.int64)
        log_length = np.log(np.maximum(1.0, held["length_m"].astype(np.float64)))
    sets = all_sets()
    counts = np.bincount(row, minlength=len(sets.members))
    return Draws(
        columns,
        values,
        log_length,
        np.concatenate(([0], np.cumsum(counts)[:-1])),
        counts > 0,
        like_rows(shows),
    )
