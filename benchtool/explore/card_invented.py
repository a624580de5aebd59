"""Card formats drawn at random, to measure the inference on: they stand for formats that nobody here knows."""

from __future__ import annotations

import random
from dataclasses import dataclass
from enum import Enum

from benchtool.frames.card.formats import CardField, CardFormat, Constant, ParityGroup, Sense, Writing
from benchtool.frames.card.parity import parity_rules

_NUMBER_WIDTHS = (16, 16, 16, 20, 24, 32)
_SITE_WIDTHS = (8, 8, 12, 16)


class Population(Enum):
    """Kinds of lists of cards; the value is what the measuring takes."""

    BATCHES = "batches"
    """Two boxes: a site code each, numbers of a stretch of 400."""
    CONSECUTIVE = "consecutive"
    """One box, one site code, one number after the other."""
    UNEVEN_SITES = "uneven sites"
    """Eight sites, most cards of two of them; any numbers."""
    LOW_NUMBERS = "low numbers"
    """Three sites, numbers below 3000."""


@dataclass(frozen=True, slots=True)
class Invented:
    """A layout, and the cards of one population of it."""

    row: CardFormat
    style: str
    """How its parity groups were drawn."""


def draw(seed: int, *, anywhere: bool | None = None) -> Invented:
    """A layout of 24 to 72 bits with 0 to 4 parity groups; the same seed draws the same."""
    chooser = random.Random(seed)
    while True:
        length = chooser.choice((24, 26, 28, 30, 32, 33, 34, 35, 36, 37, 40, 44, 48, 56, 60, 64, 72))
        length = length if chooser.random() < 0.6 else chooser.randrange(24, 73)
        count = chooser.choice((0, 1, 1, 2, 2, 2, 2, 3, 3, 4))
        bits = _bits(chooser, length, count)
        style = chooser.choice(("runs", "halves", "interleaved", "mixed", "over parity", "subset"))
        groups = tuple(
            ParityGroup(bit, chooser.choice((Sense.EVEN, Sense.ODD)), covers)
            for bit, covers in zip(bits, _covers(chooser, style, length, bits), strict=True)
        )
        free = [place for place in range(1, length + 1) if place not in bits]
        fields, constants = _fields(chooser, free)
        row = CardFormat("invented", length, fields, groups, "drawn at random", constants)
        try:
            parity_rules(row)
        except ValueError:
            continue
        varied = {place for field in fields for place in field.places} | set(bits)
        # A group must be seen in bits that change, or it is no parity; nor are two groups with the same bits two.
        if all(len(set(group.covers) & varied) >= 5 for group in groups) and len(set(groups)) == count:
            return Invented(row, style if count else "none")


def _bits(chooser: random.Random, length: int, count: int) -> tuple[int, ...]:
    ends = [1, length, 2, length - 1]
    if chooser.random() < 0.6:
        return tuple(sorted(ends[:count] if chooser.random() < 0.7 else chooser.sample(ends, count)))
    return tuple(sorted(chooser.sample(range(1, length + 1), count)))


