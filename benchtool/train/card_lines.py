"""`python -m benchtool.train.card_lines`: worked lines that the diagnosis of data lines ships with, and its measure.

    python -m benchtool.train.card_lines make
    python -m benchtool.train.card_lines measure --seed 11 --lines 40

`make` draws lines with every cause on the simulated reader and writes diagnose/data/card_lines.npz; `measure` draws
others, from a seed that nothing was made from, and counts how often the diagnosis is right. Seeds settle both.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from enum import Enum
from functools import partial
from pathlib import Path

import click
import numpy as np

from benchtool.capture.card_lines import LineRecord
from benchtool.diagnose import card_model
from benchtool.diagnose.card_engine import diagnose_lines
from benchtool.diagnose.card_evidence import CardEvidence
from benchtool.diagnose.card_finding import CardCause
from benchtool.diagnose.card_kinds import KINDS, alike_in_length, kinds
from benchtool.diagnose.card_readings import CARD_METER, CardMeterReading
from benchtool.diagnose.card_shape import FIGURES, figures
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.entry import Entry
from benchtool.frames.card.entry import Kind as EntryKind
from benchtool.frames.card.pulses import PulseReader
from benchtool.frames.card.read import CardRead, Source
from benchtool.simulate.card_bus import presentations
from benchtool.simulate.card_faults import apply_card_fault
from benchtool.simulate.card_meter import card_meter
from benchtool.simulate.card_reader import some_keys
from benchtool.simulate.card_setup import CardSetup, a_card, drawn

DATA = Path(__file__).parent.parent / "diagnose" / "data" / "card_lines.npz"
TRAINING_SEED = 5
"""Never used to measure."""
LINES, CARDS, METERED = 160, 12, 250
"""Worked lines of each cause, cards held to each, and lines drawn for a meter alone."""
_END_NS = 25_000_000
"""The controller takes a frame as over when nothing came for so long."""


@dataclass(frozen=True, slots=True)
class WorkedLine:
    """A line with a known cause and everything that could be seen of it."""

    cause: CardCause
    setup: CardSetup
    cards: tuple[Bits | str, ...]
    records: tuple[LineRecord, ...]
    same: bool
    """Whether it was one card each time."""


def work(cause: CardCause, seed: int, place: int, count: int) -> WorkedLine:
    """A line drawn with a cause, `count` cards held to it."""
    draw = random.Random(f"{seed} {cause.value} {place}")
    setup = apply_card_fault(drawn(draw), cause.value, draw)
    same = draw.random() < 0.5
    cards: list[Bits | str] = []
    for _ in range(count):
        if setup.keypad:
            cards.append(some_keys(draw))
        else:
            cards.append(cards[0] if same and cards else a_card(setup, draw))
    records = tuple(presentations(setup, cards, draw.randrange(2**31)))
    return WorkedLine(cause, setup, tuple(cards), records, same)


def tapped(line: WorkedLine) -> tuple[CardRead, ...]:
    """The reads that somebody who sees pulses has of it."""
    reader = PulseReader(Source.SIMULATED)
    bursts = [burst for record in line.records for burst in reader.feed(record)]
    return tuple(burst.read for burst in [*bursts, *reader.flush()] if burst.read is not None)


def converted(line: WorkedLine) -> tuple[CardRead, ...]:
    """The bits alone, as a controller or converter takes them: every fall whose low lasts long enough is a bit."""
    falls: list[tuple[int, int]] = []
    for record in line.records:
        fell: list[int | None] = [None, None]
        ends = [(edge.t_ns, edge.line, edge.high) for edge in record.edges]
        for t_ns, number, high in [*ends, (record.end_ns, 0, True), (record.end_ns, 1, True)]:
            begin_ns, fell[number] = fell[number], None if high else t_ns
            if high and begin_ns is not None and t_ns - begin_ns >= line.setup.least_pulse_s * 1e9:
                falls.append((begin_ns, number))
    found: list[CardRead] = []
    bits: list[int] = []
    last_ns = 0
    for begin_ns, number in sorted(falls):
        if bits and begin_ns - last_ns > _END_NS:
            found.append(_bits_read(bits))
            bits = []
        bits.append(number)
        last_ns = begin_ns
    return tuple([*found, _bits_read(bits)] if bits else found)


def _bits_read(bits: list[int]) -> CardRead:
    return CardRead(Bits.of("".join(map(str, bits))), Source.CONVERTER)


class Seen(Enum):
    """What of a line is given to the diagnosis."""

    BITS = "bits alone"
    PULSES = "pulses"
    METER = "pulses and all meter readings"
    BITS_METER = "bits and all meter readings"
    PRINTED = "pulses, all meter readings and the printed numbers"


def evidence(line: WorkedLine, seen: Seen) -> CardEvidence:
    """What the diagnosis is given of a line. The controller's format is told; a meter reads with its own error."""
    pulses = seen not in (Seen.BITS, Seen.BITS_METER)
    reads = tapped(line) if pulses else converted(line)
    draw = random.Random(str(line.cards[0]))
    given = CardEvidence(
        reads,
        same_card=line.same,
        records=line.records if pulses else (),
        expected=(line.setup.expected,),
        presented=len(line.cards),
    )
    if seen not in (Seen.BITS, Seen.PULSES):
        given = replace(given, readings=tuple(metered(line.setup, draw)))
    if seen is Seen.PRINTED and (line.same or len(reads) == len(line.cards)):
        cards = [card for card in line.cards if isinstance(card, Bits)][: 1 if line.same else None]
        given = replace(given, printed=tuple(Entry(EntryKind.BITS, "the whole frame", bits=card) for card in cards))
    return given


