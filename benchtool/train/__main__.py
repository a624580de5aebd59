"""`python -m benchtool.train`: draws worked lines, fits the tables, writes what the diagnosis ships with.

One seeded command makes everything again:

    python -m benchtool.train make
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

import click
import numpy as np
import numpy.typing as npt

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.model import all_sets
from benchtool.diagnose.readings import METER
from benchtool.diagnose.shown import METER_SHOWS, SCOPE_SHOWS, like_rows
from benchtool.diagnose.symptoms import SYMPTOMS
from benchtool.train.calibrate import believed
from benchtool.train.fit import Settings, fit, targets
from benchtool.train.gather import draw, sample
from benchtool.train.meter import readings
from benchtool.train.sample import Sample
from benchtool.train.spoil import rng_for, worked_line

DATA = Path(__file__).parent.parent / "diagnose" / "data"
TRAINING_SEED = 7
"""Never used for tests or benchmarks: those take other seeds (docs/diagnosis.md)."""
LINES = 7_000
PAIR_SHARE = 0.33
SETTINGS = Settings()
DRAWS_EACH = 40
"""Readings of pairs of causes are drawn besides, without listening: so many a pair."""
METERED = (4000, 1500, 300)
"""Lines drawn for a meter's readings alone, quick to work out: sound buses, buses with each cause that a meter shows,
with each pair of them."""
_AT_ONCE = 20


def many(seed: int, count: int, share_of_pairs: float, first: int = 0) -> Iterator[Sample]:
    """Worked lines, on all cores."""
    with ProcessPoolExecutor() as pool:
        work = partial(_safely, seed, share_of_pairs)
        for done, found in enumerate(pool.map(work, range(first, first + count), chunksize=_AT_ONCE), 1):
            if done % 100 == 0:
                click.echo(f"\r{done} of {count} worked lines", err=True, nl=False)
            yield found
    click.echo("", err=True)


def _safely(seed: int, share_of_pairs: float, index: int) -> Sample:
    try:
        return draw(seed, index, share_of_pairs)
    except Exception as error:
        raise RuntimeError(f"worked line {index} of seed {seed}") from error


def write(path: Path, samples: Iterator[Sample]) -> None:
    """One JSON object a line."""
    with path.open("w", encoding="utf-8") as file:
        for one in samples:
            row = asdict(one)
            row["causes"] = [cause.value for cause in one.causes]
            file.write(json.dumps(row) + "\n")


def read(path: Path) -> list[Sample]:
    """What `write` wrote."""
    samples = []
    for line in path.read_text(encoding="utf-8").splitlines():
        row = json.loads(line)
        row["causes"] = tuple(Cause(name) for name in row["causes"])
        samples.append(Sample(**row))
    return samples


def _reading_of_pair(seed: int, number: int) -> Sample:
    """A pair of causes drawn for its readings alone."""
    row, index = divmod(number, DRAWS_EACH)
    sets = all_sets()
    pairs = scope_pairs()
    return sample(sets.members[pairs[row]], rng_for(seed + 1, number), index, listen=False)


def scope_pairs() -> npt.NDArray[np.int64]:
    """Rows of the pairs of causes that a scope shows both."""
    return np.flatnonzero((all_sets().size == 2) & _own_lines(SCOPE_SHOWS))


def _own_lines(shows: frozenset[Cause]) -> npt.NDArray[np.bool_]:
    """Which sets no other set's lines speak for."""
    like = like_rows(shows)
    return np.asarray(like == np.arange(len(like)))


def metered_sizes() -> npt.NDArray[np.int64]:
    """How many lines each set is drawn for a meter alone."""
    return np.array([METERED[size] for size in all_sets().size]) * _own_lines(METER_SHOWS)


def metered(seed: int, number: int) -> Sample:
    """The line of this number that is drawn for a meter's readings alone."""
    row = int(np.searchsorted(np.cumsum(metered_sizes()), number, side="right"))
    causes = all_sets().members[row]
    rng = rng_for(seed + 2, number)
    line, address = worked_line(causes, rng)
    taken = readings(line, causes, address, rng, scope=False)
    return Sample(number, causes, address, line.line.length_m, line.line.baud, {}, taken)


