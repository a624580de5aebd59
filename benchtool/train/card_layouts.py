"""Measures how often an unknown card format is worked out rightly, on invented layouts.

python -m benchtool.train.card_layouts --count 2000 --seed 1
python -m benchtool.train.card_layouts --count 1000 --seed 1 --sites 3
python -m benchtool.train.card_layouts --count 1000 --seed 1 --damaged 1 --more 12
python -m benchtool.train.card_layouts --count 1000 --seed 1 --population batches
"""

from __future__ import annotations

import argparse
import random
import time
from collections import Counter
from dataclasses import dataclass

from benchtool.explore.card_infer import SURE, Inferred, Verdict, infer
from benchtool.explore.card_invented import Invented, Population, cards, draw, population
from benchtool.explore.card_samples import CardSample, Printed, Span, ties
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.formats import CardField, CardFormat


@dataclass(frozen=True, slots=True)
class Judged:
    """What was right in one layout."""

    edges: bool
    """Whether the layout has all its parity bits among the first two and the last two bits."""
    relations: bool
    """The same relations as the layout has, no more and no fewer: the same frames pass."""
    groups: bool
    """The very groups, parity bits too."""
    number_first: bool
    """The right number field stands first."""
    number_listed: bool
    number_sure: float
    settled: bool
    wrong_settled: bool
    false_sure: bool
    """A group was said to be 99 % sure, or more, that is none."""
    odd_right: bool
    """The damaged reads, and no others, were called odd."""
    seconds: float


def samples_of(
    made: Invented,
    seed: int,
    *,
    more: int,
    sites: int,
    damaged: int,
    digits: bool,
    printed: int = 4,
    kind: Population | None = None,
) -> tuple[list[CardSample], set[str]]:
    """Reads of a layout: data width + `more` random cards, `printed` of them with numbers; and which are damaged."""
    row = made.row
    count = row.length - len(row.parity) + more
    chooser = random.Random(seed)
    drawn = population(row, kind, seed, count) if kind else cards(row, seed, count, sites=sites)
    count = len(drawn)
    chooser.shuffle(drawn)
    width = len(str(row.number.highest)) if digits else 0
    samples = []
    for index, (value, number) in enumerate(drawn):
        shown = Printed(number, None, width) if index < printed else None
        samples.append(CardSample(Bits(value, row.length), shown, f"read {index}"))
    wrong: set[str] = set()
    covered = sorted({place for group in row.parity for place in group.members})
    if covered:
        for index in chooser.sample(range(printed, count), min(damaged, count - printed)):
            sample = samples[index]
            value = sample.bits.value ^ 1 << (row.length - chooser.choice(covered))
            samples[index] = CardSample(Bits(value, row.length), None, sample.where)
            wrong.add(sample.where)
    chooser.shuffle(samples)
    return samples, wrong


def _same_field(first: CardField, second: CardField) -> bool:
    return (first.places, first.writing, first.inverted, first.offset) == (
        second.places,
        second.writing,
        second.inverted,
        second.offset,
    )


def judge(found: Inferred, row: CardFormat, used: list[int], wrong: set[str], seconds: float) -> Judged:
    """What of an answer is right, judged on what the sound reads (`used`) can tell: not of bits that never changed."""
    care, length = found.parity.care, found.length
    tied = ties(used, length)
    true = [core for group in row.parity if (core := tied.rest(group.mask(length)))]
    claimed = [tied.rest(relation.mask) for relation in found.parity.relations]
    span = Span(true)
    relations = len(Span(claimed)) == len(span) and all(mask in span for mask in claimed)
    groups = {(group.bit, group.mask(length) & care) for group in row.parity}
    best = {(group.bit, group.mask(length) & care) for group in found.best.parity}
    fields = [fit.field for fit, _ in found.numbers]
    first = bool(fields) and _same_field(fields[0], row.number)
    listed = any(_same_field(field, row.number) for field in fields)
    settled = found.verdict is Verdict.SETTLED
    odd = {one.where for one in found.odd}
    edges = all(group.bit <= 2 or group.bit >= length - 1 for group in row.parity)
    return Judged(
        edges,
        relations,
        relations and groups == best,
        first,
        listed,
        found.number_sure,
        settled,
        settled and not (relations and first),
        any(one.sure >= SURE and tied.rest(one.mask) not in span for one in found.parity.relations),
        odd == wrong,
        seconds,
    )