def metered(setup: CardSetup, draw: random.Random) -> Iterator[CardMeterReading]:
    """Readings as a meter with its own error shows them."""
    true = card_meter(setup, draw)
    for kind in CARD_METER:
        value = true[kind.name]
        scaled = kind.scale(value) + draw.gauss(0, kind.spread(value))
        yield CardMeterReading(kind.name, min(1e6, 10**scaled) if kind.unit == "ohm" else scaled)


def _reads_row(cause: CardCause, place: int) -> tuple[list[int], tuple[int, int], list[int]]:
    """Of one training line: reads of each kind, how alike wrong lengths are, each figure's bin (-1 for none)."""
    line = work(cause, TRAINING_SEED, place, CARDS)
    # Half of the lines as a converter sees them, half as a tap does: both are given later.
    given = evidence(line, Seen.BITS if place % 2 else Seen.PULSES)
    found = kinds(given)
    values = figures(evidence(line, Seen.PULSES))
    return (
        [found.count(kind) for kind in KINDS],
        alike_in_length(given)[:2],
        [figure.bin(values[figure.name]) if figure.name in values else -1 for figure in FIGURES],
    )


def _meter_row(cause: CardCause, place: int) -> list[float]:
    draw = random.Random(f"{TRAINING_SEED} meter {cause.value} {place}")
    setup = apply_card_fault(drawn(draw), cause.value, draw)
    true = card_meter(setup, draw)
    return [kind.scale(true[kind.name]) for kind in CARD_METER]


def _shape_logs(bins: np.ndarray[tuple[int, ...], np.dtype[np.int64]]) -> card_model.Floats:
    """Log-probability of each bin under each cause; a little of all causes together in each; the last row is that."""
    columns = []
    for place, figure in enumerate(FIGURES):
        counts = np.stack(
            [np.bincount(row[row >= 0], minlength=figure.bins).astype(np.float64) for row in bins[:, :, place]]
        )
        alike = [card_model.INDEX[cause] for cause in card_model.SHAPE_SHOWS_NOT]
        counts[alike] = counts[alike].sum(axis=0)
        overall = counts.sum(axis=0) + 1
        overall /= overall.sum()
        mixed = 0.7 * overall + 0.3 / figure.bins
        shares = (counts + 4 * mixed) / (counts.sum(axis=1, keepdims=True) + 4)
        columns.append(np.log(np.vstack([shares, mixed])))
    return np.hstack(columns)


@click.group()
def main() -> None:
    """Worked lines of card readers."""


@main.command()
@click.option("--workers", default=2, show_default=True, help="Processes.")
def make(workers: int) -> None:
    """Draw the worked lines and write what the diagnosis ships with."""
    causes = card_model.DRAWN
    reads = np.zeros((len(causes), LINES, len(KINDS)), np.uint8)
    alike = np.zeros((len(causes), LINES, 2), np.uint8)
    bins = np.full((len(causes), LINES, len(FIGURES)), -1, np.int64)
    meter = np.zeros((len(causes), METERED, len(CARD_METER)), np.float32)
    with ProcessPoolExecutor(workers) as pool:
        for row, cause in enumerate(causes):
            done = list(pool.map(partial(_reads_row, cause), range(LINES), chunksize=20))
            reads[row] = [counts for counts, _, _ in done]
            alike[row] = [lengths for _, lengths, _ in done]
            bins[row] = [places for _, _, places in done]
            meter[row] = list(pool.map(partial(_meter_row, cause), range(METERED), chunksize=50))
            click.echo(f"{row + 1} of {len(causes)}: {cause.value}", err=True)
    np.savez_compressed(DATA, reads=reads, alike=alike, shape=_shape_logs(bins).astype(np.float32), meter=meter)
    click.echo(f"{DATA}: {DATA.stat().st_size} octets")


