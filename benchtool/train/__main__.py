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
from dataclasses import asdict, replace
from functools import partial
from pathlib import Path

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
from benchtool.train.gather import draw
from benchtool.train.meter import readings
from benchtool.train.sample import Sample
from benchtool.train.spoil import rng_for, worked_line

DATA = Path(__file__).parent.parent / "diagnose" / "data"
TRAINING_SEED = 7
"""Never used for tests or benchmarks: those take other seeds (docs/diagnosis.md)."""
LINES = 7_000
PAIR_SHARE = 0.33
SETTINGS = Settings()
METERED = (8000, 4000, 1200)
"""Lines drawn for a meter's readings alone, quick to work out: sound buses, buses with each cause that a meter shows,
with each pair of them."""
SCOPED = (400, 120, 8)
"""The same for a scope, each of which has to be travelled by waves."""
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


def lines_each(by_size: tuple[int, int, int], shows: frozenset[Cause]) -> npt.NDArray[np.int64]:
    """How many lines each set is drawn: none where another set's lines speak for it."""
    like = like_rows(shows)
    return np.where(like == np.arange(len(like)), np.array(by_size)[all_sets().size], 0)


def metered(seed: int, share: float, number: int) -> Sample:
    """The line of this number that is drawn for a meter's readings alone; `share` of the usual count are drawn."""
    return _measured(seed + 2, number, lines_each(_part(METERED, share), METER_SHOWS), scope=False)


def scoped(seed: int, share: float, number: int) -> Sample:
    """The line of this number that is drawn for a scope's figures alone."""
    found = _measured(seed + 1, number, lines_each(_part(SCOPED, share), SCOPE_SHOWS), scope=True)
    return replace(found, readings={k: value for k, value in found.readings.items() if k.startswith("scope-")})


def _part(by_size: tuple[int, int, int], share: float) -> tuple[int, int, int]:
    none, one, two = (max(1, round(share * count)) for count in by_size)
    return none, one, two


def _measured(seed: int, number: int, each: npt.NDArray[np.int64], *, scope: bool) -> Sample:
    row = int(np.searchsorted(np.cumsum(each), number, side="right"))
    causes = all_sets().members[row]
    rng = rng_for(seed, number)
    line, address = worked_line(causes, rng)
    taken = readings(line, causes, address, rng, scope=scope)
    return Sample(number, causes, address, line.line.length_m, line.line.baud, {}, taken)


def write_measured(seed: int, out: Path = DATA, share: float = 1.0) -> None:
    """Draw the lines for meter and scope alone, on all cores, and write their readings to the directory `out`."""
    for path, draw_one, by_size, shows in (
        (out / "meter.npz", metered, METERED, METER_SHOWS),
        (out / "scope.npz", scoped, SCOPED, SCOPE_SHOWS),
    ):
        count = int(lines_each(_part(by_size, share), shows).sum())
        with ProcessPoolExecutor() as pool:
            samples = list(pool.map(partial(draw_one, seed, share), range(count), chunksize=5 * _AT_ONCE))
        write_draws(path, samples, shows)
        click.echo(f"readings of {count} worked lines written to {path}")


def write_draws(path: Path, samples: list[Sample], shows: frozenset[Cause]) -> None:
    """The readings of all lines, sorted by their set without what is not shown, as `draws.load` takes them."""
    kinds = {kind.name: kind for kind in METER}
    names = sorted({name for one in samples for name in one.readings})
    rows = like_rows(shows)[targets(samples)]
    order = np.argsort(rows, kind="stable")
    values = np.full((len(samples), len(names)), np.nan, dtype=np.float16)
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


_OUT = click.option(
    "--out", default=DATA, type=click.Path(path_type=Path), help="Directory to write to, instead of the package's own."
)
_SHARE = click.option(
    "--share", default=1.0, type=click.FloatRange(min=0, min_open=True), help="Share of the usual count of lines."
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
@_OUT
def fit_command(drawn: Path, out: Path) -> None:
    """Fit the tables to the lines in DRAWN, and write them where the diagnosis finds them."""
    samples = read(drawn)
    fitted = fit(samples, SETTINGS)
    factor = believed(samples, SETTINGS)
    out.mkdir(parents=True, exist_ok=True)
    np.savez_compressed(
        out / "tables.npz",
        names=np.array([symptom.name for symptom in SYMPTOMS]),
        alone=(factor * fitted.alone).astype(np.float32),
        shared=(factor * fitted.shared).astype(np.float32),
        bias_alone=(factor * fitted.bias_alone).astype(np.float32),
        bias_shared=(factor * fitted.bias_shared).astype(np.float32),
    )
    click.echo(f"tables of {len(samples)} worked lines, their weights taken {factor:.2f} times, written to {out}")


@main.command("measure")
@click.option("--seed", default=TRAINING_SEED, show_default=True)
@_OUT
@_SHARE
def measure_command(seed: int, out: Path, share: float) -> None:
    """Draw the lines for readings of meter and scope alone, and write them where the diagnosis finds them."""
    out.mkdir(parents=True, exist_ok=True)
    write_measured(seed, out, share)


@main.command("make")
@_OUT
@_SHARE
@click.pass_context
def make_command(context: click.Context, out: Path, share: float) -> None:
    """Draw and fit with the seed and size that the shipped tables were made with."""
    out.mkdir(parents=True, exist_ok=True)
    drawn = out / "drawn.jsonl"
    lines = max(1, round(share * LINES))
    context.invoke(draw_command, out=drawn, seed=TRAINING_SEED, lines=lines, first=0, pairs=PAIR_SHARE)
    context.invoke(fit_command, drawn=drawn, out=out)
    context.invoke(measure_command, seed=TRAINING_SEED, out=out, share=share)
    drawn.unlink()


if __name__ == "__main__":
    sys.exit(main())
