"""`card --explain`: a frame as a lesson, in five steps: bits, fields, parity, wrong bits, faults of the lines."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from benchtool.frames.card.bits import Bits
from benchtool.frames.card.check_digit import DECIMAL, CheckMethod
from benchtool.frames.card.decode import CardReading, DigitCheck, FieldValue, ParityCheck, bits_at
from benchtool.frames.card.formats import ParityGroup, Writing
from benchtool.frames.card.hints import Change
from benchtool.frames.card.lesson import changed, double_error, left_by_open_line, single_errors, suspects
from benchtool.frames.card.places import places_text
from benchtool.reports.card_draw import UNICODE, Glyphs, draw, legend, wrapped
from benchtool.reports.card_text import verdict

_METHODS = {
    CheckMethod.LUHN: "from the right, every second digit is doubled (9 taken off where that gives more than 9); the"
    " check digit fills the sum of all digits up to a multiple of ten",
    CheckMethod.MOD10: "digits times weights are added; the check digit fills the sum up to a multiple of ten",
    CheckMethod.MOD11: "digits times weights are added; the check digit fills the sum up to a multiple of eleven",
    CheckMethod.XOR: "groups as wide as the check value, exclusive-or: each of its bits is the parity of a column",
    CheckMethod.SUM: "groups as wide as the check value are added, and the lowest bits kept",
    CheckMethod.SUM_NEGATED: "groups as wide as the check value are added; with the check value the sum is 0",
}


def lesson_text(reads: Sequence[CardReading], glyphs: Glyphs = UNICODE) -> list[str]:
    """The lesson for readings of the same bits; those with the same parity share one."""
    lines: list[str] = []
    for _, group in groupby(reads, key=lambda read: (read.bits, read.format.parity)):
        same = list(group)
        lines += [*([""] if lines else []), *_lesson(same, glyphs)]
    return lines


def _lesson(same: list[CardReading], glyphs: Glyphs) -> list[str]:
    read = same[0]
    ones = read.bits.value.bit_count()
    names = " and ".join(one.format.name for one in same)
    lines = [f"HOW A FRAME IS MADE: {names}", "", f"1. {read.bits.length} bits"]
    lines += wrapped(
        f"The reader sends one short pulse a bit, bit 1 first: on D1 for a 1, on D0 for a 0. Here"
        f" {read.bits.length - ones} pulses on D0 and {ones} on D1.",
        "   ",
    )
    lines += ["", *draw(same, glyphs), legend(glyphs), "", "2. Fields"]
    for one in same:
        if len(same) > 1:
            lines += wrapped(f"read as {one.format.name}:", "   ")
        for value in one.values:
            lines += field_text(one.bits, value)
        lines += _fixed_text(one)
    lines += ["", "3. Parity"]
    for check in read.parity:
        lines += parity_text(read, check)
    if not read.parity:
        lines += wrapped("This format has no parity bit.", "   ")
    lines += ["", *_wrong_bits(read), "", *_line_faults(read)]
    return lines


def _grouped(text: str, most: int = 4) -> str:
    """Bits in groups of four from the right, as their weights are counted."""
    first = len(text) % most
    return " ".join(([text[:first]] if first else []) + [text[i : i + most] for i in range(first, len(text), most)])


def _name(name: str) -> str:
    return name.replace("_", " ")


def field_text(bits: Bits, value: FieldValue) -> list[str]:
    """How a field's bits become its number."""
    field, number = value
    sent = f"{bits_at(bits.value, field.places, bits.length):0{field.count}b}"
    words = f"{_name(field.name)}, bits {places_text(field.places)}: {_grouped(sent)}"
    if field.places != tuple(range(field.first, field.last + 1)):
        words += " in that order"
    if field.inverted:
        sent = sent.translate({48: "1", 49: "0"})
        words += f", sent the other way round, so {_grouped(sent)}"
    if field.writing is Writing.BCD:
        digits = [int(sent[start : start + 4], 2) for start in range(0, field.count, 4)]
        words += f", four bits a decimal digit: {' '.join(map(str, digits))}"
        if number is None:
            return wrapped(f"{words}: a digit above 9, so this is no number.", "   ")
        plain = int("".join(map(str, digits)))
        words += f" = {plain}"
    else:
        plain = int(sent, 2)
        weights = [1 << (field.count - 1 - index) for index, bit in enumerate(sent) if bit == "1"]
        summed = f" = {' + '.join(map(str, weights))}" if 1 < len(weights) <= 8 else ""
        words += f"{summed} = {plain}"
    if field.offset:
        words += f"; {'plus' if field.offset > 0 else 'minus'} {abs(field.offset)} = {number}"
    return wrapped(f"{words}. It holds {field.lowest} to {field.highest}.", "   ")


def _fixed_text(read: CardReading) -> list[str]:
    lines = []
    for constant, found, ok in read.constants:
        size = len(constant.places)
        wrong = "" if ok else f", here {found:0{size}b}: FAIL"
        lines += wrapped(
            f"constant, bits {places_text(constant.places)}: {constant.value:0{size}b} on every card{wrong}.", "   "
        )
    for digit in read.checks:
        lines += _check_text(digit)
    return lines