def write_metered(path: Path, seed: int) -> int:
    """Draw them all, on all cores, and write their readings; how many there are."""
    count = int(metered_sizes().sum())
    with ProcessPoolExecutor() as pool:
        samples = list(pool.map(partial(metered, seed), range(count), chunksize=10 * _AT_ONCE))
    write_draws(path, samples, METER_SHOWS, np.float16)
    return count


def write_draws(
    path: Path, samples: list[Sample], shows: frozenset[Cause], precision: type[np.floating[Any]] = np.float32
) -> None:
    """The readings of all lines, sorted by their set without what is not shown, as `draws.load` takes them."""
    kinds = {kind.name: kind for kind in METER}
    names = sorted({name for one in samples for name in one.readings})
    rows = like_rows(shows)[targets(samples)]
    order = np.argsort(rows, kind="stable")
    values = np.full((len(samples), len(names)), np.nan, dtype=precision)
    for place, index in enumerate(order):
        for column, name in enumerate(names):
            value = samples[index].readings.get(name)
            if value is not None and math.isfinite(value):
                kind = kinds.get(name.removesuffix("that").removesuffix("other"))
                values[place, column] = round(kind.scale(value) if kind else value, 4)
    np.savez_compressed(
        path,
        columns=np.array(names),
        values=values,
        set=rows[order].astype(np.int16),
        length_m=np.array([samples[index].length_m for index in order], dtype=np.float32),
    )


@click.group()
def main() -> None:
    """Make the tables of the diagnosis from the line model."""


@main.command("draw")
@click.argument("out", type=click.Path(path_type=Path))
@click.option("--seed", default=TRAINING_SEED, show_default=True)
@click.option("--lines", default=LINES, show_default=True)
@click.option("--first", default=0, show_default=True, help="Number of the first line.")
@click.option("--pairs", default=PAIR_SHARE, show_default=True, help="Share of lines with two causes.")
def draw_command(out: Path, seed: int, lines: int, first: int, pairs: float) -> None:
    """Draw worked lines and write their symptoms and readings to OUT, one JSON object a line."""
    write(out, many(seed, lines, pairs, first))


@main.command("fit")
@click.argument("drawn", type=click.Path(exists=True, path_type=Path))
@click.option("--seed", default=TRAINING_SEED, show_default=True)
def fit_command(drawn: Path, seed: int) -> None:
    """Fit the tables to the lines in DRAWN, and write them where the diagnosis finds them."""
    samples = read(drawn)
    fitted = fit(samples, SETTINGS)
    factor = believed(samples, SETTINGS)
    DATA.mkdir(exist_ok=True)
    np.savez_compressed(
        DATA / "tables.npz",
        names=np.array([symptom.name for symptom in SYMPTOMS]),
        alone=(factor * fitted.alone).astype(np.float32),
        shared=(factor * fitted.shared).astype(np.float32),
        bias_alone=(factor * fitted.bias_alone).astype(np.float32),
        bias_shared=(factor * fitted.bias_shared).astype(np.float32),
    )
    pairs = len(scope_pairs())
    with ProcessPoolExecutor() as pool:
        more = list(pool.map(partial(_reading_of_pair, seed), range(pairs * DRAWS_EACH), chunksize=_AT_ONCE))
    write_draws(DATA / "draws.npz", [*samples, *more], SCOPE_SHOWS)
    count = write_metered(DATA / "meter.npz", seed)
    click.echo(f"weights are taken {factor:.2f} times, so that probabilities are true")
    click.echo(f"tables and draws of {len(samples)}, {len(more)} and {count} worked lines written to {DATA}")


@main.command("meter")
@click.option("--seed", default=TRAINING_SEED, show_default=True)
def meter_command(seed: int) -> None:
    """Draw the lines for a meter's readings alone, and write them where the diagnosis finds them."""
    DATA.mkdir(exist_ok=True)
    click.echo(f"readings of {write_metered(DATA / 'meter.npz', seed)} worked lines written to {DATA}")


@main.command("make")
@click.pass_context
def make_command(context: click.Context) -> None:
    """Draw and fit with the seed and size that the shipped tables were made with."""
    drawn = DATA / "drawn.jsonl"
    context.invoke(draw_command, out=drawn, seed=TRAINING_SEED, lines=LINES, first=0, pairs=PAIR_SHARE)
    context.invoke(fit_command, drawn=drawn, seed=TRAINING_SEED)
    drawn.unlink()


if __name__ == "__main__":
    sys.exit(main())
