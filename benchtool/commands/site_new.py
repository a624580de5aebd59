"""`benchtool site new`: a commented beginning of a record."""

from __future__ import annotations

from pathlib import Path

import click

from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.site_ask import Asker, make_asker
from benchtool.commands.site_file import write_text
from benchtool.install.load import load
from benchtool.install.record import SCHEMA, Record, Site
from benchtool.install.save import to_text, with_value
from benchtool.install.schema import Slot, slots_of
from benchtool.install.typed import TypedError, value_of, wanted_words

_TAIL = """
# So do entries look, written by `benchtool site walk` or by hand. They name each other by their id:
#
# [[door]]
# id = "store"
# name = "Store door"
# escape = false
#
# [[bus]]
# id = "yard"
# protocol = "osdp"
# baud = 9600
#
# [[bus.device]]            # in the order in which one walks along the pair
# id = "if-1"
# kind = "interface"
# door = "store"
# serial = "A0001"
# address = 0
# terminator = true
#
# [[reader]]
# id = "store-in"
# device = "if-1"
# connector = "J3"
# door = "store"
# cores = { D0 = "green", D1 = "white" }
"""


@click.command("new", context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--name", help="What the place is called; else it is asked for.")
def command(file: Path, name: str | None) -> None:
    """Begin the record of an installation in FILE, which must not be there yet.

    \b
      benchtool site new depot.toml
      benchtool site new depot.toml --name "Depot north"
    """
    if file.exists():
        raise CommandError(f"{file} is there already; go on with: benchtool site walk {file}", Exit.OUTPUT)
    if name is not None and not name.strip():
        raise CommandError("the name of a place is not empty", Exit.USAGE)
    text = to_text(Record(schema=SCHEMA, site=Site(name=name.strip() if name else "?"))).rstrip("\n") + "\n" + _TAIL
    text = _asked(text, make_asker()) if name is None else text
    load(text)
    write_text(file, text)
    click.echo(f"{file} is begun. Go on with: benchtool site walk {file}")


def _asked(text: str, asker: Asker) -> str:
    """The text with the place's fields as the person says them. A place without a name is no record."""
    for slot in slots_of(Site):
        try:
            value = _ask(slot, asker)
        except EOFError:
            if slot.required:
                raise CommandError("nobody answers: give the name with --name", Exit.USAGE) from None
            break
        if value is not None:
            text = with_value(text, ("site", slot.name), value)
    return text


def _ask(slot: Slot, asker: Asker) -> object:
    wanted = wanted_words(slot)
    left_out = "" if slot.required else f" ({wanted + '; ' if wanted else ''}Enter: not known)"
    while True:
        typed = asker.ask(f"{slot.name.replace('_', ' ')}: {slot.meaning.text}{left_out}: ").strip()
        if not typed and not slot.required:
            return None
        try:
            value: object = value_of(slot, typed)
        except TypedError as error:
            click.echo(f"  not taken: {error}")
        else:
            return value
