"""Card readings as text: the answer first, then the bits with fields and parity groups drawn under them, then hints.

Fits 80 columns for every format; says PASS and FAIL in words, never by colour; draws in plain ASCII where asked.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby

from benchtool.frames.card.bits import Bits
from benchtool.frames.card.compare import Agreement
from benchtool.frames.card.decode import CardReading
from benchtool.frames.card.formats import FORMATS, SEEN, CardFormat
from benchtool.frames.card.hints import CHANGE_MEANS, Hint, places

WIDTH = 79
_LABEL = 14


@dataclass(frozen=True, slots=True)
class Glyphs:
    """What lines are drawn with."""

    field: str
    group: str


UNICODE = Glyphs("─", "━")
ASCII = Glyphs("-", "=")


def _wrapped(text: str, indent: str = "  ") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False)


def verdict(read: CardReading) -> str:
    """PASS, or FAIL with the parity bits that fail."""
    if read.parity_ok:
        return "PASS"
    failing = [str(check.group.bit) for check in read.parity if not check.ok]
    return f"FAIL ({'bit' if len(failing) == 1 else 'bits'} {', '.join(failing)})"


def _numbers(read: CardReading) -> str:
    site = "" if read.site_code is None else f"site code {read.site_code}"
    return f"{read.format.name:<13} {site:<15} card number {read.card_number:<11}"


def headline(read: CardReading) -> str:
    """One line: format, site code, card number, verdict."""
    return f"{_numbers(read)} parity {verdict(read)}"


def _columns(bits: Bits, row: CardFormat) -> list[int]:
    """The text column of each bit, from 0: data in groups of four, parity bits apart."""
    columns, column, run = [], 0, 0
    parity = {group.bit for group in row.parity}
    for place in range(1, bits.length + 1):
        if place in parity or place - 1 in parity or run == 4:
            column += 1 if place > 1 else 0
            run = 0
        columns.append(column)
        column += 1
        run += 1
    return columns


def _line(label: str, drawn: str, after: str = "") -> str:
    return f"{label:<{_LABEL}}{drawn}{after}".rstrip()


def draw(reads: Sequence[CardReading], glyphs: Glyphs = UNICODE) -> list[str]:
    """The bits of readings that share them, with each reading's fields and the parity groups under them."""
    bits, row = reads[0].bits, reads[0].format
    columns = _columns(bits, row)
    width = columns[-1] + 1

    def spread(characters: Iterable[str]) -> str:
        line = [" "] * width
        for column, character in zip(columns, characters, strict=True):
            line[column] = character
        return "".join(line)

    numbers = range(1, bits.length + 1)
    lines = [
        _line("bit", spread(str(n // 10) if n >= 10 else " " for n in numbers)),
        _line("", spread(str(n % 10) for n in numbers)),
        _line("", spread(bits.text), "  hex " + bits.hex),
    ]
    for read in reads:
        drawn = [" "] * width
        for field in read.format.fields:
            left, right = columns[field.first - 1], columns[field.last - 1]
            short, value = ("site", read.site_code) if field.name == "site_code" else ("number", read.card_number)
            text = f"{short} {value}"
            if len(text) + 2 <= right - left + 1:
                text = f" {text} "
            drawn[left : right + 1] = f"{text:{glyphs.field}^{right - left + 1}}"
        lines.append(_line(read.format.name, "".join(drawn)))
    for check in reads[0].parity:
        members = check.group.members
        drawn = [" "] * width
        left, right = columns[members[0] - 1], columns[members[-1] - 1]
        covered = {columns[place - 1] for place in check.group.covers}
        unbroken = members == tuple(range(members[0], members[-1] + 1))
        drawn[left : right + 1] = [
            glyphs.group if unbroken or column in covered else " " for column in range(left, right + 1)
        ]
        drawn[columns[check.group.bit - 1]] = "P"
        label = f"bit {check.group.bit} {check.group.sense.value}"
        lines.append(_line(label, "".join(drawn), f"  {check.ones:>2} ones {'PASS' if check.ok else 'FAIL'}"))
    return lines


def legend(glyphs: Glyphs = UNICODE) -> str:
    """What the drawing's signs mean."""
    return f"P is a parity bit, {glyphs.group * 3} the bits it covers; P itself is counted among the ones."


def failures(read: CardReading) -> list[str]:
    """A sentence on each parity group that fails."""
    lines = []
    for check in read.parity:
        if not check.ok:
            sense = check.group.sense.value
            lines += _wrapped(
                f"Parity bit {check.group.bit} FAILS: bits {places(check.group.members)} must hold an {sense} number of"
                f" ones and hold {check.ones}.",
                "",
            )
    return lines


def taken_text(taken: str, notes: Iterable[str]) -> list[str]:
    """How the value was taken, and what else it could be; ends with an empty line."""
    lines = _wrapped(f"Taken as {taken}.", "")
    for note in notes:
        lines += _wrapped(f"({note})", "")
    return [*lines, ""]


def _plain_bits(bits: Bits) -> list[str]:
    fours = [bits.text[start : start + 4] for start in range(0, bits.length, 4)]
    return [
        _line("bits" if start == 0 else f"bit {4 * start + 1}", " ".join(fours[start : start + 12]))
        for start in range(0, len(fours), 12)
    ]


def _one_number(read: CardReading) -> list[str]:
    """How 26-bit data looks when it is written as one number, as on many cards and panels."""
    if read.format.length != 26:
        return []
    return _wrapped(
        f"Written as one number: {read.data}; on a card {read.data:010d}"
        f" or {read.site_code:03d},{read.card_number:05d}.",
        "",
    )


def hint_text(hint: Hint) -> list[str]:
    """A hint: its name, what it means, its readings, its proof."""
    lines = _wrapped(f"{hint.what.upper()}: {hint.means}", "")
    lines += [f"  {headline(read)}" for read in hint.reads]
    if hint.reads and hint.proof:
        lines.append(f"  bits {hint.reads[0].bits.text}  hex {hint.reads[0].bits.hex}")
    if hint.proof:
        lines += _wrapped(f"Proof: {hint.proof}")
    return lines


def reading_text(
    bits: Bits,
    reads: Sequence[CardReading],
    hints: Sequence[Hint],
    glyphs: Glyphs = UNICODE,
    agreements: Sequence[Agreement] | None = None,
) -> list[str]:
    """Bits as they came: the answer, the drawing, what fails, whether the printed number agrees, the hints.

    A printed number that agrees chooses between the hints: those that it speaks against are left out.
    """
    if not reads:
        known = ", ".join(sorted({str(row.length) for row in FORMATS}))
        lines = [f"{bits.length} bits: no format has this length (known: {known}).", "", *_plain_bits(bits)]
    else:
        lines = [headline(read) for read in reads]
        lines += ["", *draw(reads, glyphs), legend(glyphs), ""]
        lines += failures(reads[0])
        lines += _one_number(reads[0])
        lines.append(f"As octets, first bit first: {bits.octets.hex(' ').upper()}")
    agreed = {agreement.changed for agreement in agreements or () if agreement.read.parity_ok}
    if agreements is not None:
        lines += ["", *agreement_text(agreements)]
    for hint in hints:
        if not agreed or hint.what in agreed:
            lines += ["", *hint_text(hint)]
    return lines


def built_text(reads: Sequence[CardReading], left_out: Sequence[str], glyphs: Glyphs = UNICODE) -> list[str]:
    """Frames built from numbers: a table of them, each drawn, and why formats are missing."""
    lines = [f"{_numbers(read)} hex {read.bits.hex}" for read in reads]
    lines += [f"left out: {reason}" for reason in left_out]
    for _, same in groupby(reads, key=lambda read: read.bits):
        shared = list(same)
        lines += ["", *draw(shared, glyphs)]
        lines.append(_line("one string", shared[0].bits.text))
        lines.append(_line("octets", shared[0].bits.octets.hex(" ").upper()))
        lines += _one_number(shared[0])
    return [*lines, "", legend(glyphs)]


def agreement_text(agreements: Sequence[Agreement]) -> list[str]:
    """Whether the printed number agrees with the bits."""
    if not agreements:
        return _wrapped(
            "PRINTED NUMBER: agrees with no reading of these bits, as given, inverted or reversed. Another card,"
            " damaged bits, or a number that is not in the frame (some cards carry a serial number that readers never"
            " send).",
            "",
        )
    lines = []
    meanings = {change.value: meaning for change, meaning in CHANGE_MEANS.items()}
    for agreement in agreements:
        read = agreement.read
        lines += _wrapped(
            f"PRINTED NUMBER: agrees with {read.format.name} {agreement.changed}, as {agreement.how}"
            f" (parity {verdict(read)}).",
            "",
        )
        if agreement.changed in meanings:
            lines += _wrapped(f"So {meanings[agreement.changed]}")
    return lines


def batch_line(typed: str, reads: Sequence[CardReading], hints: Sequence[Hint]) -> str:
    """One line for one value of many."""
    parts = []
    for read in reads:
        site = "" if read.site_code is None else f"site {read.site_code} "
        parts.append(f"{read.format.name}: {site}number {read.card_number} {verdict(read)}")
    if not reads:
        parts.append("no format fits")
    parts += [f"hint: {hint.what}" for hint in hints]
    return f"{' '.join(typed.split())}  {'; '.join(parts)}"


def formats_text() -> list[str]:
    """The table of formats."""
    lines = []
    for title, rows in (("Formats", FORMATS), ("Seen in one place only: offered as a hint", SEEN)):
        lines.append(f"{title}:")
        for row in rows:
            site = f"site {row.site.first}-{row.site.last}, " if row.site else ""
            groups = ", ".join(
                f"bit {group.bit} {group.sense.value} over {places(group.covers)}" for group in row.parity
            )
            lines.append(f"  {row.name:<13} {site}number {row.number.first}-{row.number.last}")
            values = f"site code 0 to {row.site.largest}, " if row.site else ""
            lines.append(f"  {'':<13} {groups}")
            lines.append(f"  {'':<13} {values}card number 0 to {row.number.largest}")
            lines += textwrap.wrap(f"source: {row.source}", WIDTH, initial_indent=" " * 16, subsequent_indent=" " * 16)
    return lines
