"""`python -m benchtool.train.hunts`: a scripted hunt on each catalogue fault of the simulated buses, and its end.

    python -m benchtool.train.hunts
    python -m benchtool.train.hunts --blind --seeds 2 --table
    python -m benchtool.train.hunts --sound --seeds 20

The person in it (`simulate/practice_person.py`) reads the simulated meter, looks at what is fitted, and tries what is
asked. A hunt is right where the leading cause is the true one, or the true one is in the group that is named.
`--sound` hunts on sound buses alone, with somebody who calls a reader dead and sees wrongly as often as the tables of
sights say.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from statistics import mean, median

import click

from benchtool.capture.chunk import LineErrors
from benchtool.diagnose.engine import observe
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.hunt import Hunt
from benchtool.diagnose.hunt_answers import FOUND
from benchtool.diagnose.hunt_better import answering, better
from benchtool.diagnose.hunt_end import ending
from benchtool.diagnose.hunt_question import Ask
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.sights_known import SIGHTS
from benchtool.simulate import faults, scenario
from benchtool.simulate.build import build_bus, tap_settings
from benchtool.simulate.practice_person import Person
from benchtool.simulate.specs import Scenario
from benchtool.train.gather import listen_to
from benchtool.train.lines import Hearing

_SECONDS = 20.0
_MOST_QUESTIONS = 40


@dataclass(frozen=True, slots=True)
class Hunted:
    """How one scripted hunt went."""

    base: str
    fault: str
    at: str
    asked: tuple[str, ...]
    """Questions answered, in order, with what was answered."""
    first: str
    probability: float
    group: tuple[str, ...]
    minutes: float

    @property
    def right(self) -> bool:
        """Whether the leading cause is the true one."""
        return self.first == self.fault

    @property
    def in_group(self) -> bool:
        """Or at least in the group that is named."""
        return self.right or self.fault in self.group


def listened(line: Scenario, seed: int, tap: str = "sim:") -> Observed:
    """What an adapter that marks line errors hears of it, as `benchtool diagnose` takes it in."""
    hears = Hearing(LineErrors.MARKED, 0.0, _SECONDS)
    evidence, info = listen_to(build_bus(line, seed).run(round(_SECONDS * 1e9)), line, hears)
    return observe(evidence, info.settings, tap=tap)


Overrule = Callable[[str], str | None]
"""What is answered to a question instead of what is so; None: what is so."""


def hunt(line: Scenario, seed: int, *, eyes: bool = True, overrule: Overrule = lambda _: None) -> Hunt:
    """Hunt to the end on a simulated bus."""
    heard = listened(line, seed)

    def shares() -> dict[int, float]:
        # As the controller and the users see it: whatever our own clip and settings are.
        plain = replace(line, tap=replace(line.tap, reversed_pair=False, baud=None, format=None))
        same = tap_settings(line) == tap_settings(plain) and plain == line
        return answering(heard if same else listened(plain, seed))

    person = Person(line, seed, shares, lambda one, gone: better(heard, listened(one, seed), gone), eyes=eyes)
    found = Hunt("sim:")
    for _ in range(_MOST_QUESTIONS):
        question = found.next_question()
        if question is None:
            break
        if question.ask is Ask.LISTEN:
            found.hear(heard)
        else:
            said = overrule(question.name)
            found.take(person.answer(question.name) if said is None else said)
    return found


def careless(base: str, seed: int) -> Overrule:
    """Somebody at a sound bus who calls a reader dead that is not, and whose eyes err as the tables of sights say."""
    dead = random.Random(f"{seed} dead").choice(scenario.load(base).devices).address

    def said(name: str) -> str | None:
        if name == "address":
            return str(dead)
        word, at, _ = name.partition("@")
        sight = next((one for one in SIGHTS if one.name == f"{word}{at}"), None)
        if sight is None:
            return None
        often = sight.rows.get(Cause.HEALTHY, sight.usual)
        return random.Random(f"{seed} sees {base} {name}").choices(sight.words(), often)[0]

    return said


def hunted(case: tuple[str, str, str], seed: int, *, eyes: bool, errs: bool = False) -> Hunted:
    """A hunt on scenario, fault and address (empty: the fault's own place), in figures. `errs`: by `careless`."""
    base, fault, at = case
    line = faults.apply(scenario.load(base), fault, {"at": at} if at else {})
    done = hunt(line, seed, eyes=eyes, overrule=careless(base, seed)) if errs else hunt(line, seed, eyes=eyes)
    end, state = ending(done), done.state
    return Hunted(
        base,
        fault,
        at,
        tuple(f"{one.name}={one.text or '?'}" for one in done.answers),
        end.causes[0][0].value,
        end.causes[0][1],
        tuple(cause.value for cause in state.group),
        done.minutes,
    )


def cases(seed: int) -> Iterator[tuple[str, str, str]]:
    """Each fault on the demo bus; those that only a fast pair shows on the long one as well; a device by the seed."""
    draw = random.Random(f"hunts {seed}")
    for fault, one in faults.FAULTS.items():
        for base in ("demo", "longline") if fault in _FAST else ("demo",):
            placed = "at" in one.takes and fault not in _OURS
            yield base, fault, str(draw.choice(scenario.load(base).devices).address) if placed else ""


_FAST = (
    "terminator-missing-one",
    "terminator-missing-both",
    "terminator-misplaced",
    "stub-too-long",
    "line-too-long-for-rate",
)
_OURS = ("baud-wrong", "format-wrong", "driver-held-late")
"""With `at` they become faults of a device, which the catalogue calls device-silent."""


def sound() -> Iterator[tuple[str, str, str]]:
    """Sound buses."""
    return ((base, "healthy", "") for base in ("demo", "longline", "modbus"))


def run(seeds: Sequence[int], *, eyes: bool, workers: int = 1, errs: bool = False) -> Iterator[Hunted]:
    """All of them, in order; with `errs` those on sound buses."""
    for seed in seeds:
        work, listed = partial(hunted, seed=seed, eyes=eyes, errs=errs), sound() if errs else cases(seed)
        if workers == 1:
            yield from map(work, listed)
        else:
            with ProcessPoolExecutor(workers) as pool:
                yield from pool.map(work, listed)


@click.command()
@click.option("--seeds", default=1, show_default=True, help="How many installations of each.")
@click.option("--blind", is_flag=True, help="Nobody looks: listening, meter and tries alone.")
@click.option("--table", is_flag=True, help="Rows of a Markdown table.")
@click.option("--workers", default=2, show_default=True, help="Processes.")
@click.option("--sound", "errs", is_flag=True, help="On sound buses, by somebody who errs.")
@click.option("--verbose", is_flag=True, help="What was asked and answered.")
def main(seeds: int, blind: bool, table: bool, workers: int, errs: bool, verbose: bool) -> None:
    """Hunt on every fault, and count how many hunts end at it."""
    right = group = total = alarms = 0
    minutes: list[float] = []
    for one in run(range(1, seeds + 1), eyes=not blind, workers=workers, errs=errs):
        total += 1
        right += one.right
        group += one.in_group
        minutes.append(one.minutes)
        alarms += not one.right and one.probability >= FOUND
        verdict = "right" if one.right else "in its group" if one.in_group else "WRONG"
        known = {cause.value for cause in Cause}
        assert one.first in known
        row = (one.base, one.fault, one.at, len(one.asked), f"{one.minutes:.0f}", one.first, f"{one.probability:.0%}")
        told = [*map(str, row), verdict]
        click.echo(f"| {' | '.join(told)} |" if table else "  ".join(told))
        if verbose:
            click.echo(f"    {' '.join(one.asked)}  group {','.join(one.group)}")
    if errs:
        click.echo(f"{alarms} of {total} called faulty")
    times = f"{mean(minutes):.0f} minutes each, median {median(minutes):.0f}, worst {max(minutes):.0f}"
    click.echo(f"{right} of {total} right, {group} right or in the group named; {times}")


if __name__ == "__main__":
    main()
