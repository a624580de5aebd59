"""What is said about one card: readings, hints, whether the printed number agrees; as text and as JSON."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import click

from benchtool.commands.errors import CommandError, Exit
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.build import build_bits, build_printed, why_not, why_not_printed
from benchtool.frames.card.compare import Agreement, compare
from benchtool.frames.card.decode import CardReading, decode_as, decode_in
from benchtool.frames.card.entry import Entry, EntryError
from benchtool.frames.card.formats import FORMATS, CardFormat
from benchtool.frames.card.hints import Hint, hints_for
from benchtool.frames.card.plain import agreement_values, hint_values, read_values
from benchtool.frames.meaning import Value
from benchtool.reports import card_draw, card_lesson, card_text


@dataclass(frozen=True, slots=True)
class Answer:
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
        """Whether a reading as given is right in all, and agrees with the printed number where one was given."""
        agreed = self.agreements is None or any(a.changed == "as given" for a in self.agreements)
        return agreed and any(read.ok for read in self.reads)

    def values(self) -> dict[str, Value]:
        """For `--json`; the keys are in docs/card-formats.md."""
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
        """Lines of text; with `explain` the lesson in the place of the drawing."""
        lines = card_text.taken_text(self.taken, self.notes)
        if explain and self.reads:
            lines += card_text.headlines(self.reads)
            lines += ["", *card_lesson.lesson_text(self.reads, glyphs)]
            if self.agreements is not None:
                lines += ["", *card_text.agreement_text(self.agreements)]
            for hint in self.hints:
                lines += ["", *card_text.hint_text(hint)]
        elif self.bits is None:
            lines += card_text.built_text(self.reads, self.left_out, glyphs)
        else:
            lines += card_text.reading_text(self.bits, self.reads, self.hints, glyphs, self.agreements, self.rows)
        return lines


def build_answer(
    entry: Entry | None,
    site: int | None,
    number: int,
    rows: tuple[CardFormat, ...],
    others: Mapping[str, int] | None = None,
) -> Answer:
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
    return Answer(entry.taken if entry else "numbers to build frames from", tuple(reads), left_out=tuple(left_out))


def _printed(entry: Entry, data: int, rows: tuple[CardFormat, ...]) -> Answer:
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
        raise CommandError(f"the number does not fit: {'; '.join(left_out)}", Exit.USAGE)
    return Answer(entry.taken, tuple(reads), notes=entry.notes, left_out=tuple(left_out))


def answer_for(
    entry: Entry,
    rows: tuple[CardFormat, ...],
    named: bool,
    printed: Entry | None = None,
    others: Mapping[str, int] | None = None,
) -> Answer:
    """Say what a value is. `rows` are the formats wanted, `named` whether the user chose them.

    `others` are further fields by name, for frames built from site code and card number.
    """
    if others and entry.pair is None:
        raise CommandError(
            "--field builds frames, beside --site and --number or SITE,NUMBER: a value that is explained has its fields"
            " already",
            Exit.USAGE,
        )
    if entry.bits is None:
        if printed is not None:
            raise CommandError("--printed compares with bits: give them as bits or as hex with a length", Exit.USAGE)
        if entry.pair is not None:
            return build_answer(entry, entry.pair[0], entry.pair[1], rows, others)
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
    return Answer(
        entry.taken, reads, bits, hints=hints_for(bits, rows), notes=entry.notes, rows=rows, agreements=agreements
    )


def answer_lines(lines: Iterable[str], answer_of: Callable[[str], Answer], as_json: bool, strict: bool) -> int:
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
