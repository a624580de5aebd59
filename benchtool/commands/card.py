"""`benchtool card`: explain or build the bits of a card."""

from __future__ import annotations

import io
import json
import random
import re
import sys

import click

from benchtool.commands import card_exercise, card_keys
from benchtool.commands.card_answer import Answer, answer_for, answer_lines, build_answer
from benchtool.commands.card_options import CardNumber, read_tables, table_option
from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.options import Duration
from benchtool.frames.card.entry import EntryError, Kind, parse_entry
from benchtool.frames.card.formats import FORMATS, CardFormat, find_formats
from benchtool.reports import card_draw, card_text

KEYS = "keys"
"""What `--as` says of bursts of a keypad."""


def _glyphs(ascii_only: bool) -> card_draw.Glyphs:
    try:
        (card_draw.UNICODE.field + card_draw.UNICODE.group).encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return card_draw.ASCII
    return card_draw.ASCII if ascii_only else card_draw.UNICODE


def _rows(name: str | None, known: tuple[CardFormat, ...]) -> tuple[CardFormat, ...]:
    if name is None:
        return known
    rows = find_formats(name, known)
    if not rows:
        names = ", ".join(f'"{row.name}"' for row in known)
        raise CommandError(f"no format is called {name!r}: choose from {names}", Exit.USAGE)
    return rows


def _others(fields: tuple[str, ...]) -> dict[str, int]:
    found = {}
    for field in fields:
        name, equals, number = field.rpartition("=")
        if not equals or not re.fullmatch("-?[0-9]{1,80}", number):
            raise CommandError("--field wants a name and a number, as issue=3", Exit.USAGE)
        found[name.strip()] = int(number)
    return found


def _exercise(
    name: str,
    seed: int | None,
    count: int,
    rows: tuple[CardFormat, ...],
    as_json: bool,
    ascii_only: bool,
    strict: bool,
) -> None:
    kind = card_exercise.kind_named(name)
    seed = random.randrange(10000) if seed is None else seed
    if as_json:
        click.echo(card_exercise.sheet(kind, seed, count, rows))
        return
    if isinstance(sys.stdin, io.TextIOWrapper):
        sys.stdin.reconfigure(errors="replace")

    typed = sys.stdin.isatty()

    def ask(prompt: str) -> str:
        if typed:
            answer: str = click.prompt(prompt, default="", show_default=False, prompt_suffix="")
            return answer
        line = sys.stdin.readline()
        if not line:
            raise EOFError
        # Nobody typed it, so that the page shows question and answer only if we write it.
        click.echo(prompt + "".join(letter for letter in line if letter.isprintable()))
        return line

    if not card_exercise.run(kind, seed, count, rows, _glyphs(ascii_only), ask, again=typed) and strict:
        sys.exit(int(Exit.FAULT))


