"""`benchtool site export`: entries as CSV lists for spreadsheets."""

from __future__ import annotations

from pathlib import Path

import click

from benchtool.capture.private import discard_empty
from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.outputs import is_there, not_written, overwrite_option
from benchtool.commands.site_file import read_site
from benchtool.install.csv_export import count, export_table
from benchtool.install.csv_map import KINDS

SEPARATORS = {"comma": ",", "semicolon": ";", "tab": "\t"}


@click.command("export", context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option(
    "--csv",
    "target",
    type=click.Path(path_type=Path),
    required=True,
    help="A folder, for one list a kind; or with --kind a file.",
)
@click.option("--kind", type=click.Choice(KINDS), help="Only entries of this kind, into one file.")
@click.option("--separator", type=click.Choice(tuple(SEPARATORS)), default="comma", show_default=True)
@overwrite_option("lists that are")
def command(file: Path, target: Path, kind: str | None, separator: str, overwrite: bool) -> None:
    """Write the entries of FILE as lists that spreadsheets open: UTF-8, one row an entry, every field a column.

    Text that a spreadsheet would run as a formula gets an apostrophe before it; `site import` takes that off again.

    \b
      benchtool site export depot.toml --csv lists/
      benchtool site export depot.toml --csv devices.csv --kind device
    """
    record = read_site(file).record
    if kind is not None:
        wanted = {kind: target / f"{kind}.csv" if target.is_dir() else target}
    elif target.suffix.lower() == ".csv":
        raise CommandError(f"a file holds one kind of entry: add --kind ({', '.join(KINDS)})", Exit.USAGE)
    else:
        wanted = {one: target / f"{one}.csv" for one in KINDS if count(record, one)}
    there = [path for path in wanted.values() if path.exists()]
    if there and not overwrite:
        raise is_there("--csv", there[0])
    if not wanted:
        raise CommandError(f"{file} holds no entries yet; begin with: benchtool site walk {file}", Exit.INPUT)
    for one, path in wanted.items():
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(export_table(record, one, SEPARATORS[separator]))
        except OSError as error:
            discard_empty(path)
            raise not_written(path, error) from None
        click.echo(f"{path}: {count(record, one)} of kind {one}")
