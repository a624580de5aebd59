"""`benchtool practice`: find the hidden fault of a simulated installation, by listening, measuring and looking."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchtool.commands.errors import CommandError, Exit

if TYPE_CHECKING:
    from benchtool.commands.practice_run import Practice
    from benchtool.commands.site_ask import Asker

_WORDS = ("listen", "measure", "scope", "look", "try", "hint", "name", "causes", "kinds", "replay", "help", "quit")


@click.command("practice")
@click.option("--level", type=click.IntRange(1, 4), default=1, show_default=True, help="1 is easy, 4 is hard.")
@click.option("--seed", type=click.IntRange(0, 999_999_999), metavar="N", help="Which one; the next if left out.")
@click.option("--scope-file", metavar="FILE", help="Where scope writes its record: .csv (docs/waveforms.md).")
@click.option("--progress", metavar="FILE", help="Where progress is kept, instead of the user's own folder.")
@click.option("--scores", is_flag=True, help="Show progress, and end.")
@click.option("--forget", is_flag=True, help="Delete the progress, and end.")
def command(
    level: int, seed: int | None, scope_file: str | None, progress: str | None, scores: bool, forget: bool
) -> None:
    """Find the hidden fault of a simulated installation.

    Listen, measure, look and try as on a real site; the simulated meter and scope answer from the same physics. Name
    the cause; you are told how good that was and what the evidence says. The same level and seed are the same
    installation. Progress is kept on this computer alone (BENCHTOOL_HOME moves it, --forget deletes it).

    \b
    Examples:
      benchtool practice
      benchtool practice --level 3 --seed 7
      benchtool practice --scores
    """
    from benchtool.commands import practice_progress
    from benchtool.commands.practice_run import Practice
    from benchtool.commands.site_ask import make_asker
    from benchtool.simulate.practice import TITLES, hide

    path = practice_progress.progress_file(progress)
    if forget:
        click.echo(f"deleted: {path}" if practice_progress.forget(path) else "there was no progress to delete")
        return
    rows = practice_progress.load(path)
    if scores:
        click.echo("\n".join(practice_progress.lines(rows)))
        return
    if scope_file is not None and not scope_file.lower().endswith(".csv"):
        raise CommandError(f"--scope-file {scope_file}: the name ends in .csv", Exit.USAGE)
    if scope_file is not None and Path(scope_file).exists():
        raise CommandError(f"--scope-file {scope_file}: there is a file of that name; choose another", Exit.OUTPUT)
    if seed is None:
        seed = 1 + max((row.seed for row in rows if row.level == level), default=0)
    hidden = hide(level, seed)
    game = Practice(hidden)
    # A second device with an address is on no list.
    devices = ", ".join(map(str, sorted({one.address for one in hidden.line.devices})))
    click.echo(f"Level {level} ({TITLES[level]}), installation {seed}: {hidden.line.title}")
    click.echo(f"{hidden.line.controller.protocol}, {hidden.line.line.length_m:g} m; the list names devices {devices}.")
    click.echo("Something may be wrong with it. Type help for what can be done.")
    try:
        _play(game, make_asker(), scope_file)
    except (EOFError, KeyboardInterrupt):
        click.echo("")
    if not game.over:
        click.echo(f"Left. Score {game.score} of 100, about {game.minutes:.0f} min on a real site.")
    practice_progress.keep(
        path, practice_progress.Played(level, seed, hidden.fault, game.named, game.score, round(game.minutes))
    )


def _play(game: Practice, asker: Asker, scope_file: str | None) -> None:
    """Take commands until the learner quits; after the answer `replay` still goes. EOFError where nobody types."""
    explained = False
    while True:
        word, _, rest = asker.ask("practice> ", _WORDS).strip().partition(" ")
        word, rest = _whole(word.lower()), rest.strip()
        if word in ("quit", "q", "exit", "."):
            if not explained:
                click.echo("\n".join(game.explain()))
            return
        if word:
            click.echo("\n".join(_done(game, word, rest, scope_file)))
        if game.over and not explained:
            explained = True
            click.echo("\n".join([*game.explain(), "replay shows benchtool's own hunt; quit leaves."]))


def _whole(word: str) -> str:
    """The word that a beginning of two letters or more can only mean."""
    found = [one for one in _WORDS if one.startswith(word)]
    return found[0] if len(found) == 1 and len(word) > 1 else word


def _done(game: Practice, word: str, rest: str, scope_file: str | None) -> list[str]:
    from benchtool.commands.measured import write_text
    from benchtool.commands.practice_run import RefusedError
    from benchtool.reports import practice_text

    if word in ("help", "?"):
        return list(practice_text.HELP)
    if word == "causes":
        return practice_text.causes_lines()
    if word == "kinds":
        return practice_text.kinds_lines()
    if word == "replay":
        return game.replay() if game.over else ["Name the cause first, or quit: the replay gives it away."]
    if game.over:
        return ["It is over: replay or quit."]
    try:
        if word == "listen":
            return game.listen()
        if word == "measure":
            return game.measure(rest)
        if word == "look":
            return game.look(rest)
        if word == "try":
            return game.attempt(rest)
        if word == "hint":
            return game.hint()
        if word == "name":
            return game.name(rest.lower())
        if word == "scope":
            lines, taken = game.scope(rest)
            if scope_file is not None:
                write_text(scope_file, taken.csv())
                lines = [*lines, f"written: {scope_file}; benchtool diagnose --waveform {scope_file} measures it"]
            return lines
    except RefusedError as error:
        return [str(error)]
    return [f"{word[:40]}: no such thing to do; help tells what there is"]