@dataclass(frozen=True, slots=True)
class Outcome:
    """What the diagnosis said of one line."""

    cause: str
    first: str
    probability: float
    group: tuple[str, ...]
    group_probability: float
    marked: bool
    """Whether any read is wrong or missing, or there is nothing wrong."""


def judge(seen: Seen, cards: int, seed: int, case: tuple[CardCause, int]) -> Outcome:
    """Diagnose one held-out line."""
    cause, place = case
    line = work(cause, seed, place, cards)
    given = evidence(line, seen)
    diagnosis = diagnose_lines(given)
    first = diagnosis.findings[0]
    group = diagnosis.group
    marked = cause is CardCause.HEALTHY or any(kind is not KINDS[0] for kind in kinds(given))
    return Outcome(
        cause.value,
        first.cause.value,
        first.probability,
        tuple(one.value for one in group.causes) if group else (first.cause.value,),
        group.probability if group else first.probability,
        marked,
    )


def accuracy(seen: Seen, cards: int, seed: int, lines: int, workers: int = 1) -> list[Outcome]:
    """Outcomes on `lines` held-out lines of each cause."""
    cases = [(cause, place) for cause in card_model.DRAWN for place in range(lines)]
    each = partial(judge, seen, cards, seed)
    if workers == 1:
        return [each(case) for case in cases]
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(each, cases, chunksize=10))


def weights() -> dict[str, float]:
    """How often each cause is met, by the priors: the lines of each count so much."""
    return {cause.value: card_model.PRIOR[cause] for cause in card_model.DRAWN}


def summed_up(outcomes: list[Outcome]) -> dict[str, float]:
    """Figures over outcomes: causes alike, and calibration with causes as common as the priors say."""
    prior = weights()
    counts = {cause: sum(one.cause == cause for one in outcomes) for cause in prior}
    each = np.array([prior[one.cause] / counts[one.cause] for one in outcomes])
    right = np.array([one.cause == one.first for one in outcomes])
    within = np.array([one.cause in one.group for one in outcomes])
    said = np.array([one.group_probability for one in outcomes])
    healthy = [one for one in outcomes if one.cause == CardCause.HEALTHY.value]
    marked = np.array([one.marked for one in outcomes])
    error = 0.0
    for low in np.arange(0, 1, 0.1):
        rows = (said >= low) & (said < low + 0.1 + 1e-9 * (low > 0.85))
        if rows.any():
            gap = np.average(within[rows], weights=each[rows]) - np.average(said[rows], weights=each[rows])
            error += float(each[rows].sum() / each.sum() * abs(gap))
    return {
        "lines": len(outcomes),
        "first right": float(right.mean()),
        "first right, where a read is wrong": float(right[marked].mean()),
        "right or in the group named": float(within.mean()),
        "first right, causes as common as the priors": float(np.average(right, weights=each)),
        "sound line called faulty": sum(one.first != one.cause for one in healthy) / max(1, len(healthy)),
        "calibration error": error,
    }


@main.command()
@click.option("--seed", default=11, show_default=True, help="Any but that of the worked lines.")
@click.option("--lines", default=40, show_default=True, help="Lines of each cause.")
@click.option("--cards", default=5, show_default=True, help="Cards held to each.")
@click.option("--workers", default=2, show_default=True, help="Processes.")
@click.option("--json", "as_json", is_flag=True, help="Every outcome, as JSON.")
@click.option("--only", type=click.Choice([one.name.lower() for one in Seen]), help="One sort of evidence.")
def measure(seed: int, lines: int, cards: int, workers: int, as_json: bool, only: str | None) -> None:
    """Count how often the diagnosis is right on lines that nothing was made from."""
    if seed == TRAINING_SEED:
        raise click.UsageError(f"seed {TRAINING_SEED} is that of the worked lines; take another")
    for seen in Seen:
        if only is not None and seen.name.lower() != only:
            continue
        outcomes = accuracy(seen, cards, seed, lines, workers)
        click.echo(f"{seen.value}, {cards} cards")
        for name, value in summed_up(outcomes).items():
            click.echo(f"  {name}: {value:.3f}")
        for cause in weights():
            of_it = [one for one in outcomes if one.cause == cause]
            taken = [one.first for one in of_it if one.first != cause]
            most = sorted(set(taken), key=taken.count, reverse=True)[:3]
            said = ", ".join(f"{name} {taken.count(name)}" for name in most)
            hits = sum(one.first == cause for one in of_it) / max(1, len(of_it))
            within = sum(cause in one.group for one in of_it) / max(1, len(of_it))
            click.echo(f"    {cause:20} {hits:5.2f} {within:5.2f}  {said}")
        if as_json:
            click.echo(json.dumps([[one.cause, one.first, one.probability, *one.group] for one in outcomes]))


if __name__ == "__main__":
    main()
