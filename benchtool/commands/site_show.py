"""`benchtool site show`: what is recorded, in order."""

from __future__ import annotations

from pathlib import Path

import click

from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.site_file import read_site
from benchtool.install.view import view_of
from benchtool.reports.site_list import entry_lines, site_lines


@click.command("show", context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.argument("entry", required=False)
def command(file: Path, entry: str | None) -> None:
    """List the installation of FILE bus by bus, device by device; or all that is noted of the entry with the id ENTRY.

    \b
      benchtool site show depot.toml
      benchtool site show depot.toml if-1
    """
    view = view_of(read_site(file))
    if entry is None:
        click.echo("\n".join(site_lines(view)))
        return
    named = view.by_id.get(entry)
    if named is None:
        raise CommandError(f"nothing has the id {entry!r}; see: benchtool site show {file}", Exit.USAGE)
    click.echo("\n".join(entry_lines(view, named)))
