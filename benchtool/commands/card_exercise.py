"""`benchtool card --exercise`: ask, check the answer, explain, and keep the score. Works with answers from a pipe."""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator, Sequence

import click

from benchtool.commands.errors import CommandError, Exit
from benchtool.frames.card.exercise import ASKS, Exercise, Kind, make_exercise
from benchtool.frames.card.formats import CardFormat
from benchtool.reports.card_draw import Glyphs, draw, legend, wrapped

ANY = "any"


def kind_named(name: str) -> Kind | None:
    """The kind of that name, None for any; CommandError where there is none."""
    if name == ANY:
        return None
    found = [kind for kind in Kind if kind.value == name]
    if not found:
        known = ", ".join(f"{kind.value} ({ASKS[kind]})" for kind in Kind)
        raise CommandError(f"no exercise is called {name!r}: there are {known}", Exit.USAGE)
    return found[0]


def drawn(kind: Kind | None, seed: int, rows: Sequence[CardFormat]) -> Iterator[Exercise]:
    """Exercises without end: the same for the same seed, kind and formats."""
    chance = random.Random(seed)
    while True:
        yield make_exercise(kind, chance, rows)


def sheet(kind: Kind | None, seed: int, count: int, rows: Sequence[CardFormat]) -> str:
    """Questions with their answers, one JSON object a line, for a class."""
    lines = []
    for number, exercise in zip(range(1, count + 1), drawn(kind, seed, rows), strict=False):
        lines.append(
            json.dumps(
                {
                    "number": number,
                    "seed": seed,
                    "kind": exercise.kind.value,
                    "format": exercise.read.format.name,
                    "question": " ".join(part.strip() for part in exercise.question),
                    "wanted": exercise.wanted,
                    "answer": exercise.answer,
                    "why": exercise.why,
                }
            )
        )
    return "\n".join(lines)


def run(
    kind: Kind | None,
    seed: int,
    count: int,
    rows: Sequence[CardFormat],
    glyphs: Glyphs,
    ask: Callable[[str], str],
    *,
    again: bool,
) -> bool:
    """Ask `count` questions. Whether all were answered rightly.

    `ask` shows a prompt and gives a line; EOFError and KeyboardInterrupt end the exercise with the score so far.
    `again`: whether an answer that cannot be read is asked for again. A person can mend it; in a file the next line is
    the answer to the next question, so there it counts as wrong.
    """
    click.echo(f"{count} exercise{'' if count == 1 else 's'}, seed {seed} (the same again: --seed {seed}).")
    click.echo("Type the answer; an empty line if you don't know; q to stop.")
    right = asked = 0
    try:
        for number, exercise in zip(range(1, count + 1), drawn(kind, seed, rows), strict=False):
            click.echo(f"\n{number}. {exercise.kind.value.upper()}")
            for part in exercise.question:
                click.echo("\n".join(wrapped(part.strip(), "      " if part.startswith("\t") else "   ")))
            asked += 1
            judged = _answered(exercise, ask, again)
            if judged is None:
                asked -= 1
                break
            right += judged
            _explain(exercise, judged, glyphs)
    except (EOFError, KeyboardInterrupt, click.Abort):
        asked -= 1
        click.echo("")
    left = f" {count - asked} of {count} not answered." if asked < count else ""
    click.echo(f"\nScore: {right} of {asked} right.{left}" if asked else "\nNo exercise was answered.")
    return right == asked == count


def _answered(exercise: Exercise, ask: Callable[[str], str], again: bool) -> bool | None:
    """Whether the answer is right; None to stop."""
    while True:
        given = ask(f"   {exercise.wanted}: ").strip()
        if given.lower() in ("q", "quit", "exit"):
            return None
        if not given:
            return False
        judged = exercise.judge(given)
        if judged is not None:
            return judged
        click.echo("\n".join(wrapped(f"That cannot be read as an answer; wanted: {exercise.wanted}.", "   ")))
        if not again:
            return False


def _explain(exercise: Exercise, right: bool, glyphs: Glyphs) -> None:
    lines = wrapped(f"{'RIGHT' if right else 'NOT RIGHT'}. The answer is {exercise.answer}. {exercise.why}", "   ")
    if not right:
        lines += ["", *draw([exercise.read], glyphs, exercise.marked), legend(glyphs)]
    click.echo("\n".join(lines))
