"""Exercises on card frames: a question drawn at random, the check of an answer, and why the right answer is right.

Everything is drawn from the `random.Random` passed in, so that a seed gives the same exercises again.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import Enum

from benchtool.frames.card import exercise_answers as answers
from benchtool.frames.card.build import build_values
from benchtool.frames.card.decode import CardReading, decode_as, decode_in
from benchtool.frames.card.format_rules import owners
from benchtool.frames.card.formats import CardField, CardFormat
from benchtool.frames.card.lesson import flipped, left_by_open_line
from benchtool.frames.card.places import places_text


class Kind(Enum):
    """What an exercise asks; the value is what `--exercise` takes."""

    DECODE = "decode"
    BUILD = "build"
    PARITY = "parity"
    FLIPPED = "flipped"
    OPEN = "open"
    SWAPPED = "swapped"
    FORMAT = "format"


ASKS: dict[Kind, str] = {
    Kind.DECODE: "read the numbers out of a frame",
    Kind.BUILD: "write the frame for given numbers",
    Kind.PARITY: "work out the parity bits",
    Kind.FLIPPED: "find the one bit that arrived wrong",
    Kind.OPEN: "which of D0 and D1 is open",
    Kind.SWAPPED: "swapped lines, bit order reversed, or nothing wrong",
    Kind.FORMAT: "which format carries the numbers on the card",
}
"""What each kind asks, in words."""


@dataclass(frozen=True, slots=True)
class Exercise:
    """A question with its answer."""

    kind: Kind
    question: tuple[str, ...]
    """Sentences and, after a tab, lines to be shown as they are."""
    wanted: str
    """What an answer looks like."""
    answer: str
    """The right answer."""
    why: str
    """Why it is right."""
    read: CardReading
    """The frame that the question is about, whole and right."""
    understand: Callable[[str], object | None]
    """An answer in one form whichever way it was written; None where it is no answer to this question."""
    marked: tuple[int, ...] = ()
    """Places to point at when it is explained."""

    def judge(self, given: str) -> bool | None:
        """Whether an answer is right; None where it cannot be understood."""
        understood = self.understand(given.strip())
        return None if understood is None else understood == self.understand(self.answer)


def spaced(text: str) -> str:
    """Bits in groups of four from the first."""
    return " ".join(text[start : start + 4] for start in range(0, len(text), 4))


def _word(field: CardField) -> str:
    return field.name.replace("_", " ")


def numbers_in_words(read: CardReading) -> str:
    """A frame's numbers: "site code 101, card number 4095"."""
    return ", ".join(f"{_word(field)} {number}" for field, number in read.values)


def _frame(chance: random.Random, row: CardFormat) -> CardReading:
    values = {}
    for field in row.fields:
        # Small numbers as often as large ones: cards are numbered from the bottom.
        top = field.highest if chance.random() < 0.5 else min(field.highest, field.lowest + 999)
        values[field.name] = chance.randint(min(field.lowest + 1, top), top)
    return decode_as(row, build_values(row, values))


def _decode(chance: random.Random, row: CardFormat, rows: Sequence[CardFormat]) -> Exercise:
    read = _frame(chance, row)
    names = " and ".join(_word(field) for field in row.fields)
    where = "; ".join(f"{_word(field)} {number}" for field, number in read.values)
    return Exercise(
        Kind.DECODE,
        (f"A {row.name} reader sent these bits. What is the {names}?", "\t" + spaced(read.bits.text)),
        " ".join(f"<{_word(field)}>" for field in row.fields),
        " ".join(str(number) for _, number in read.values),
        f"The fields lie as drawn: {where}.",
        read,
        answers.numbers(*(field.name for field in row.fields)),
    )


def _build(chance: random.Random, row: CardFormat, rows: Sequence[CardFormat]) -> Exercise:
    read = _frame(chance, row)
    owned = {place for _, places in owners(row) for place in places}
    spare = [place for place in range(1, row.length + 1) if place not in owned]
    zeros = f" (What belongs to nothing, at {places_text(spare)}, is 0.)" if spare else ""
    return Exercise(
        Kind.BUILD,
        (f"Which {row.length} bits does a {row.name} reader send for {numbers_in_words(read)}?{zeros}",),
        f"{row.length} bits, blanks as you like, or hex",
        spaced(read.bits.text),
        "Write each number into its bits, then fill in every parity bit so that its group comes out right.",
        read,
        answers.bits_of(row.length),
    )


def _parity(chance: random.Random, row: CardFormat, rows: Sequence[CardFormat]) -> Exercise:
    read = _frame(chance, row)
    bits = sorted(group.bit for group in row.parity)
    text = "".join("?" if place in bits else letter for place, letter in enumerate(read.bits.text, 1))
    counts = "; ".join(
        f"bit {check.group.bit}: {check.ones - read.bits.bit(check.group.bit)} ones covered, and"
        f" {check.group.sense.value} is wanted, so {read.bits.bit(check.group.bit)}"
        for check in read.parity
    )
    where = " and ".join(f"bit {bit}" for bit in bits)
    return Exercise(
        Kind.PARITY,
        (f"A frame of the format {row.name}. What are the parity bits, {where}?", "\t" + spaced(text)),
        " ".join("<0 or 1>" for _ in bits),
        " ".join(str(read.bits.bit(bit)) for bit in bits),
        f"{counts}.",
        read,
        answers.parity_bits(*bits),
    )


