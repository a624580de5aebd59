"""`benchtool card`: explain or build the bits of a card."""

from __future__ import annotations

import io
import json
import random
import re
import sys
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import click

from benchtool.commands import card_exercise
from benchtool.commands.card_options import read_tables, table_option
from benchtool.commands.errors import CommandError, Exit
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.build import build_bits, build_printed, why_not, why_not_printed
from benchtool.frames.card.compare import Agreement, compare
from benchtool.frames.card.decode import CardReading, decode_as, decode_in
from benchtool.frames.card.entry import Entry, EntryError, Kind, parse_entry
from benchtool.frames.card.formats import FORMATS, CardFormat, find_formats
from benchtool.frames.card.hints import Hint, hints_for
from benchtool.frames.card.plain import agreement_values, hint_values, read_values
from benchtool.frames.meaning import Value
from benchtool.reports import card_draw, card_lesson, card_text


@dataclass(frozen=True, slots=True)
class _Answer:
    """What is said about one value."""

    taken: str
    reads: tuple[CardReading, ...]
    bits: Bits | None = None
    """None where the frames were built from numbers."""
    hints: tuple[Hint, ...] = ()
    notes: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    rows: tuple[CardFormat, ...] = FORMATS
    """The formats it was read in."""
    agreements: tuple[Agreement, ...] | None = None
    """None where no printed number was given to compare."""

    @property
    def sound(self) -> bool:
        agreed = self.agreements is None or any(a.changed == "as given" for a in self.agreements)
        return agreed and any(read.ok for read in self.reads)

    def values(self) -> dict[str, Value]:
        values: dict[str, Value] = {
            "reads": [read_values(read, "as given" if self.bits else "built") for read in self.reads],
            "taken_as": self.taken,
            "notes": list(self.notes),
            "hints": [hint_values(hint) for hint in self.hints],
            "left_out": list(self.left_out),
        }
        if self.bits is not None:
            values |= {"bits": self.bits.text, "hex": self.bits.hex, "length": self.bits.length}
        if self.agreements is not None:
            values["printed_agrees"] = [agreement_values(agreement) for agreement in self.agreements]
        return values

    def text(self, glyphs: card_draw.Glyphs, explain: bool = False) -> list[str]:
        lines = card_text.taken_text(self.taken, self.notes)
        if explain and self.reads:
            lines += [card_text.headline(read) for read in self.reads]
            lines += ["", *card_lesson.lesson_text(self.reads, glyphs)]
            for hint in self.hints:
                lines += ["", *card_text.hint_text(hint)]
        elif self.bits is None:
            lines += card_text.built_text(self.reads, self.left_out, glyphs)
        else:
            lines += card_text.reading_text(self.bits, self.reads, self.hints, glyphs, self.agreements, self.rows)
        return lines


def _build(
    entry: Entry | None,
    site: int | None,
    number: int,
    rows: tuple[CardFormat, ...],
    others: Mapping[str, int] | None = None,
) -> _Answer:
    """Build every frame that carries these numbers, or say why none does."""
    reads, left_out = [], []
    for row in rows:
        problem = why_not(row, site, number, others)
        if problem is None:
            reads.append(decode_as(row, build_bits(row, site, number, others)))
        else:
            left_out.append(problem)
    if not reads:
        raise CommandError(f"no frame can be built: {'; '.join(left_out)}", Exit.USAGE)
    return _Answer(entry.taken if entry else "numbers to build frames from", tuple(reads), left_out=tuple(left_out))


def _printed(entry: Entry, data: int, rows: tuple[CardFormat, ...]) -> _Answer:
    reads, left_out = [], []
    for row in rows:
        problem = why_not_printed(row, data)
        try:
            if problem is None:
                reads.append(decode_as(row, build_printed(row, data)))
        except ValueError as error:
            problem = str(error)
        if problem is not None:
            left_out.append(problem)
    if not reads:
        raise CommandError(f"{data} does not fit: {'; '.join(left_out)}", Exit.USAGE)
    return _Answer(entry.taken, tuple(reads), notes=entry.notes, left_out=tuple(left_out))


