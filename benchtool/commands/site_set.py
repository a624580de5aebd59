"""`benchtool site set`: one field of one entry."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.site_file import read_site, read_text, write_text
from benchtool.install.load import RecordError, load
from benchtool.install.places import Path as Place
from benchtool.install.record import Record, Site
from benchtool.install.schema import Slot, slots_of
from benchtool.install.typed import TypedError, text_of, wanted_words
from benchtool.install.view import view_of
from benchtool.install.walk import Answered, Ask, Question, at
from benchtool.install.walk_take import take


@click.command("set", context_settings={"help_option_names": ["-h", "--help"], "ignore_unknown_options": True})
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.argument("entry")
@click.argument("field")
@click.argument("value")
def command(file: Path, entry: str, field: str, value: str) -> None:
    """Set FIELD of the entry whose id is ENTRY (`site` for the place itself) to VALUE; `-` takes it out.

    A new id goes to all that name the entry.

    \b
      benchtool site set depot.toml if-1 serial A0001
      benchtool site set depot.toml if-1 metres 80.5
      benchtool site set depot.toml store-in cores "D0=green; D1=white"
      benchtool site set depot.toml site warmest_c 45
    """
    loaded = read_site(file)
    record = loaded.record
    if entry == "site":
        path: Place = ("site",)
        kind: type = Site
    else:
        named = view_of(loaded).by_id.get(entry)
        if named is None:
            raise CommandError(f"nothing has the id {entry!r}; see: benchtool site show {file}", Exit.USAGE)
        path, kind = named.path, type(named.entry)
    slot = _slot(kind, field)
    question = Question((*path, slot.name), Ask.VALUE, path, slot, at(record, (*path, slot.name)))
    text = read_text(file)
    try:
        taken = take(text, Answered(), question, value)
    except TypedError as error:
        wanted = wanted_words(slot)
        hint = f" ({slot.meaning.text}{': ' + wanted if wanted else ''})"
        raise CommandError(f"{entry} {field}: {error}{hint}", Exit.USAGE) from None
    except RecordError as error:
        raise CommandError(
            f"{entry} {field}: the file would be no record any more: {error.faults[0]}", Exit.USAGE
        ) from None
    if taken.text != text:
        write_text(file, taken.text)
    for line in taken.told:
        click.echo(f"note: {line}")
    click.echo(_told(load(taken.text).record, question, entry))


def _told(record: Record, question: Question, entry: str) -> str:
    assert question.slot is not None
    now: Any = at(record, question.key)
    before = text_of(question.slot, question.offered) or "not known"
    return f"{entry} {question.slot.name}: {before} -> {text_of(question.slot, now) or 'not known'}"


def _slot(kind: type, field: str) -> Slot:
    slots = [slot for slot in slots_of(kind) if not slot.is_list]
    for slot in slots:
        if slot.name == field.replace("-", "_"):
            return slot
    raise CommandError(f"there is no field {field!r} here; there are: {', '.join(s.name for s in slots)}", Exit.USAGE)