def _covers(chooser: random.Random, style: str, length: int, bits: tuple[int, ...]) -> list[tuple[int, ...]]:
    data = [place for place in range(1, length + 1) if place not in bits]
    made = []
    for number, bit in enumerate(bits):
        kind = chooser.choice(("runs", "halves", "interleaved", "over parity", "subset")) if style == "mixed" else style
        among = data
        if kind == "over parity":
            among = [place for place in range(1, length + 1) if place != bit]
            kind = chooser.choice(("runs", "all", "halves"))
        size = len(among)
        if kind == "runs":
            width = chooser.randrange(max(5, size // 4), size + 1)
            start = chooser.randrange(size - width + 1)
            covers = among[start : start + width]
        elif kind == "halves":
            extra = chooser.choice((0, 0, 1))
            covers = among[: size // 2 + extra] if number % 2 == 0 else among[size // 2 - extra :]
        elif kind == "interleaved":
            period, kept = chooser.choice(((2, (0,)), (2, (1,)), (3, (0, 1)), (3, (1, 2)), (3, (0, 2)), (4, (0, 1))))
            covers = [place for at, place in enumerate(among) if at % period in kept]
        elif kind == "subset":
            covers = sorted(chooser.sample(among, chooser.randrange(5, size)))
        else:
            covers = among
        made.append(tuple(covers))
    return made


def _fields(chooser: random.Random, free: list[int]) -> tuple[tuple[CardField, ...], tuple[Constant, ...]]:
    """A number, perhaps with a site code, a third field, and constant bits before, between or after."""
    constants: tuple[Constant, ...] = ()
    free = list(free)
    if chooser.random() < 0.25:
        count = chooser.randrange(1, 5)
        start = chooser.choice((0, len(free) - count, chooser.randrange(len(free) - count)))
        places = tuple(free[start : start + count])
        del free[start : start + count]
        constants = (Constant(places, chooser.randrange(1 << count)),)
    widths = [width for width in _NUMBER_WIDTHS if width <= len(free)]
    width = chooser.choice(widths) if chooser.random() < 0.7 else chooser.randrange(12, len(free) + 1)
    if chooser.random() < 0.15 or len(free) - width < 4:
        width = len(free)
    bcd = chooser.random() < 0.15
    width = min(width // 4 * 4, 40) if bcd else width
    numbers = free[len(free) - width :] if chooser.random() < 0.85 else free[:width]
    rest = [place for place in free if place not in numbers]
    if chooser.random() < 0.15:
        numbers.reverse()
    largest = 10 ** (width // 4) if bcd else 1 << width
    offset = chooser.choice((1, 1000, 10000, 100000)) if chooser.random() < 0.1 and largest > 1000 else 0
    writing = Writing.BCD if bcd else Writing.BINARY
    number = CardField("card_number", tuple(numbers), writing, chooser.random() < 0.1, offset)
    if not rest:
        return (number,), constants
    sites = [one for one in _SITE_WIDTHS if one <= len(rest)] or [len(rest)]
    width = chooser.choice(sites) if chooser.random() < 0.5 else len(rest)
    fields = [CardField("site_code", tuple(rest[len(rest) - width :])), number]
    if len(rest) > width:
        fields.insert(0, CardField("facility", tuple(rest[: len(rest) - width])))
    return tuple(fields), constants


def cards(row: CardFormat, seed: int, count: int, *, sites: int = 0) -> list[tuple[int, int]]:
    """Different random cards of a layout: (bits as a number, number printed).

    With `sites` every field but the number takes so many values at most, as it does on the cards of a few sites.
    """
    chooser = random.Random(seed)
    held = {
        field.name: [chooser.randrange(field.largest + 1) for _ in range(sites)]
        for field in row.fields
        if sites and field.name != "card_number"
    }
    made: dict[int, int] = {}
    while len(made) < count:
        site = chooser.randrange(sites) if sites else 0
        numbers = {
            field.name: field.offset
            + (held[field.name][site] if field.name in held else chooser.randrange(field.largest + 1))
            for field in row.fields
        }
        made[frame_of(row, numbers)] = numbers["card_number"]
    return list(made.items())


def population(row: CardFormat, kind: Population, seed: int, count: int) -> list[tuple[int, int]]:
    """Cards as lists of real ones have them: (bits as a number, number printed), fewer than `count` where alike."""
    chooser = random.Random(seed)
    others = [field for field in row.fields if field.name != "card_number"]
    sites = {Population.CONSECUTIVE: 1, Population.BATCHES: 2, Population.LOW_NUMBERS: 3}.get(kind, 8)
    codes = [
        {field.name: field.offset + chooser.randrange(field.largest + 1) for field in others} for _ in range(sites)
    ]
    number = row.number
    span = {Population.CONSECUTIVE: count, Population.BATCHES: 400, Population.LOW_NUMBERS: 3000}.get(kind, 1 << 62)
    span = min(span, number.largest + 1)
    lowest = [0 if kind is Population.LOW_NUMBERS else chooser.randrange(number.largest + 2 - span) for _ in codes]
    made: dict[int, int] = {}
    for at in range(count):
        # Of eight sites two have nine cards of ten.
        few = kind is Population.UNEVEN_SITES and chooser.random() < 0.9
        site = chooser.randrange(2 if few else sites)
        sent = lowest[site] + (at if kind is Population.CONSECUTIVE else chooser.randrange(span))
        printed = number.offset + sent % (number.largest + 1)
        made[frame_of(row, {**codes[site], "card_number": printed})] = printed
    return list(made.items())


def frame_of(row: CardFormat, numbers: dict[str, int]) -> int:
    """The frame of these field values, parity right: worked out here, apart from the builder of the frames room."""
    value = 0
    for field in row.fields:
        sent = numbers[field.name] - field.offset
        code = int(str(sent), 16) if field.writing is Writing.BCD else sent
        if field.inverted:
            code ^= (1 << field.count) - 1
        for at, place in enumerate(reversed(field.places)):
            value |= (code >> at & 1) << (row.length - place)
    for constant in row.constants:
        for at, place in enumerate(reversed(constant.places)):
            value |= (constant.value >> at & 1) << (row.length - place)
    for rule in parity_rules(row):
        if (value & rule.mask).bit_count() & 1 ^ rule.turned:
            value |= 1 << (row.length - rule.place)
    return value