def measure(
    count: int,
    seed: int,
    *,
    more: int = 8,
    sites: int = 0,
    damaged: int = 0,
    digits: bool = False,
    printed: int = 4,
    kind: Population | None = None,
    verbose: bool = False,
) -> dict[str, Judged]:
    """Infer so many invented layouts; prints the shares that came out right."""
    every: dict[str, Judged] = {}
    by_style: dict[str, list[Judged]] = {}
    for one in range(seed, seed + count):
        made = draw(one)
        samples, wrong = samples_of(
            made, one, more=more, sites=sites, damaged=damaged, digits=digits, printed=printed, kind=kind
        )
        sound = [sample.bits.value for sample in samples if sample.where not in wrong]
        began = time.process_time()
        found = infer(samples, tables=False)[0]
        judged = judge(found, made.row, sound, wrong, time.process_time() - began)
        every[str(one)] = judged
        by_style.setdefault(made.style, []).append(judged)
        if verbose and not (judged.relations and judged.number_listed):
            what = [name for name, good in (("parity", judged.relations), ("number", judged.number_listed)) if not good]
            print(
                f"seed {one}, {made.row.length} bits, {made.style}: wrong {', '.join(what)}; open {found.parity.open}"
            )
    which = kind.value if kind else f"{sites or 'any'} sites"
    width = f"data width + {more} reads, {damaged} damaged, {which}, {printed} printed numbers"
    print(f"{count} invented layouts, seeds {seed} to {seed + count - 1}; {width}")
    print("parity              layouts  relations right  very groups right")
    for style, rows in [*sorted(by_style.items()), ("all", list(every.values()))]:
        print(f"{style:<18} {len(rows):>8} {_share(rows, 'relations'):>16} {_share(rows, 'groups'):>18}")
    rows = list(every.values())
    print(f"number field        first {_share(rows, 'number_first')}, listed {_share(rows, 'number_listed')}")
    for where, part in (
        ("at the ends", [row for row in rows if row.edges]),
        ("inside", [r for r in rows if not r.edges]),
    ):
        if part:
            said = f"first {_share(part, 'number_first')}, listed {_share(part, 'number_listed')}"
            print(f"  parity bits {where}, {len(part)} layouts: {said}")
    for low, high in ((0.0, 0.5), (0.5, 0.9), (0.9, 0.99), (0.99, 1.01)):
        part = [row for row in rows if low <= row.number_sure < high]
        if part:
            said = f"{low:.0%} to {min(high, 1.0):.0%}"
            print(f"  said {said:<12} {len(part):>6} fields, {_share(part, 'number_first')} right")
    counts = Counter(settled=sum(row.settled for row in rows), wrong=sum(row.wrong_settled for row in rows))
    print(f"called settled      {counts['settled']}, of these wrong {counts['wrong']}")
    print(f"odd reads           the damaged ones and no other: {_share(rows, 'odd_right')}")
    print(f"false groups        said 99 % sure in {sum(row.false_sure for row in rows)}")
    print(f"longest             {max(row.seconds for row in rows):.2f} s")
    return every


def _share(rows: list[Judged], what: str) -> str:
    return f"{sum(bool(getattr(row, what)) for row in rows) / len(rows):.2%}"


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m benchtool.train.card_layouts")
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--more", type=int, default=8, help="reads beyond the data width (all bits but parity bits)")
    parser.add_argument("--sites", type=int, default=0, help="other fields take so many values only; 0: any")
    parser.add_argument("--damaged", type=int, default=0, help="reads with one bit of a parity group turned round")
    parser.add_argument("--printed", type=int, default=4, help="cards whose printed number is given")
    parser.add_argument("--digits", action="store_true", help="printed numbers have their leading zeros")
    parser.add_argument("--population", choices=[kind.value for kind in Population], help="cards of one kind of list")
    parser.add_argument("--verbose", action="store_true")
    given = parser.parse_args()
    measure(
        given.count,
        given.seed,
        more=given.more,
        sites=given.sites,
        damaged=given.damaged,
        digits=given.digits,
        printed=given.printed,
        kind=Population(given.population) if given.population else None,
        verbose=given.verbose,
    )


if __name__ == "__main__":
    main()