def _answer(entry: Entry, rows: tuple[CardFormat, ...], named: bool, printed: Entry | None = None) -> _Answer:
    """Say what a value is. `rows` are the formats wanted, `named` whether the user chose them."""
    if entry.bits is None:
        if printed is not None:
            raise CommandError("--printed compares with bits: give them as bits or as hex with a length", Exit.USAGE)
        if entry.pair is not None:
            return _build(entry, entry.pair[0], entry.pair[1], rows)
        assert entry.data is not None
        return _printed(entry, entry.data, rows)
    bits = entry.bits
    reads = tuple(decode_in(rows, bits))
    if named and not reads:
        raise CommandError(
            f"{bits.length} bits were given, and {rows[0].name} has {rows[0].length}: leave --format away to see why",
            Exit.USAGE,
        )
    agreements = compare(bits, printed, rows) if printed is not None else None
    return _Answer(
        entry.taken, reads, bits, hints=hints_for(bits, rows), notes=entry.notes, rows=rows, agreements=agreements
    )


def _batch(lines: Iterable[str], answer_of: Callable[[str], _Answer], as_json: bool, strict: bool) -> int:
    """One value a line: one line, or one JSON object, each. Returns the exit code."""
    code = Exit.DONE
    for number, line in enumerate(lines, 1):
        typed = line.strip()
        if not typed or typed.startswith("#"):
            continue
        try:
            answer = answer_of(typed)
        except (EntryError, CommandError) as error:
            message = error.message if isinstance(error, CommandError) else str(error)
            code = Exit.USAGE
            if as_json:
                click.echo(json.dumps({"reads": [], "line": number, "value": typed, "error": message}))
            click.echo(f"benchtool: line {number}: {message}", err=True)
            continue
        if strict and not answer.sound and code is Exit.DONE:
            code = Exit.FAULT
        if as_json:
            click.echo(json.dumps({**answer.values(), "line": number, "value": typed}))
        else:
            click.echo(card_text.batch_line(typed, answer.reads, answer.hints))
    return int(code)


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

    def ask(prompt: str) -> str:
        if sys.stdin.isatty():
            answer: str = click.prompt(prompt, default="", show_default=False, prompt_suffix="")
            return answer
        line = sys.stdin.readline()
        if not line:
            raise EOFError
        # Nobody typed it, so that the page shows question and answer only if we write it.
        click.echo(prompt + "".join(letter for letter in line if letter.isprintable()))
        return line

    if not card_exercise.run(kind, seed, count, rows, _glyphs(ascii_only), ask) and strict:
        sys.exit(int(Exit.FAULT))


@click.command("card", context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("value", nargs=-1)
@click.option("--length", type=click.IntRange(1), metavar="BITS", help="VALUE is hex of this many bits.")
@click.option("--left-aligned", is_flag=True, help="Hex octets hold the first bit first, padding last (OSDP RAW).")
@click.option("--printed", metavar="NUMBER", help="The decimal printed on the card; beside bits: does it agree?")
@click.option("--as", "kind", type=click.Choice([kind.value for kind in Kind]), help="Take VALUE as this.")
@click.option("--site", type=int, metavar="CODE", help="Build frames: site code.")
@click.option("--number", type=int, metavar="NUMBER", help="Build frames: card number.")
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
        if value or site is not None or number is not None or printed is not None:
            raise CommandError("--exercise makes its own cards: give no value beside it", Exit.USAGE)
        _exercise(exercise, seed, count or 5, rows if format_name else users or FORMATS, as_json, ascii_only, strict)
        return
    if seed is not None or count is not None:
        raise CommandError("--seed and --count belong to --exercise", Exit.USAGE)
    chosen = Kind(kind) if kind else None

    try:
        expected = parse_entry(printed, kind=Kind.DECIMAL, rows=known) if printed is not None else None
    except EntryError as error:
        raise CommandError(f"--printed: {error}", Exit.USAGE) from None

    def answer_of(typed: str) -> _Answer:
        entry = parse_entry(typed, length=length, kind=chosen, left_aligned=left_aligned, rows=known)
        return _answer(entry, rows, format_name is not None, expected)

    if value == ("-",):
        if isinstance(sys.stdin, io.TextIOWrapper):
            sys.stdin.reconfigure(errors="replace")
        sys.exit(_batch(sys.stdin, answer_of, as_json, strict))
    try:
        if site is not None or number is not None:
            if value or printed is not None:
                raise CommandError("give a value to explain, or --site and --number to build, not both", Exit.USAGE)
            if number is None:
                raise CommandError("a frame needs a card number: add --number", Exit.USAGE)
            answer = _build(None, site, number, rows, others)
        elif value:
            answer = answer_of(" ".join(value))
        elif expected is not None:
            answer = _answer(expected, rows, format_name is not None)
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
