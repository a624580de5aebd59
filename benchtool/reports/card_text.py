"""Card readings as text: the answer first, then the bits with fields and parity groups drawn under them, then hints.

Fits 80 columns for every format; says PASS and FAIL in words, never by colour; draws in plain ASCII where asked.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby

from benchtool.frames.card.bits import Bits
from benchtool.frames.card.compare import Agreement
from benchtool.frames.card.decode import CardReading
from benchtool.frames.card.formats import FORMATS, SEEN, CardField, CardFormat, Writing
from benchtool.frames.card.hints import CHANGE_MEANS, Hint
from benchtool.frames.card.places import places_text as places
from benchtool.reports.card_draw import UNICODE, WIDTH, Glyphs, draw, legend, line, wrapped


def verdict(read: CardReading) -> str:
    """PASS, or FAIL with the parity bits that fail and what else is not as the format demands."""
    if read.ok:
        return "PASS"
    failing = [str(check.group.bit) for check in read.parity if not check.ok]
    parts = [f"{'bit' if len(failing) == 1 else 'bits'} {', '.join(failing)}"] if failing else []
    if not all(check.ok for check in read.constants):
        parts.append("constant")
    parts += [check.check.name for check in read.checks if not check.ok]
    parts += [f"{value.field.name} no digits" for value in read.values if value.number is None]
    return f"FAIL ({', '.join(parts)})"


def _numbers(read: CardReading) -> str:
    site = "" if read.site_code is None else f"site code {read.site_code}"
    number = "?" if read.card_number is None else read.card_number
    others = "".join(
        f" {value.field.name} {'?' if value.number is None else value.number}"
        for value in read.values
        if value.field not in (read.format.site, read.format.number)
    )
    return f"{read.format.name:<13} {site:<15} card number {number:<11}{others}"


def headline(read: CardReading) -> str:
    """One line: format, site code, card number, verdict."""
    plain = not (read.format.constants or read.format.checks)
    return f"{_numbers(read)} {'parity' if plain and read.format.parity else 'checks'} {verdict(read)}"


def headlines(reads: Iterable[CardReading]) -> list[str]:
    """The headline of each, over several lines where names are long."""
    return _fitted(headline(read) for read in reads)


def _fitted(lines: Iterable[str]) -> list[str]:
    fitted: list[str] = []
    for text in lines:
        fitted += [text] if len(text) <= WIDTH else [part.strip() for part in wrapped(text, "")]
    return fitted


def drawn(reads: Sequence[CardReading], glyphs: Glyphs = UNICODE) -> list[str]:
    """Readings of the same bits, those with the same parity in one drawing."""
    lines: list[str] = []
    for _, same in groupby(reads, key=lambda read: (read.bits, read.format.parity)):
        lines += [*([""] if lines else []), *draw(list(same), glyphs)]
    return lines


def failures(read: CardReading) -> list[str]:
    """A sentence on each parity group, constant and check value that fails."""
    lines = []
    for check in read.parity:
        if not check.ok:
            sense = check.group.sense.value
            lines += wrapped(
                f"Parity bit {check.group.bit} FAILS: bits {places(check.group.members)} must hold an {sense} number of"
                f" ones and hold {check.ones}.",
                "",
            )
    for constant, found, ok in read.constants:
        if not ok:
            size = len(constant.places)
            lines += wrapped(
                f"Constant FAILS: {'bit' if size == 1 else 'bits'} {places(constant.places)} must be"
                f" {constant.value:0{size}b} on every card of {read.format.name} and {'is' if size == 1 else 'are'}"
                f" {found:0{size}b} here.",
                "",
            )
    for digit in read.checks:
        if not digit.ok:
            wanted = "cannot be worked out" if digit.wanted is None else f"must be {digit.wanted}"
            lines += wrapped(
                f"{digit.check.name} FAILS: by {digit.check.method.value} it {wanted} and is {digit.found}.", ""
            )
    for field, number in read.values:
        if number is None:
            lines += wrapped(f"{field.name} FAILS: it is written in BCD, and a digit is above 9.", "")
    return lines


def taken_text(taken: str, notes: Iterable[str]) -> list[str]:
    """How the value was taken, and what else it could be; ends with an empty line."""
    lines = wrapped(f"Taken as {taken}.", "")
    for note in notes:
        lines += wrapped(f"({note})", "")
    return [*lines, ""]


def _plain_bits(bits: Bits) -> list[str]:
    fours = [bits.text[start : start + 4] for start in range(0, bits.length, 4)]
    return [
        line("bits" if start == 0 else f"bit {4 * start + 1}", " ".join(fours[start : start + 12]))
        for start in range(0, len(fours), 12)
    ]


def _one_string(bits: Bits) -> list[str]:
    pieces = [bits.text[start : start + 64] for start in range(0, bits.length, 64)]
    return [line("one string" if index == 0 else "", piece) for index, piece in enumerate(pieces)]


def _one_number(read: CardReading) -> list[str]:
    """How 26-bit data looks when it is written as one number, as on many cards and panels."""
    if read.format is not FORMATS[0]:
        return []
    return wrapped(
        f"Written as one number: {read.data}; on a card {read.data:010d}"
        f" or {read.site_code:03d},{read.card_number:05d}.",
        "",
    )


def hint_text(hint: Hint) -> list[str]:
    """A hint: its name, what it means, its readings, its proof."""
    lines = wrapped(f"{hint.what.upper()}: {hint.means}", "")
    lines += [f"  {headline(read)}" for read in hint.reads]
    if hint.reads and hint.proof:
        lines.append(f"  bits {hint.reads[0].bits.text}  hex {hint.reads[0].bits.hex}")
    if hint.proof:
        lines += wrapped(f"Proof: {hint.proof}")
    return lines


def reading_text(
    bits: Bits,
    reads: Sequence[CardReading],
    hints: Sequence[Hint],
    glyphs: Glyphs = UNICODE,
    agreements: Sequence[Agreement] | None = None,
    rows: Sequence[CardFormat] = FORMATS,
) -> list[str]:
    """Bits as they came: the answer, the drawing, what fails, whether the printed number agrees, the hints.

    A printed number that agrees chooses between the hints: those that it speaks against are left out.
    """
    if not reads:
        known = ", ".join(map(str, sorted({row.length for row in (*FORMATS, *rows)})))
        lines = [f"{bits.length} bits: no format has this length (known: {known}).", "", *_plain_bits(bits)]
    else:
        lines = headlines(reads)
        lines += ["", *drawn(reads, glyphs), legend(glyphs), ""]
        for index, (_, same) in enumerate(groupby(reads, key=lambda read: read.format.parity)):
            failing = list(dict.fromkeys(said for read in same for said in failures(read)))
            lines += [f"{reads[index].format.name}:", *failing] if failing and len(reads) > 1 and index else failing
        lines += _one_number(reads[0])
        lines.append(f"As octets, first bit first: {bits.octets.hex(' ').upper()}")
    agreed = {agreement.changed for agreement in agreements or () if agreement.read.ok}
    if agreements is not None:
        lines += ["", *agreement_text(agreements)]
    for hint in hints:
        if not agreed or hint.what in agreed:
            lines += ["", *hint_text(hint)]
    return lines


def built_text(reads: Sequence[CardReading], left_out: Sequence[str], glyphs: Glyphs = UNICODE) -> list[str]:
    """Frames built from numbers: a table of them, each drawn, and why formats are missing."""
    lines = _fitted(f"{_numbers(read)} hex {read.bits.hex}" for read in reads)
    lines += [f"left out: {reason}" for reason in left_out]
    for _, same in groupby(reads, key=lambda read: read.bits):
        shared = list(same)
        lines += ["", *drawn(shared, glyphs)]
        lines += _one_string(shared[0].bits)
        lines.append(line("octets", shared[0].bits.octets.hex(" ").upper()))
        lines += _one_number(shared[0])
    return [*lines, "", legend(glyphs)]


def agreement_text(agreements: Sequence[Agreement]) -> list[str]:
    """Whether the printed number agrees with the bits."""
    if not agreements:
        return wrapped(
            "PRINTED NUMBER: agrees with no reading of these bits, as given, inverted or reversed. Another card,"
            " damaged bits, or a number that is not in the frame (some cards carry a serial number that readers never"
            " send).",
            "",
        )
    lines = []
    meanings = {change.value: meaning for change, meaning in CHANGE_MEANS.items()}
    for agreement in agreements:
        read = agreement.read
        lines += wrapped(
            f"PRINTED NUMBER: agrees with {read.format.name} {agreement.changed}, as {agreement.how}"
            f" (parity {verdict(read)}).",
            "",
        )
        if agreement.changed in meanings:
            lines += wrapped(f"So {meanings[agreement.changed]}")
    return lines


def batch_line(typed: str, reads: Sequence[CardReading], hints: Sequence[Hint]) -> str:
    """One line for one value of many."""
    parts = []
    for read in reads:
        site = "" if read.site_code is None else f"site {read.site_code} "
        number = "?" if read.card_number is None else read.card_number
        parts.append(f"{read.format.name}: {site}number {number} {verdict(read)}")
    if not reads:
        parts.append("no format fits")
    parts += [f"hint: {hint.what}" for hint in hints]
    return f"{' '.join(typed.split())}  {'; '.join(parts)}"


def format_text(row: CardFormat) -> list[str]:
    """One format: where its fields lie, its parity, its ranges, where it was read."""
    pad = " " * 16
    groups = ", ".join(
        f"bit {group.bit} {group.sense.value} over {places(group.covers) or 'nothing'}" for group in row.parity
    )
    fields = ", ".join(f"{_FIELD_WORDS.get(field.name, field.name)} {_how(field)}" for field in row.fields)
    ranges = ", ".join(
        f"{_RANGE_WORDS.get(field.name, field.name)} {field.lowest} to {field.highest}" for field in row.fields
    )
    said = [fields if len(row.name) < 14 else "", groups or "no parity bits", ranges]
    lines = [f"  {row.name:<13} {said[0]}".rstrip()]
    if len(lines[0]) > WIDTH or len(row.name) >= 14:
        lines = [f"  {row.name}", *wrapped(fields, pad)]
    for text in said[1:]:
        lines += wrapped(text, pad)
    for constant in row.constants:
        size = len(constant.places)
        bits = f"{'bit' if size == 1 else 'bits'} {places(constant.places)}"
        lines += wrapped(f"{bits} always {constant.value:0{size}b}", pad)
    for check in row.checks:
        over = ", ".join(check.fields) or f"bits {places(check.covers)}"
        weights = f", weights {', '.join(map(str, check.weights))} from the right" if check.weights else ""
        lines += wrapped(f"{check.name} in bits {places(check.places)}: {check.method.value} over {over}{weights}", pad)
    if row.source:
        lines += wrapped(f"source: {row.source}", pad)
    return lines


_FIELD_WORDS = {"site_code": "site", "card_number": "number"}
_RANGE_WORDS = {"site_code": "site code", "card_number": "card number"}


def _how(field: CardField) -> str:
    words = [places(field.places)]
    words += ["in BCD"] if field.writing is Writing.BCD else []
    words += ["inverted"] if field.inverted else []
    words += [f"plus {field.offset}" if field.offset > 0 else f"minus {-field.offset}"] if field.offset else []
    return " ".join(words)


def formats_text(users: Sequence[CardFormat] = ()) -> list[str]:
    """The table of formats, the user's own first."""
    lines = []
    own = [("Formats of your table", users)] if users else []
    for title, rows in (*own, ("Formats", FORMATS), ("Seen in one place only: offered as a hint", SEEN)):
        lines.append(f"{title}:")
        for row in rows:
            lines += format_text(row)
    return lines