@click.command("card", context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("value", nargs=-1)
@click.option("--length", type=click.IntRange(1), metavar="BITS", help="VALUE is hex of this many bits.")
@click.option("--left-aligned", is_flag=True, help="Hex octets hold the first bit first, padding last (OSDP RAW).")
@click.option("--printed", metavar="NUMBER", help="The decimal printed on the card; beside bits: does it agree?")
@click.option("--as", "kind", type=click.Choice([*(kind.value for kind in Kind), KEYS]), help="Take VALUE as this.")
@click.option("--keys", metavar="KEYS", help="Build the bursts of a keypad for keys, as 1234#.")
@click.option("--pause", type=Duration(), metavar="5s", help="With --as keys: the longest pause between keys.")
@click.option("--site", type=CardNumber(), metavar="CODE", help="Build frames: site code.")
@click.option("--number", type=CardNumber(), metavar="NUMBER", help="Build frames: card number.")
@click.option("--format", "format_name", metavar="NAME", help='Only this format, as "26-bit" or "37-bit 16+19".')
@click.option("--field", "fields", multiple=True, metavar="NAME=N", help="Build frames: a further field of a --table.")
@table_option
@click.option("--formats", "list_formats", is_flag=True, help="List the formats and their layouts.")
@click.option("--explain", is_flag=True, help="Explain step by step: fields, parity, wrong bits, faults of the lines.")
@click.option(
    "--exercise",
    is_flag=False,
    flag_value=card_exercise.ANY,
    metavar="[KIND]",
    help="Ask questions and check the answers: decode, build, parity, flipped, open, swapped, format, or any.",
)
@click.option("--seed", type=int, metavar="N", help="With --exercise: the same questions again.")
@click.option("--count", type=click.IntRange(1, 1000), metavar="N", help="With --exercise: how many (5).")
@click.option("--json", "as_json", is_flag=True, help="Print JSON: one object, one a line with -.")
@click.option("--ascii", "ascii_only", is_flag=True, help="Draw with plain ASCII only.")
@click.option("--strict", is_flag=True, help="Exit code 1 if no reading passes its parity, or --printed disagrees.")
def command(
    value: tuple[str, ...],
    length: int | None,
    left_aligned: bool,
    printed: str | None,
    kind: str | None,
    keys: str | None,
    pause: float | None,
    site: int | None,
    number: int | None,
    format_name: str | None,
    fields: tuple[str, ...],
    tables: tuple[str, ...],
    list_formats: bool,
    explain: bool,
    exercise: str | None,
    seed: int | None,
    count: int | None,
    as_json: bool,
    ascii_only: bool,
    strict: bool,
) -> None:
    """Explain the bits of a card, or build them.

    VALUE is bits (blanks and _ are ignored, several arguments are joined), hex with its length, the decimal printed on
    a card, or site code and card number. The first line of the answer says how it was taken. VALUE - reads one value a
    line from standard input.

    \b
    Decode:
      benchtool card 00110010100001111111111111
      benchtool card 0 01100101 0000111111111111 1
      benchtool card 0CA1FFF/26
      benchtool card 32 87 FF C0 --length 26 --left-aligned
      benchtool card 0013961168
      benchtool card 213,02000
    \b
    The panel's number and the card's disagree:
      benchtool card 335E000/26 --printed 101,04095
    \b
    Build:
      benchtool card --site 101 --number 4095
      benchtool card --number 123456789 --format "37-bit 35"
    \b
    Keypads:
      benchtool card --as keys 0001 0010 0011 0100 1011
      benchtool card --keys 1234# --site 101
    \b
    Learn:
      benchtool card 0CA1FFF/26 --explain
      benchtool card --exercise
      benchtool card --exercise flipped --count 3 --seed 7
    """
    users = read_tables(tables)
    if list_formats:
        click.echo("\n".join(card_text.formats_text(users)))
        return
    known = (*users, *FORMATS)
    rows = _rows(format_name, known)
    others = _others(fields)
    if exercise is not None:
        if value or site is not None or number is not None or printed is not None or others:
            raise CommandError("--exercise makes its own cards: give no value beside it", Exit.USAGE)
        _exercise(exercise, seed, count or 5, rows if format_name else users or FORMATS, as_json, ascii_only, strict)
        return
    if seed is not None or count is not None:
        raise CommandError("--seed and --count belong to --exercise", Exit.USAGE)
    if keys is not None:
        if value or number is not None or printed is not None or others:
            raise CommandError("--keys builds bursts: give no value beside it, but --site if you like", Exit.USAGE)
        card_keys.build_keys(keys, site, as_json)
        return
    if kind == KEYS and value:
        if others or site is not None or number is not None or printed is not None:
            raise CommandError(
                "--as keys reads bursts: --site, --number, --field and --printed are not for them", Exit.USAGE
            )
        if not card_keys.read_keys(" ".join(value), pause, as_json) and strict:
            sys.exit(int(Exit.FAULT))
        return
    if pause is not None or kind == KEYS:
        raise CommandError("--as keys wants bursts, as 0001 0010 1011; --pause belongs to it", Exit.USAGE)
    chosen = Kind(kind) if kind else None

    try:
        expected = parse_entry(printed, kind=Kind.DECIMAL, rows=known) if printed is not None else None
    except EntryError as error:
        raise CommandError(f"--printed: {error}", Exit.USAGE) from None

    def answer_of(typed: str) -> Answer:
        entry = parse_entry(typed, length=length, kind=chosen, left_aligned=left_aligned, rows=known)
        return answer_for(entry, rows, format_name is not None, expected, others)

    if value == ("-",):
        if isinstance(sys.stdin, io.TextIOWrapper):
            sys.stdin.reconfigure(errors="replace")
        sys.exit(answer_lines(sys.stdin, answer_of, as_json, strict))
    try:
        if site is not None or number is not None:
            if value or printed is not None:
                raise CommandError("give a value to explain, or --site and --number to build, not both", Exit.USAGE)
            if length is not None or left_aligned or chosen is not None:
                raise CommandError("--length, --left-aligned and --as say how a VALUE is taken: leave them", Exit.USAGE)
            if number is None:
                raise CommandError("a frame needs a card number: add --number", Exit.USAGE)
            answer = build_answer(None, site, number, rows, others)
        elif value:
            answer = answer_of(" ".join(value))
        elif expected is not None:
            answer = answer_for(expected, rows, format_name is not None, others=others)
        else:
            raise CommandError("nothing to do: give card bits, or see benchtool card --help", Exit.USAGE)
    except EntryError as error:
        raise CommandError(str(error), Exit.USAGE) from None
    if as_json:
        click.echo(json.dumps(answer.values()))
    else:
        click.echo("\n".join(answer.text(_glyphs(ascii_only), explain)))
    if strict and not answer.sound:
        sys.exit(int(Exit.FAULT))