def _flipped(chance: random.Random, row: CardFormat, rows: Sequence[CardFormat]) -> Exercise:
    read = _frame(chance, row)
    known = {place for field in row.fields for place in field.places} | {group.bit for group in row.parity}
    place = chance.choice(sorted(known))
    came = decode_as(row, flipped(read.bits, place))
    failing = [str(check.group.bit) for check in came.parity if not check.ok]
    seen = f"The parity of bit {' and '.join(failing)} fails" if failing else "No parity sees it"
    return Exercise(
        Kind.FLIPPED,
        (
            f"The card holds {numbers_in_words(read)} in the format {row.name}. One bit arrived wrong. Which?",
            "\t" + spaced(came.bits.text),
        ),
        f"<a bit, 1 to {row.length}>",
        str(place),
        f"{seen}. It came as {numbers_in_words(came)}: compared with the right frame, only bit {place} differs.",
        read,
        answers.numbers("bit"),
        (place,),
    )


def _open(chance: random.Random, row: CardFormat, rows: Sequence[CardFormat]) -> Exercise:
    read = _frame(chance, row)
    line = chance.randrange(2)
    left = left_by_open_line(read.bits, line)
    ones = read.bits.value.bit_count()
    return Exercise(
        Kind.OPEN,
        (
            f"A {row.name} card that holds {numbers_in_words(read)} gave these bits and no more. Which data line is"
            " open?",
            "\t" + (spaced(left.text) or "(nothing)"),
        ),
        "D0 or D1",
        f"D{line}",
        f"The whole frame has {row.length - ones} zeros, pulses on D0, and {ones} ones, pulses on D1."
        f" {left.length} bits arrived, all {1 - line}: so nothing came on D{line}.",
        read,
        answers.open_line,
    )


_TRIES = 50
"""How often a frame is drawn anew where a question would have two right answers."""


def _swapped(chance: random.Random, row: CardFormat, rows: Sequence[CardFormat]) -> Exercise:
    for _ in range(_TRIES):
        read = _frame(chance, row)
        ways = {"nothing": read.bits, "swapped": read.bits.inverted(), "reversed": read.bits.reversed()}
        if len(set(ways.values())) == 3:
            break
    answer = chance.choice(sorted(ways))
    # A frame that is its own mirror image: then both answers are right.
    means = {name: next(other for other in ways if ways[other] == ways[name]) for name in ways}
    came = decode_as(row, ways[answer])
    failing = " and ".join(f"bit {check.group.bit}" for check in came.parity if not check.ok)
    why = {
        "swapped": "every bit is the other way round, so D0 and D1 are swapped",
        "reversed": "the same bits stand in the opposite order",
        "nothing": "the bits are the same",
    }[answer]
    seen = f"The parity of {failing} fails" if failing else "Every parity passes"
    return Exercise(
        Kind.SWAPPED,
        (
            f"A {row.name} card holds {numbers_in_words(read)}. It arrived as these bits. Are D0 and D1 swapped, is the"
            " bit order reversed, or is nothing wrong?",
            "\t" + spaced(came.bits.text),
        ),
        "swapped, reversed or nothing",
        answer,
        f"{seen}, and beside the right frame {why}.",
        read,
        answers.changed(means),
    )


def _says_too(read: CardReading, other: CardReading) -> bool:
    """Whether another format gives all that the card says: each number by its name, or all of them in their order."""
    said = {field.name: number for field, number in read.values}
    found = {field.name: number for field, number in other.values}
    return other.ok and (said.items() <= found.items() or list(said.values()) == list(found.values()))


def _format(chance: random.Random, row: CardFormat, rows: Sequence[CardFormat]) -> Exercise:
    for _ in range(_TRIES):
        read = _frame(chance, row)
        reads = decode_in(rows, read.bits)
        same = [other for other in reads if _says_too(read, other)]
        if len(same) == 1:
            break
    too = [other.format.name for other in same if other.format != row]
    both = f" Right as well, since the card says no more: {', '.join(too)}." if too else ""
    others = "; ".join(
        f"{other.format.name} gives {numbers_in_words(other)}{'' if other.ok else ', and fails'}"
        for other in reads
        if other.format != row
    )
    others = others or "No other has this length"
    return Exercise(
        Kind.FORMAT,
        (
            f"The card says {numbers_in_words(read)}, and its reader sent these bits. Which format is it, of"
            f" {', '.join(one.name for one in rows)}?",
            "\t" + spaced(read.bits.text),
        ),
        "<a format's whole name>",
        row.name,
        f"{row.length} bits, and {row.name} gives {numbers_in_words(read)}. {others}.{both}",
        read,
        answers.name_among(rows, {other.format.name for other in same}),
    )


_MAKERS: dict[Kind, Callable[[random.Random, CardFormat, Sequence[CardFormat]], Exercise]] = {
    Kind.DECODE: _decode,
    Kind.BUILD: _build,
    Kind.PARITY: _parity,
    Kind.FLIPPED: _flipped,
    Kind.OPEN: _open,
    Kind.SWAPPED: _swapped,
    Kind.FORMAT: _format,
}


def make_exercise(kind: Kind | None, chance: random.Random, rows: Sequence[CardFormat]) -> Exercise:
    """An exercise of a kind, None for any, in one of `rows`; the first of them is drawn as often as all others."""
    row = rows[0] if chance.random() < 0.5 else chance.choice(rows)
    fit = [one for one in Kind if row.parity or one is not Kind.PARITY]
    if kind is None or kind not in fit:
        kind = chance.choice(fit)
    return _MAKERS[kind](chance, row, rows)
