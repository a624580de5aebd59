"""The table of card formats: a row is a length, fields and parity groups; every other module here reads these rows.

Bit 1 is the first bit sent. Layouts: reference sheet 6.2 (26-bit), 6.3 (34-bit), 6.4 (37-bit), 6.5 (the others),
each read there in several equipment manuals. A length alone never proves a layout: other makers' 37-bit layouts exist.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum

from benchtool.frames.card.check_digit import CheckDigit


class Sense(Enum):
    """What a parity bit makes the number of ones in its group, itself counted."""

    EVEN = "even"
    ODD = "odd"


class Writing(Enum):
    """How a field's bits are a number."""

    BINARY = "binary"
    BCD = "bcd"
    """Decimal digits of four bits each, the first digit first (reference sheet 6.5)."""


@dataclass(frozen=True, slots=True)
class CardField:
    """Bits that are one number."""

    name: str
    """`site_code`, `card_number`, or what a user's table calls it."""
    places: tuple[int, ...]
    """Places of its bits, from 1, the most significant first: any order, any gaps."""
    writing: Writing = Writing.BINARY
    inverted: bool = False
    """Whether its bits are sent the other way round."""
    offset: int = 0
    """What is added to the number sent to get the number written on the card."""

    @property
    def count(self) -> int:
        """How many bits."""
        return len(self.places)

    @property
    def largest(self) -> int:
        """The largest value sent, offset not added; the smallest is 0."""
        return 10 ** (self.count // 4) - 1 if self.writing is Writing.BCD else (1 << self.count) - 1

    @property
    def lowest(self) -> int:
        """The smallest number, offset added."""
        return self.offset

    @property
    def highest(self) -> int:
        """The largest number, offset added."""
        return self.largest + self.offset

    @property
    def first(self) -> int:
        """Its lowest place."""
        return min(self.places)

    @property
    def last(self) -> int:
        """Its highest place."""
        return max(self.places)


@dataclass(frozen=True, slots=True)
class ParityGroup:
    """A parity bit and the bits it covers."""

    bit: int
    """Place of the parity bit, from 1."""
    sense: Sense
    """What the ones of the covered bits and the parity bit together must be."""
    covers: tuple[int, ...]
    """Places of the covered bits, rising, without the parity bit itself; other groups' parity bits may be among."""

    def mask(self, length: int) -> int:
        """The covered bits and the parity bit, as a mask over a frame of `length` bits."""
        return sum(1 << (length - place) for place in (self.bit, *self.covers))

    @property
    def members(self) -> tuple[int, ...]:
        """Places of the covered bits and the parity bit, rising."""
        return tuple(sorted((self.bit, *self.covers)))


@dataclass(frozen=True, slots=True)
class Constant:
    """Bits that every card of a format has the same."""

    places: tuple[int, ...]
    """Places of the bits, from 1, the most significant of `value` first."""
    value: int


@dataclass(frozen=True, slots=True)
class CardFormat:
    """One row of the table."""

    name: str
    length: int
    """Bits in a frame."""
    fields: tuple[CardField, ...]
    """In the order sent, or as a table gives them; no bit belongs to two."""
    parity: tuple[ParityGroup, ...]
    source: str
    """Where the layout was read."""
    constants: tuple[Constant, ...] = ()
    """Bits that are the same on every card."""
    checks: tuple[CheckDigit, ...] = ()
    """Check values, in the order in which they are worked out; before parity."""

    def field(self, name: str) -> CardField | None:
        """The field of that name; None where the format has none."""
        return next((field for field in self.fields if field.name == name), None)

    @property
    def site(self) -> CardField | None:
        """The site code's bits; None where the format has none."""
        return self.field("site_code")

    @property
    def number(self) -> CardField:
        """The card number's bits: the field of that name, else the last."""
        return self.field("card_number") or self.fields[-1]

    @property
    def data_bits(self) -> int:
        """Bits of all fields."""
        return sum(field.count for field in self.fields)


def _row(
    name: str,
    length: int,
    fields: Iterable[tuple[str, int, int]],
    parity: Iterable[tuple[int, Sense, range]],
    source: str,
) -> CardFormat:
    return CardFormat(
        name,
        length,
        tuple(CardField(field, tuple(range(first, first + count))) for field, first, count in fields),
        tuple(ParityGroup(bit, sense, tuple(covers)) for bit, sense, covers in parity),
        source,
    )


_PARITY_34 = ((1, Sense.EVEN, range(2, 18)), (34, Sense.ODD, range(18, 34)))
_PARITY_37 = ((1, Sense.EVEN, range(2, 20)), (37, Sense.ODD, range(19, 37)))

FORMATS: tuple[CardFormat, ...] = (
    _row(
        "26-bit",
        26,
        [("site_code", 2, 8), ("card_number", 10, 16)],
        [(1, Sense.EVEN, range(2, 14)), (26, Sense.ODD, range(14, 26))],
        "SIA AC-01-1996.10, as reader manuals quote it",
    ),
    _row(
        "34-bit 16+16", 34, [("site_code", 2, 16), ("card_number", 18, 16)], _PARITY_34, "reader and terminal manuals"
    ),
    _row("34-bit 32", 34, [("card_number", 2, 32)], _PARITY_34, "reader and terminal manuals"),
    _row(
        "37-bit 16+19",
        37,
        [("site_code", 2, 16), ("card_number", 18, 19)],
        _PARITY_37,
        "terminal manuals; other 37-bit layouts exist",
    ),
    _row("37-bit 35", 37, [("card_number", 2, 35)], _PARITY_37, "terminal manuals; other 37-bit layouts exist"),
)
"""The formats that a length is read in."""

SEEN: tuple[CardFormat, ...] = (
    _row(
        "30-bit 8+20",
        30,
        [("site_code", 2, 8), ("card_number", 10, 20)],
        [(1, Sense.EVEN, range(2, 16)), (30, Sense.ODD, range(16, 30))],
        "one reader manual",
    ),
    _row(
        "32-bit 30",
        32,
        [("card_number", 2, 30)],
        [(1, Sense.EVEN, range(2, 17)), (32, Sense.ODD, range(17, 32))],
        "one printed frame; its halves of 15 bits satisfy this parity",
    ),
)
"""Layouts seen in one place only: offered as a hint, never as a reading."""


def _plain(name: str) -> str:
    return "".join(
        character for character in name.lower().replace("bit", "") if character.isalnum() or character == "+"
    )


def find_formats(name: str, rows: tuple[CardFormat, ...] = FORMATS) -> tuple[CardFormat, ...]:
    """Formats whose name begins like `name`, spaces and dashes aside: "34-bit" finds both 34-bit formats.

    A full name finds that format alone; a user's own before a built-in one. Empty where nothing fits.
    """
    wanted = _plain(name)
    exact = [row for row in rows if row.name == name] or [row for row in rows if wanted and _plain(row.name) == wanted]
    return tuple(exact[:1]) or tuple(row for row in rows if wanted and wanted == str(row.length))