def _check_text(digit: DigitCheck) -> list[str]:
    check = digit.check
    over = ", ".join(map(_name, check.fields)) if check.method in DECIMAL else f"bits {places_text(check.covers)}"
    wanted = "they are no digits" if digit.wanted is None else f"that is {digit.wanted}"
    return wrapped(
        f"{_name(check.name)}, bits {places_text(check.places)}: {digit.found}. {check.method.value} over {over}:"
        f" {_METHODS[check.method]}; {wanted}: {'PASS' if digit.ok else 'FAIL'}.",
        "   ",
    )


def parity_text(read: CardReading, check: ParityCheck) -> list[str]:
    """Why a parity bit is what it is, or what it should be."""
    group, bits = check.group, read.bits
    bit = bits.bit(group.bit)
    covered = check.ones - bit
    right = bit if check.ok else 1 - bit
    sense = group.sense.value
    text = "".join(str(bits.bit(place)) for place in group.covers)
    shown = f" ({_grouped(text)})" if 0 < len(text) <= 40 else ""
    is_so = "is" if ("odd" if covered % 2 else "even") == sense else "is not"
    words = (
        f"Bit {group.bit}, {sense} parity over bits {places_text(group.covers) or 'none'}{shown}: they hold {covered}"
        f" {'one' if covered == 1 else 'ones'}. {covered} {is_so} {sense}, so the parity bit must be {right}"
    )
    if check.ok:
        words += f", and it is: {check.ones} ones with it, {sense}. PASS"
    else:
        words += f", and it is {bit}: {check.ones} ones with it, not {sense}. FAIL"
    others = sorted({one.bit for one in read.format.parity} & set(group.covers))
    if others:
        words += f" (Among them: parity {'bit' if len(others) == 1 else 'bits'} {', '.join(map(str, others))}.)"
    return wrapped(words, "   ")


def _wrong_bits(read: CardReading) -> list[str]:
    lines = ["4. What one wrong bit does", "   wrong bit           parity that fails"]
    for fails in single_errors(read.format):
        said = ", ".join(f"bit {bit}" for bit in fails.groups) or "none: it goes unseen"
        places = places_text(fails.places)
        if len(places) < 20:
            lines.append(f"   {places:<19} {said}")
        else:
            lines += [*wrapped(places, "   "), f"   {'':<19} {said}"]
    found = suspects(read)
    failing = [check for check in read.parity if not check.ok]
    if found:
        lines += wrapped(f"Here one wrong bit among {places_text(found)} would explain what fails.", "   ")
    elif failing:
        lines += wrapped("Here no single wrong bit explains what fails.", "   ")
    unseen = double_error(read)
    if unseen is not None:
        first, second = unseen.places
        lines += wrapped(
            f"Two wrong bits in the same groups cancel out: with bits {first} and {second} both wrong the parity says"
            f" the same as before, and the {_numbers(unseen.read)}.",
            "   ",
        )
    return lines


def _numbers(read: CardReading) -> str:
    parts = [f"{_name(field.name)} would be {'no number' if n is None else n}" for field, n in read.values]
    return " and the ".join(parts)


_CHANGES = {
    Change.INVERTED: "D0 and D1 swapped: every bit the other way round",
    Change.REVERSED: "Last bit first",
    Change.BOTH: "Swapped and last bit first",
}


def _line_faults(read: CardReading) -> list[str]:
    lines = ["5. What a fault does to the whole frame"]
    for change, then in changed(read):
        numbers = ", ".join(f"{_name(field.name)} {n}" for field, n in then.values if n is not None)
        words = f"{_CHANGES[change]}. It arrives as hex {then.bits.hex} ({numbers}): {verdict(then)}."
        lines += wrapped(f"{words} {_why(read, change)}", "   ")
    for line in (0, 1):
        left = left_by_open_line(read.bits, line)
        lines += wrapped(
            f"D{line} open: its pulses never arrive. {left.length} bits are left, all {1 - line}, and no parity is"
            " needed to see it.",
            "   ",
        )
    lines += wrapped(
        "So parity tells that a frame is damaged, not how: a second read, the printed number and the meter tell that.",
        "   ",
    )
    return lines


def _why(read: CardReading, change: Change) -> str:
    if change is not Change.INVERTED or not read.parity:
        return ""
    odd = [group for group in read.format.parity if len(group.members) % 2]
    even = [group for group in read.format.parity if len(group.members) % 2 == 0]
    words = []
    if odd:
        words.append(f"{_sizes(odd)}, an odd number, changes from even to odd or back, always.")
    if even:
        words.append(f"{_sizes(even)}, an even number, does not change: its parity never sees a swap.")
    return " ".join(words)


def _sizes(groups: list[ParityGroup]) -> str:
    return f"A group of {' or '.join(dict.fromkeys(str(len(group.members)) for group in groups))} bits"
