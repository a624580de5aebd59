"""A frame drawn: its bits with fields and parity groups under them.

Fits 80 columns: a frame too long for one strip is cut into several. Draws in plain ASCII where asked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from benchtool.frames.card.bits import Bits
from benchtool.frames.card.decode import CardReading, FieldValue
from benchtool.frames.card.formats import CardFormat
from benchtool.reports.folded import columns, wrap

WIDTH = 79
LABEL = 14
_MOST = WIDTH - LABEL - len("  100 ones FAIL")
"""Columns that fit between the labels and the counts."""


_LEAST = 12


@dataclass(frozen=True, slots=True)
class Glyphs:
    """What lines are drawn with."""

    field: str
    group: str


UNICODE = Glyphs("─", "━")
ASCII = Glyphs("-", "=")


def wrapped(text: str, indent: str = "  ") -> list[str]:
    """A note below a frame, as wide as the terminal, `WIDTH` at most."""
    return wrap(text, indent)


def line(label: str, drawn: str, after: str = "") -> str:
    """One line: a label, what is drawn, what is said of it."""
    label = label if len(label) < LABEL else f"{label[: LABEL - 2]}."
    return f"{label:<{LABEL}}{drawn}{after}".rstrip()


class _Strip:
    """Some of a frame's places, each with its column: data in groups of four, parity bits apart."""

    def __init__(self, places: range, row: CardFormat) -> None:
        parity = {group.bit for group in row.parity}
        self.columns: dict[int, int] = {}
        column = run = 0
        for place in places:
            if place in parity or place - 1 in parity or run == 4:
                column += 1 if place > places.start else 0
                run = 0
            self.columns[place] = column
            column += 1
            run += 1
        self.width = column

    def draw(self, characters: dict[int, str]) -> str:
        """A line with a character at each place that has one."""
        drawn = [" "] * self.width
        for place, column in self.columns.items():
            drawn[column] = characters.get(place, " ")
        return "".join(drawn)

    def bars(self, places: Sequence[int], sign: str) -> list[str]:
        """A line with bars under places, unbroken across the gap between neighbours."""
        drawn = [" "] * self.width
        here = [self.columns[place] for place in sorted(places) if place in self.columns]
        for column in here:
            drawn[column] = sign
        held = set(places)
        for left, right in pairwise(self.columns):
            if left in held and right in held:
                for column in range(self.columns[left], self.columns[right]):
                    drawn[column] = sign
        return drawn


def strips(row: CardFormat) -> list[_Strip]:
    """The frame in one strip where it fits, else in as few as do, cut after whole groups of eight."""
    made: list[_Strip] = []
    # In a narrow terminal the counts are left out before a frame is cut.
    most = max(_LEAST, min(_MOST, columns() - LABEL - len("  FAIL")))
    first = 1
    while first <= row.length:
        strip = _Strip(range(first, row.length + 1), row)
        if strip.width > most:
            fit = max(place for place, column in strip.columns.items() if column < most)
            strip = _Strip(range(first, max(first + 1, fit - fit % 8 + 1)), row)
        made.append(strip)
        first = max(strip.columns) + 1
    return made


def short_name(value: FieldValue) -> str:
    """A field with its number, as short as it goes."""
    name = {"site_code": "site", "card_number": "number"}.get(value.field.name, value.field.name)
    return f"{name} {'?' if value.number is None else value.number}"


def _in_one_line(row: CardFormat) -> bool:
    """Whether every field is one stretch of bits, so that they fit side by side under the frame."""
    together = all(field.places == tuple(range(field.first, field.last + 1)) for field in row.fields)
    return together and len(strips(row)) == 1


def _field_lines(read: CardReading, strip: _Strip, glyphs: Glyphs) -> list[str]:
    if _in_one_line(read.format):
        drawn = [" "] * strip.width
        spelled = []
        for value in read.values:
            left, right = strip.columns[value.field.first], strip.columns[value.field.last]
            text = short_name(value)
            if len(text) > right - left + 1:
                spelled.append(text)
                text = ""
            elif len(text) + 2 <= right - left + 1:
                text = f" {text} "
            drawn[left : right + 1] = f"{text:{glyphs.field}^{right - left + 1}}"
        after = "".join(f"  {text}" for text in spelled)
        return [line(read.format.name, "".join(drawn), after if len(after) + strip.width + LABEL <= columns() else "")]
    return [
        line(value.field.name, "".join(strip.bars(value.field.places, glyphs.field)))
        for value in read.values
        if any(place in strip.columns for place in value.field.places)
    ]


def _other_lines(read: CardReading, strip: _Strip, glyphs: Glyphs) -> list[str]:
    judged = [("constant", one.constant.places, one.ok) for one in read.constants]
    judged += [(one.check.name, one.check.places, one.ok) for one in read.checks]
    return [
        line(name, "".join(strip.bars(places, glyphs.field)), f"  {'PASS' if ok else 'FAIL'}")
        for name, places, ok in judged
        if any(place in strip.columns for place in places)
    ]


def _parity_lines(read: CardReading, strip: _Strip, glyphs: Glyphs) -> list[str]:
    lines = []
    for check in read.parity:
        group = check.group
        if not any(place in strip.columns for place in group.members):
            continue
        drawn = strip.bars(group.members, glyphs.group)
        if group.bit in strip.columns:
            drawn[strip.columns[group.bit]] = "P"
        verdict = "PASS" if check.ok else "FAIL"
        after = f"  {check.ones:>2} ones {verdict}"
        if LABEL + strip.width + len(after) > columns():
            after = f"  {verdict}"
        ends = group.members[-1] in strip.columns
        lines.append(line(f"bit {group.bit} {group.sense.value}", "".join(drawn), after if ends else ""))
    return lines


def draw(reads: Sequence[CardReading], glyphs: Glyphs = UNICODE, marked: Sequence[int] = ()) -> list[str]:
    """The bits of readings that share them and their parity, with fields, constants, checks and groups under them.

    A `^` stands under each place in `marked`.
    """
    bits, row = reads[0].bits, reads[0].format
    lines = []
    for number, strip in enumerate(strips(row)):
        places = strip.columns
        if number:
            lines.append("")
        hundreds = {n: str(n // 100) for n in places if n >= 100}
        if hundreds:
            lines.append(line("", strip.draw(hundreds)))
        lines += [
            line("bit", strip.draw({n: str(n // 10 % 10) for n in places if n >= 10})),
            line("", strip.draw({n: str(n % 10) for n in places})),
            line("", strip.draw({n: str(bits.bit(n)) for n in places}), _hex(bits, strip) if not number else ""),
        ]
        if any(place in places for place in marked):
            lines.append(line("", strip.draw(dict.fromkeys(marked, "^"))))
        for read in reads:
            lines += _field_lines(read, strip, glyphs) + _other_lines(read, strip, glyphs)
        lines += _parity_lines(reads[0], strip, glyphs)
    return lines


def _hex(bits: Bits, strip: _Strip) -> str:
    text = f"  hex {bits.hex}"
    return text if LABEL + strip.width + len(text) <= columns() else ""


def legend(glyphs: Glyphs = UNICODE) -> str:
    """What the drawing's signs mean."""
    return f"P is a parity bit, {glyphs.group * 3} the bits it covers; P itself is counted among the ones."
