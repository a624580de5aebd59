"""`benchtool site import`: entries from a CSV list; what would happen is shown before anything is written."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import click

from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.site_file import read_site, read_text, write_text
from benchtool.install.csv_import import Change, Import, plan_import, problem_lines
from benchtool.install.csv_map import KINDS, Column, MapError, columns_for, map_columns
from benchtool.install.csv_table import Table, TableError, read_table
from benchtool.install.load import RecordError, load
from benchtool.install.typed import text_of

_MOST_SHOWN = 20
_NAMES = {";": "semicolons", ",": "commas", "\t": "tabs"}


@click.command("import", context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.argument("list_file", metavar="LIST", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--kind", type=click.Choice(KINDS), required=True, help="What each row is.")
@click.option("--map", "maps", multiple=True, metavar="HEADING=FIELD", help="What a column is; HEADING= leaves it out.")
@click.option("--fill", "fills", multiple=True, metavar="FIELD=VALUE", help="For rows that say nothing of a field.")
@click.option("--write", is_flag=True, help="Write it; without this it is only shown, or asked at the terminal.")
def command(file: Path, list_file: Path, kind: str, maps: tuple[str, ...], fills: tuple[str, ...], write: bool) -> None:
    """Take entries from the CSV file LIST into the record FILE.

    Separator, encoding and columns are found and shown first. A row with the id of an entry changes that, others are
    added; an empty cell says nothing. With one row that is wrong nothing is written.

    \b
      benchtool site import depot.toml devices.csv --kind device
      benchtool site import depot.toml devices.csv --kind device --map "Tag=id" --fill kind=interface --write
    """
    record = read_site(file).record
    table = _read(list_file)
    said, fill = _pairs("--map", maps), _pairs("--fill", fills)
    unknown = fill.keys() - set(columns_for(kind))
    if unknown:
        known = ", ".join(columns_for(kind))
        raise CommandError(f"--fill: a {kind} has no field {sorted(unknown)[0]!r}; there are: {known}", Exit.USAGE)
    try:
        columns = map_columns(kind, table.headings, said)
    except MapError as error:
        raise CommandError(str(error), Exit.USAGE) from None
    planned = plan_import(record, kind, table, columns, fill)
    click.echo("\n".join(_shown(list_file, table, columns, fill, planned)))
    if planned.problems:
        lines = problem_lines(planned.problems)
        more = f", and {len(lines) - _MOST_SHOWN} more" if len(lines) > _MOST_SHOWN else ""
        told = "\n".join(f"{list_file}: {line}" for line in lines[:_MOST_SHOWN])
        raise CommandError(f"nothing is written: mend the list first{more}\n{told}", Exit.INPUT)
    if not planned.changes:
        click.echo("nothing to write")
        return
    if not write and not (sys.stdin.isatty() and click.confirm("write it?")):
        click.echo(f"nothing is written yet: add --write to put it into {file}")
        return
    try:
        text = planned.text(read_text(file))
        load(text)
    except RecordError as error:
        raise CommandError(f"nothing is written: {error.faults[0]}", Exit.INPUT) from None
    write_text(file, text)
    click.echo(f"written into {file}")


def _read(path: Path) -> Table:
    try:
        return read_table(path.read_bytes())
    except TableError as error:
        raise CommandError(f"{path}: {error}", Exit.INPUT) from None
    except OSError as error:
        raise CommandError(f"{path} cannot be read: {error.strerror}", Exit.INPUT) from None


def _pairs(option: str, given: Sequence[str]) -> dict[str, str]:
    found = {}
    for pair in given:
        left, sign, right = pair.rpartition("=")
        if not sign or not left.strip():
            raise CommandError(f"{option} wants a name, = and a word, not {pair!r}", Exit.USAGE)
        found[left.strip()] = right.strip()
    return found


def _shown(path: Path, table: Table, columns: Sequence[Column], fill: dict[str, str], planned: Import) -> list[str]:
    count = len(table.rows)
    lines = [f"{path}: {count} row{'s' * (count != 1)}, {_NAMES[table.separator]} between cells, {table.encoding}"]
    width = max(len(column.heading) for column in columns)
    for column in columns:
        how = "guessed" if column.guessed else "as said"
        target = f"{column.field}  ({how})" if column.field else "left out"
        lines.append(f"  {column.heading:<{width}}  ->  {target}")
    lines += [f"  where a row says nothing: {name} = {words}" for name, words in fill.items()]
    added = [change for change in planned.changes if change.entry is not None]
    changed = [change for change in planned.changes if change.entry is None]
    lines.append(f"{len(added)} to add, {len(changed)} to change, {planned.same} the same")
    lines += [f"  {line}" for change in (*changed, *added)[:_MOST_SHOWN] for line in _change_lines(change)]
    if len(planned.changes) > _MOST_SHOWN:
        lines.append(f"  and {len(planned.changes) - _MOST_SHOWN} more")
    return lines


def _change_lines(change: Change) -> list[str]:
    if change.entry is not None:
        said = ", ".join(f"{slot.name} {text_of(slot, value)}" for slot, _, value in change.values if slot.name != "id")
        return [f"row {change.row}: add {change.id}: {said}"]
    return [
        f"row {change.row}: {change.id} {slot.name}: {text_of(slot, old) or 'not known'} -> {text_of(slot, new)}"
        for slot, old, new in change.values
    ]
