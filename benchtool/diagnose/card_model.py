"""How likely each piece of evidence is under each cause: worked lines for reads, shapes, meters; tables for the rest.

Worked lines are drawn and measured on the simulated reader (`python -m benchtool.train.card_lines make`). What a change
of all bits does to parity is counted on the format itself (`card_kinds.patterns`). One cause at a time is weighed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from importlib import resources
from typing import Any

import numpy as np
import numpy.typing as npt

from benchtool.diagnose.card_finding import CardCause
from benchtool.diagnose.card_kinds import KINDS, LENGTH_RIGHT, Kind, patterns
from benchtool.diagnose.card_readings import CARD_METER, CardMeterReading, card_kind
from benchtool.diagnose.card_shape import FIGURES, Figure
from benchtool.frames.card.formats import CardFormat

Floats = npt.NDArray[np.float64]

CAUSES = tuple(CardCause)
"""Rows of every array here."""
DRAWN = tuple(cause for cause in CAUSES if cause is not CardCause.NONE_OF_THESE)
"""Those that worked lines were drawn for: all but the last."""
INDEX = {cause: place for place, cause in enumerate(CAUSES)}

PRIOR: dict[CardCause, float] = {
    CardCause.HEALTHY: 0.25,
    CardCause.LINES_SWAPPED: 0.07,
    CardCause.BITS_REVERSED: 0.01,
    CardCause.D0_OPEN: 0.05,
    CardCause.D1_OPEN: 0.05,
    CardCause.D0_STUCK_LOW: 0.025,
    CardCause.D1_STUCK_LOW: 0.025,
    CardCause.GROUND_MISSING: 0.04,
    CardCause.GROUND_SHIFT: 0.04,
    CardCause.PARITY_ONE_WRONG: 0.015,
    CardCause.PARITY_SENSE_WRONG: 0.015,
    CardCause.LAYOUT_OTHER: 0.04,
    CardCause.LENGTH_OTHER: 0.05,
    CardCause.BITS_LOST: 0.04,
    CardCause.BITS_DOUBLED: 0.025,
    CardCause.PULSES_SHORT: 0.025,
    CardCause.PULL_UP_WEAK: 0.02,
    CardCause.NOISE: 0.03,
    CardCause.TWO_READERS: 0.015,
    CardCause.KEYPAD_BURSTS: 0.02,
    CardCause.CLOCK_AND_DATA: 0.015,
    CardCause.SERIAL_OUTPUT: 0.02,
    CardCause.POLARITY_INVERTED: 0.01,
    CardCause.BROWN_OUT: 0.03,
    CardCause.READER_SILENT: 0.05,
    CardCause.NONE_OF_THESE: 0.02,
}
"""How common each is where somebody connects a tester (judgements of this project), before anything is seen."""

SHAPE_SHOWS_NOT = (
    CardCause.HEALTHY,
    CardCause.LINES_SWAPPED,
    CardCause.BITS_REVERSED,
    CardCause.PARITY_ONE_WRONG,
    CardCause.PARITY_SENSE_WRONG,
    CardCause.LAYOUT_OTHER,
    CardCause.LENGTH_OTHER,
)
"""Pulses look alike with these: they share their worked lines, so that no chance of drawing speaks for one of them."""
METER_SHOWS_NOT = (
    *SHAPE_SHOWS_NOT,
    CardCause.BITS_LOST,
    CardCause.BITS_DOUBLED,
    CardCause.NOISE,
    CardCause.TWO_READERS,
    CardCause.KEYPAD_BURSTS,
    CardCause.CLOCK_AND_DATA,
)
"""The same for a meter."""
SHAPE_COUNTS = 0.55
"""Figures of one recording depend on each other: each counts so much of what it would count alone. Between 0.4 and 1 it
matters little: on lines of seed 31 the calibration error is 0.035 to 0.040, least at the lower end."""
_STRAY = 0.004
"""Share of results that come out as with no cause at all."""
_SLIP = 0.01
"""Share of readings by hand that are slips: another terminal, another range, a lead that was off (judgement)."""
_STRANGE_WIDE = 0.5
"""None of these: share of it in which a reading can be anything."""
_RANGE = {"V": 15.0, "ohm": 7.5}
"""Over so many volts, or powers of ten of an ohm, a reading that can be anything is spread."""
_WIDER = 1.5
"""Worked lines are few beside what a dozen readings can be, so each speaks for somewhat more than a meter's error."""
_LINE_SPREAD = 1.0
"""So many reads of a line are added that are its cause's average."""
_OPEN = math.log10(3e5)
_BROAD = 0.04
_EPSILON = 0.02
"""Share of a changed frame's parity that comes out otherwise."""
_STRANGE = 0.4
"""None of these: how evenly kinds of reads are spread (Dirichlet); below 1, mostly a few kinds."""
_IMPOSSIBLE = -60.0
_MOST_READS = 40
"""More reads of one line tell no more about what it does to reads."""


