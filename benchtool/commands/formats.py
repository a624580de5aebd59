"""`benchtool formats`: the card formats there are, and table files with formats of the user's own."""

from __future__ import annotations

import importlib
import json
import sys

import click

from benchtool.commands.card_options import read_table, read_tables, table_option
from benchtool.commands.errors import CommandError, Exit
from benchtool.frames.card.format_rules import notes_on
from benchtool.frames.card.formats import FORMATS, SEEN, CardFormat, find_formats
from benchtool.reports import card_draw, card_text

_LAZY = {"infer": ("benchtool.commands.formats_infer", "Work out an unknown format from reads of a few cards.")}
"""name: (module whose `command` is the click command, short help); loaded only when called."""


class _Group(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted({*super().list_commands(ctx), *_LAZY})

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name in _LAZY:
            command: click.Command = importlib.import_module(_LAZY[cmd_name][0]).command
            return command
        return super().get_command(ctx, cmd_name)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        rows = [(name, command.get_short_help_str(80)) for name, command in self.commands.items()]
        rows += [(name, words) for name, (_, words) in _LAZY.items()]
        with formatter.section("Commands"):
            formatter.write_dl(sorted(rows))


@click.group("formats", cls=_Group, context_settings={"help_option_names": ["-h", "--help"]})
def command() -> None:
    """List card formats, check a table file of your own, work out an unknown format.

    \b
      benchtool formats list
      benchtool formats show "37-bit 16+19"
      benchtool formats show 26-bit --toml > mine.toml
      benchtool formats check mine.toml
      benchtool card 0CA1FFF/26 --table mine.toml
    """


@command.command("list")
@table_option
@click.option("--json", "as_json", is_flag=True, help="Print one JSON array.")
def list_formats(tables: tuple[str, ...], as_json: bool) -> None:
    """List the formats and their layouts."""
    users = read_tables(tables)
    if as_json:
        click.echo(json.dumps([_values(row) for row in (*users, *FORMATS)]))
    else:
        click.echo("\n".join(card_text.formats_text(users)))


@command.command("show")
@click.argument("name")
@table_option
@click.option("--toml", "as_toml", is_flag=True, help="As a table file, to be copied and changed.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON array.")
def show(name: str, tables: tuple[str, ...], as_toml: bool, as_json: bool) -> None:
    """Show the layout of format NAME: "26-bit", "37-bit 16+19", or of a table."""
    known = (*read_tables(tables), *FORMATS, *SEEN)
    rows = find_formats(name, known)
    if not rows:
        names = ", ".join(f'"{row.name}"' for row in known)
        raise CommandError(f"no format is called {name!r}: choose from {names}", Exit.USAGE)
    if as_toml:
        from benchtool.frames.card.table_file import dump

        click.echo(dump(*rows), nl=False)
    elif as_json:
        click.echo(json.dumps([_values(row) for row in rows]))
    else:
        lines = []
        for row in rows:
            lines += [*card_text.format_text(row), ""]
        click.echo("\n".join(lines[:-1]))


@command.command("check")
@click.argument("file", type=click.Path(dir_okay=False))
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.option("--strict", is_flag=True, help="Exit code 1 if there is anything to tell.")
def check(file: str, as_json: bool, strict: bool) -> None:
    """Check a table file: is it one, can every card be built, what goes unseen.

    Exit code 4, with one line that says what is wrong, if the table cannot be used.
    """
    rows = read_table(file)
    notes = {row.name: list(notes_on(row)) for row in rows}
    for row in rows:
        namesakes = [known for known in (*FORMATS, *SEEN) if known.name == row.name]
        if namesakes and namesakes[0] != row:
            notes[row.name].append("a built-in format has this name; with --table yours is taken first")
    if as_json:
        click.echo(json.dumps({"formats": [_values(row) for row in rows], "notes": notes}))
    else:
        lines = []
        for row in rows:
            lines += [f"{row.name}: {row.length} bits, every card can be built and read back."]
            lines += [part for note in notes[row.name] for part in card_draw.wrapped(f"note: {note}")]
            lines += [*card_text.format_text(row)[1:], ""]
        click.echo("\n".join(lines[:-1]))
    if strict and any(notes.values()):
        sys.exit(int(Exit.FAULT))


def _values(row: CardFormat) -> dict[str, object]:
    return {
        "name": row.name,
        "length": row.length,
        "source": row.source,
        "fields": [
            {
                "name": field.name,
                "bits": list(field.places),
                "writing": field.writing.value,
                "inverted": field.inverted,
                "offset": field.offset,
                "lowest": field.lowest,
                "highest": field.highest,
            }
            for field in row.fields
        ],
        "constants": [{"bits": list(one.places), "value": one.value} for one in row.constants],
        "checks": [
            {
                "name": one.name,
                "bits": list(one.places),
                "method": one.method.value,
                "fields": list(one.fields),
                "covers": list(one.covers),
                "weights": list(one.weights),
            }
            for one in row.checks
        ],
        "parity": [
            {"bit": group.bit, "sense": group.sense.value, "covers": list(group.covers)} for group in row.parity
        ],
    }
