"""Writes edits that a comparison proposed into a record, after showing each; comments and order stay as they were."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.site_file import read_text, write_text
from benchtool.install.compare_difference import Proposal
from benchtool.install.line_edit import Add, Edit, Put
from benchtool.install.load import Loaded, RecordError, load
from benchtool.install.record import Device
from benchtool.install.save import with_edits
from benchtool.reports.site_compare_text import edit_words


def apply(site: Path, text: str, loaded: Loaded, edits: Sequence[Proposal], *, yes: bool) -> None:
    """Write edits: with `yes` all that are not doubtful, else those that a person says yes to, one by one.

    `text`: what the file held when it was compared. CommandError where it holds something else now.
    """

    chosen: dict[tuple[str | int, ...], Proposal] = {}
    everything = False
    for edit in edits:
        if edit.place in chosen:
            continue
        if yes or everything:
            if not edit.doubt:
                chosen[edit.place] = edit
            continue
        words = edit_words(edit, loaded)
        try:
            answer = click.prompt(
                f"{words}\nwrite it? [y]es, [n]o, [a]ll that are not doubtful, [q]uit without writing",
                default="n",
                show_default=False,
                type=click.Choice(["y", "n", "a", "q"]),
                show_choices=False,
                err=True,
            )
        except click.Abort:
            answer = "q"
        if answer == "q":
            click.echo("nothing written", err=True)
            return
        everything = answer == "a"
        if answer == "y" or (everything and not edit.doubt):
            chosen[edit.place] = edit
    left = len({edit.place for edit in edits}) - len(chosen)
    if not chosen:
        click.echo("nothing written" + ("" if edits else ": no edit is proposed"), err=True)
        return
    if read_text(site) != text:
        raise CommandError(f"{site} was changed meanwhile; nothing written: compare again", Exit.INPUT)
    made: list[Edit] = [
        Add(edit.path, edit.value) if isinstance(edit.value, Device) else Put(edit.path, edit.value)
        for edit in chosen.values()
    ]
    changed = with_edits(text, made)
    try:
        load(changed)
    except RecordError as error:
        raise CommandError(
            f"nothing written: the record would not be readable ({error.faults[0]})", Exit.OUTPUT
        ) from None
    write_text(site, changed)
    more = f"; {left} left as {'it is' if left == 1 else 'they are'}" if left else ""
    click.echo(f"{len(chosen)} edit{'' if len(chosen) == 1 else 's'} written into {site}{more}", err=True)