@dataclass(frozen=True, slots=True)
class Model:
    """The shipped worked lines."""

    reads: Floats
    """Reads of each kind, shape (drawn causes, lines, kinds)."""
    shape: Floats
    """Log-probability of each bin of all figures in a row, shape (causes, bins)."""
    alike: Floats
    """Of the reads of another length on each worked line those of its commonest length, and all; (drawn causes, lines,
    2)."""
    meter: Floats
    """What a meter shows, on its kind's scale, shape (drawn causes, lines, kinds of reading)."""
    _tables: dict[str, Floats] = field(default_factory=dict, init=False, repr=False, compare=False)
    _kept: dict[tuple[CardCause, tuple[CardFormat, ...]], Floats] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    def _by_cause(self, of_lines: Floats) -> Floats:
        """The mean over each cause's worked lines, shape (drawn causes, …); causes that a meter shows not, together."""
        means = of_lines.mean(axis=1)
        alike = [INDEX[cause] for cause in METER_SHOWS_NOT]
        means[alike] = means[alike].mean(axis=0)
        return np.asarray(means)

    def next_read(self, seen: Sequence[Kind], expected: tuple[CardFormat, ...]) -> Floats:
        """Probability of the kind of one more read, after those seen; shape (causes, kinds)."""
        table = np.empty((len(CAUSES), len(KINDS)))
        for place, cause in enumerate(CAUSES):
            shares = self._shares(cause, expected)
            if shares is None:
                counts = _counts(seen) + _STRANGE
                table[place] = counts / counts.sum()
            else:
                weight = np.exp(_of_lines(shares, _counts(seen)) - _of_lines(shares, _counts(seen)).max())
                table[place] = (weight / weight.sum()) @ shares
        return table

    def log_kinds(
        self,
        seen: Sequence[Kind],
        different: Sequence[Kind],
        expected: tuple[CardFormat, ...],
        alike: tuple[int, int] = (0, 0),
    ) -> tuple[Floats, Floats]:
        """Log-likelihood of all reads by their lengths alone, and of their parity beyond that; each shape (causes,).

        `different`: the kinds of different frames only. The same frame again says no more about parity.
        `alike`: of the reads of another length those of the commonest, and all.
        """
        lengths, parity = np.empty(len(CAUSES)), np.empty(len(CAUSES))
        for place, cause in enumerate(CAUSES):
            shares = self._shares(cause, expected)
            lengths[place] = _log_lengths(shares, _counts(seen), self._log_alike(cause, shares, *alike))
            counts = _counts(different)
            whole = (
                _polya(counts, np.full(len(KINDS), _STRANGE)) if shares is None else _mean(_of_lines(shares, counts))
            )
            parity[place] = whole - _log_lengths(shares, counts)
        return lengths, parity

    def _log_alike(self, cause: CardCause, shares: Floats | None, most: int, wrong: int) -> Floats:
        """Log-likelihood of so many of the wrong lengths being one, on each of the cause's lines."""
        if wrong < 2:
            return np.zeros(1)
        scale = min(1.0, _MOST_READS / wrong)
        again, apart = scale * (most - 1), scale * (wrong - most)
        if shares is None:
            return np.array([math.lgamma(again + 1) + math.lgamma(apart + 1) - math.lgamma(again + apart + 2)])
        counts = self.alike[INDEX[cause]]
        share = (np.maximum(counts[:, 0] - 1, 0) + 0.5) / (np.maximum(counts[:, 1] - 1, 0) + 1)
        logs = again * np.log(share) + apart * np.log(1 - share)
        return np.tile(logs, len(shares) // len(logs))

    def log_figure(self, figure: Figure, value: float) -> Floats:
        """Log-likelihood of a figure, shape (causes,), already taken times what one figure counts."""
        start = sum(one.bins for one in FIGURES[: FIGURES.index(figure)])
        counts = 1.0 if figure.apart else SHAPE_COUNTS
        return np.asarray(counts * self.shape[:, start + figure.bin(value)])

    def figure_table(self, figure: Figure) -> Floats:
        """Probability of each bin, shape (causes, bins)."""
        start = sum(one.bins for one in FIGURES[: FIGURES.index(figure)])
        return np.exp(self.shape[:, start : start + figure.bins])

    def log_meter(self, readings: Sequence[CardMeterReading]) -> Floats:
        """Log-likelihood of readings that one line must explain together, shape (causes,)."""
        if not readings:
            return np.zeros(len(CAUSES))
        logs = np.zeros(self.meter.shape[:2])
        anything = 0.0
        for reading in readings:
            kind = card_kind(reading.kind)
            spread = _WIDER * kind.spread(reading.value)
            shown, values = kind.scale(reading.value), self.meter[:, :, _column(reading.kind)]
            if kind.unit == "ohm":  # beyond this all is open
                shown, values = min(shown, _OPEN), np.minimum(values, _OPEN)
            apart = (values - shown) / spread
            wide = _wide(reading)
            logs += np.log((1 - _SLIP) * np.exp(-0.5 * np.minimum(np.abs(apart), 30) ** 2) + _SLIP * wide)
            anything += math.log(wide)
        top = max(float(logs.max()), anything)
        drawn = self._by_cause(np.exp(logs - top))
        strange = _STRANGE_WIDE * math.exp(anything - top) + (1 - _STRANGE_WIDE) * float(drawn.mean())
        return np.asarray(np.log(np.maximum(np.append(drawn, strange), 1e-300)) + top)

    def misfits(self, reading: CardMeterReading) -> npt.NDArray[np.bool_]:
        """Under which causes a reading can be hardly anything but a slip, shape (causes,)."""
        return np.asarray(self.log_meter((reading,)) < math.log(3 * _SLIP * _wide(reading)))

    def meter_table(self, kind: str) -> Floats:
        """Probability of each range of a reading, shape (causes, ranges); ranges hold equal shares of all lines."""
        if kind not in self._tables:
            self._tables[kind] = self._meter_table(kind)
        return self._tables[kind]

    def _meter_table(self, kind: str) -> Floats:
        values = self.meter[:, :, _column(kind)]
        cuts = np.unique(np.quantile(values, np.linspace(0, 1, 9)[1:-1]))
        # No two results closer than readings can tell apart.
        kept = [cuts[0]]
        for cut in cuts[1:]:
            back = 10**cut if card_kind(kind).unit == "ohm" else cut
            if cut - kept[-1] > 2 * card_kind(kind).spread(back):
                kept.append(cut)
        # Cuts lie beside the values that many lines share, not on them.
        back = 10 ** kept[-1] if card_kind(kind).unit == "ohm" else kept[-1]
        edges = np.array([cut - 0.5 * card_kind(kind).spread(back) for cut in kept])
        place = np.searchsorted(edges, values)
        table = np.stack([self._by_cause(place == number) for number in range(len(edges) + 1)], axis=1)
        table = np.vstack([table, table.mean(axis=0)])
        return np.asarray((1 - _STRAY) * table + _STRAY / table.shape[1])

    def span(self, kind: str, cause: CardCause) -> tuple[float, float] | None:
        """Within which limits a reading lies on 8 of 10 worked lines of a cause, on the kind's scale."""
        if cause is CardCause.NONE_OF_THESE:
            return None
        low, high = np.quantile(self.meter[INDEX[cause], :, _column(kind)], [0.1, 0.9])
        return float(low), float(high)

    def _shares(self, cause: CardCause, expected: tuple[CardFormat, ...]) -> Floats | None:
        """Shares of kinds on each worked line of a cause, shape (lines, kinds); None for none of these."""
        if cause is CardCause.NONE_OF_THESE:
            return None
        if (cause, expected) not in self._kept:
            self._kept[cause, expected] = self._worked_out(cause, expected)
        return self._kept[cause, expected]

    def _worked_out(self, cause: CardCause, expected: tuple[CardFormat, ...]) -> Floats:
        counts = self.reads[INDEX[cause]]
        average = (counts.sum(axis=0) + 1e-9) / (counts.sum() + 1e-9 * len(KINDS))
        average = (1 - _BROAD) * average + _BROAD / len(KINDS)
        shares = (counts + _LINE_SPREAD * average) / (counts.sum(axis=1, keepdims=True) + _LINE_SPREAD)
        tables = patterns(expected).get(cause)
        if tables is None:
            return np.asarray(shares)
        right = [KINDS.index(kind) for kind in LENGTH_RIGHT]
        mass = shares[:, right].sum(axis=1, keepdims=True)
        ways = []
        for table in tables:
            way = shares.copy()
            wanted = np.array([table[kind] for kind in LENGTH_RIGHT])
            way[:, right] = mass * ((1 - _EPSILON) * wanted + _EPSILON / len(right))
            ways.append(way)
        return np.vstack(ways)


def _wide(reading: CardMeterReading) -> float:
    """How likely a reading is where it can be anything, on the scale of one that is at its peak."""
    kind = card_kind(reading.kind)
    return _WIDER * kind.spread(reading.value) * math.sqrt(2 * math.pi) / _RANGE[kind.unit]


def _log_lengths(shares: Floats | None, counts: Floats, alike: Floats | float = 0.0) -> float:
    """Log-likelihood of kinds where all of the right length are one; `shares` None: none of these.

    `alike`: what is added on each line.
    """
    right = [KINDS.index(kind) for kind in LENGTH_RIGHT]
    merged = counts.copy()
    merged[right] = 0
    merged[right[0]] = counts[right].sum()
    if shares is None:
        spread = np.full(len(KINDS), _STRANGE)
        spread[right[1:]] = 0
        spread[right[0]] = _STRANGE * len(right)
        return _polya(merged, spread) + float(np.sum(alike))
    by_length = shares.copy()
    by_length[:, right[0]] = shares[:, right].sum(axis=1)
    return _mean(_of_lines(by_length, merged) + alike)


def _column(kind: str) -> int:
    return next(place for place, one in enumerate(CARD_METER) if one.name == kind)


def _counts(seen: Sequence[Kind]) -> Floats:
    counts = np.array([float(sum(one is kind for one in seen)) for kind in KINDS])
    whole = counts.sum()
    return np.asarray(counts * min(1.0, _MOST_READS / whole) if whole else counts)


def _of_lines(shares: Floats, counts: Floats) -> Floats:
    return np.asarray(np.log(np.maximum(shares, 1e-12)) @ counts)


def _mean(logs: Floats) -> float:
    top = float(logs.max())
    return top + math.log(float(np.exp(logs - top).mean()))


def _polya(counts: Floats, spread: Floats) -> float:
    """Log-probability of counts in a given order where the shares themselves are spread by a Dirichlet."""
    used = spread > 0
    total = math.lgamma(float(spread.sum())) - math.lgamma(float((spread + counts).sum()))
    return total + sum(
        math.lgamma(float(alpha + count)) - math.lgamma(float(alpha))
        for alpha, count in zip(spread[used], counts[used], strict=True)
    )


def log_prior(*, length_told: bool) -> Floats:
    """Shape (causes,). Where nobody told what the controller is set to, it cannot be set wrong."""
    logs = np.log([PRIOR[cause] for cause in CAUSES])
    if not length_told:
        logs[INDEX[CardCause.LENGTH_OTHER]] = _IMPOSSIBLE
    return np.asarray(logs)


@lru_cache(maxsize=1)
def load() -> Model:
    """The shipped worked lines."""
    with resources.files("benchtool.diagnose").joinpath("data", "card_lines.npz").open("rb") as file:
        held: Any = np.load(file, allow_pickle=False)
        return Model(
            held["reads"].astype(np.float64),
            held["shape"].astype(np.float64),
            held["alike"].astype(np.float64),
            held["meter"].astype(np.float64),
        )
