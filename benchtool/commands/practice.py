"""`benchtool practice`: find the hidden fault of a simulated installation, by listening, measuring and looking."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchtool.commands.errors import CommandError, Exit

if TYPE_CHECKING:
    from benchtool.commands.practice_game import Game
    from benchtool.commands.practice_progress import Kept, Which


@click.command("practice")
@click.option(
    "--level", type=click.IntRange(1, 4), help="1 is easy, 4 is hard.  [default: that of the one left open, or 1]"
)
@click.option(
    "--seed",
    type=click.IntRange(0, 999_999_999),
    metavar="N",
    help="Which one; if left out the one left open, or the next.",
)
@click.option(
    "--lines",
    type=click.Choice(("bus", "data")),
    help="A bus, or a reader's data lines (D0, D1).  [default: those of the one left open, or bus]",
)
@click.option("--scope-file", metavar="FILE", help="Where scope writes its record: .csv (docs/waveforms.md).")
@click.option("--progress", metavar="FILE", help="Where progress is kept, instead of the user's own folder.")
@click.option("--scores", is_flag=True, help="Show progress, and end.")
@click.option("--forget", is_flag=True, help="Delete the progress, and end.")
@click.option("--json", "as_json", is_flag=True, help="Print the result, or with --scores the progress, as JSON.")
def command(
    level: int | None,
    seed: int | None,
    lines: str | None,
    scope_file: str | None,
    progress: str | None,
    scores: bool,
    forget: bool,
    as_json: bool,
) -> None:
    """Find the hidden fault of a simulated installation.

    Listen, measure, look and try as on a real site; the simulated meter and scope answer from the same physics. Name
    the cause; you are told how good that was and what the evidence says: a name earns little, proof earns most. The
    same level and seed are the same installation. Commands may be piped in. Progress is kept on this computer alone
    (BENCHTOOL_HOME moves it, --forget deletes it); an installation left unnamed is not counted, and goes on where you
    left it.

    \b
    Examples:
      benchtool practice
      benchtool practice --level 3 --seed 7
      benchtool practice --lines data
      benchtool practice --scores
    """
    from benchtool.commands import practice_progress as kept
    from benchtool.commands.practice_score import HINT, WRONG
    from benchtool.commands.practice_talk import SilentAsker, Talk, say
    from benchtool.commands.site_ask import make_asker

    path = kept.progress_file(progress)
    if forget:
        click.echo(f"deleted: {path}" if kept.forget(path) else "there was no progress to delete")
        return
    # One's own folder may be out of reach: that is no reason not to practise. What was asked for is.
    unknown = progress is None and not scores and kept.out_of_reach(path)
    before = kept.NOTHING if unknown else kept.load(path)
    rows = before.rows
    if (spoilt := kept.spoilt_words(path, before)) is not None:
        click.echo(spoilt, err=True)
    if scores:
        click.echo(json.dumps(kept.as_objects(rows), indent=1) if as_json else "\n".join(kept.lines(before)))
        return
    _check_scope_file(scope_file)
    which = _which(before, lines, level, seed)
    taken_up = seed is None and which in before.open
    lines, level, seed = which
    game, title, points = _game(lines, level, seed)
    if (trouble := kept.check_writable(path)) is not None:
        click.echo(f"note: progress will not be kept: {path}: {trouble}; --progress FILE keeps it elsewhere", err=True)

    def tell(texts: Sequence[str]) -> None:
        say(texts, err=as_json)

    failed: list[CommandError] = []

    def ended() -> None:
        if trouble is None:
            minutes = round(game.minutes)
            try:
                kept.keep(path, kept.Played(lines, level, seed, game.truth, game.named, game.score, minutes))
            except CommandError as error:  # told at the end: what is explained now comes first
                failed.append(error)

    tell([f"Level {level} ({title}), installation {seed}: {game.title}."])
    if game.devices:
        tell([f"The site's list has devices {', '.join(map(str, game.devices))}."])
    tell(
        [
            "Something may be wrong with it, or nothing. Begin with listen; help tells what else can be done. A hint "
            f"costs {HINT} points, a wrong name {WRONG}."
        ]
    )
    if taken_up:
        tell(["It is the one you left open: --seed N begins another, explain ends it (score 0)."])
    if any((row.lines, row.level, row.seed) == which for row in rows):
        tell(["You have played this one before: the first score of an installation is the one that counts."])

    def did(step: str) -> None:
        if trouble is None and not failed:
            try:
                kept.keep_step(path, kept.Step(which, step))
            except CommandError as error:
                failed.append(error)

    if which not in before.open:
        did("")
    talk = Talk(game, points, scope_file, tell, ended, did)
    try:
        talk.resume(before.open.get(which, ()))
        talk.play(SilentAsker() if as_json else make_asker())
    except (EOFError, KeyboardInterrupt):
        tell([""])
    if not game.over:
        options = "" if lines == "bus" else f" --lines {lines}"
        options += f" --level {level} --seed {seed}" + ("" if progress is None else f" --progress {progress}")
        how = "It goes on where you left it" if trouble is None and not failed else "The same from its beginning"
        tell([f"Left open, not counted. {how}: benchtool practice{options}"])
    if as_json:
        click.echo(json.dumps(_result(game, lines, level, seed), indent=1))
    if failed:
        raise failed[0]


def _which(before: Kept, lines: str | None, level: int | None, seed: int | None) -> Which:
    """The installation asked for; without a seed the one left open last, or the next that was not played."""
    from benchtool.commands.practice_progress import Which

    left = before.last_open(lines, level) if seed is None else None
    if left is not None:
        return left
    lines, level = lines or "bus", level or 1
    if seed is None:
        seed = 1 + max((row.seed for row in before.rows if (row.lines, row.level) == (lines, level)), default=0)
    return Which(lines, level, seed)


def _check_scope_file(path: str | None) -> None:
    if path is not None and not path.lower().endswith(".csv"):
        raise CommandError(f"--scope-file {path}: the name ends in .csv", Exit.USAGE)
    if path is not None and Path(path).exists():
        raise CommandError(f"--scope-file {path}: there is a file of that name; choose another", Exit.OUTPUT)


def _game(lines: str, level: int, seed: int) -> tuple[Game, str, str]:
    """The installation, what its level is about, and how it is scored."""
    from benchtool.reports import practice_card_text, practice_text
    from benchtool.simulate.practice import TITLES

    if lines == "data":
        from benchtool.commands.practice_card import CardPractice, fair_reader

        return CardPractice(fair_reader(level, seed)), practice_card_text.TITLES[level], practice_card_text.POINTS
    from benchtool.commands.practice_run import Practice
    from benchtool.simulate.practice import hide

    return Practice(hide(level, seed)), TITLES[level], practice_text.POINTS


def _result(game: Game, lines: str, level: int, seed: int) -> dict[str, object]:
    # What is left open stays hidden here too.
    points = game.points if game.over else None
    return {
        "lines": lines,
        "level": level,
        "seed": seed,
        "tap": game.tap if game.over else None,
        "fault": game.truth if game.over else None,
        "place": game.place if game.over else None,
        "named": game.named or None,
        "named_place": game.named_place,
        "right": game.right,
        "score": game.score,
        "counted": game.over,
        "points": None if points is None else points.as_object(),
        "minutes": round(game.minutes, 1),
        "probability": round(game.probability(), 3) if game.over and game.gathered() else None,
        "hunt": None
        if points is None
        else {"probability": round(points.hunted.probability, 3), "minutes": round(points.hunted.minutes, 1)},
    }
