"""`benchtool site remove`: takes out an entry that nothing names."""

from __future__ import annotations

from pathlib import Path

import click

from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.site_file import read_site, read_text, write_text
from benchtool.install.load import load
from benchtool.install.naming import named_at, ticks_of
from benchtool.install.places import words_of
from benchtool.install.record import Bus, Device
from benchtool.install.save import without_entry
from benchtool.install.view import view_of

_MOST_TOLD = 5


@click.command("remove", context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.argument("entry")
def command(file: Path, entry: str) -> None:
    """Take the entry whose id is ENTRY out of FILE, where nothing names it any more.

    Its ticks of the list before closing go with it.

    To put a mistyped id right wherever it stands, use `site set FILE OLD id NEW`.

    \b
      benchtool site remove depot.toml 8n1
    """
    loaded = read_site(file)
    named = view_of(loaded).by_id.get(entry)
    if named is None:
        raise CommandError(f"nothing has the id {entry!r}; see: benchtool site show {file}", Exit.USAGE)
    kind = str(named.path[-2])
    by = [words_of(path) for path in named_at(loaded.record, kind, entry)]
    if by:
        more = f" and {len(by) - _MOST_TOLD} more" if len(by) > _MOST_TOLD else ""
        told = "; ".join(by[:_MOST_TOLD])
        raise CommandError(f"{entry} is named by {told}{more}: set those first (site set)", Exit.USAGE)
    if isinstance(named.entry, Bus) and named.entry.device:
        raise CommandError(f"{entry} has {len(named.entry.device)} devices: take them out first", Exit.USAGE)
    ticks = [path for path, _ in ticks_of(loaded.record, entry)]
    text = without_entry(read_text(file), named.path)
    for path in reversed(ticks):
        text = without_entry(text, path)
    load(text)
    write_text(file, text)
    with_it = f", with its {len(ticks)} ticks and notes of the list before closing" if ticks else ""
    click.echo(f"{kind} {entry} is taken out{with_it}")
    if isinstance(named.entry, Device) and named.entry.metres is not None:
        click.echo("note: metres of the next device were from this one: set them anew")
