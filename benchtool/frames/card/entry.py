"""What a person typed: bits, hex with a length, a printed decimal, or site code and card number.

The guesses are ours (no published rule says how card bits are written down); each says in words how it took the value,
so that a wrong guess is seen, and can be forced.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from benchtool.frames.card.bits import Bits
from benchtool.frames.card.decode import decode_in
from benchtool.frames.card.formats import FORMATS, CardFormat
from benchtool.frames.card.places import LONGEST

_PRINTED_WIDTHS = (1, 2, 3, 5, 10)
"""Digits of a number as printed on cards: site code 3, card number 5, both as one number 10."""

_PADDING_NOT_ZERO = (
    "this padding is not all 0: some readers send it so, and a hex digit too many looks the same; --left-aligned says"
    " that it is right"
)


class Kind(Enum):
    """What a value is; the value is what `--as` takes."""

    BITS = "bits"
    HEX = "hex"
    DECIMAL = "decimal"


class EntryError(ValueError):
    """What was typed cannot be read; the message is one line and says what to type instead.

    It never repeats what was typed, which may be a card: it names places, counts and lengths.
    """


@dataclass(frozen=True, slots=True)
class Entry:
    """A typed value, understood: exactly one of `bits`, `data` and `pair` is set."""

    kind: Kind
    taken: str
    """How it was taken, in words."""
    bits: Bits | None = None
    data: int | None = None
    """All data bits as one number."""
    pair: tuple[int, int] | None = None
    """Site code and card number."""
    notes: tuple[str, ...] = ()
    """What else it could have been."""


def _split(text: str, length: int | None, kind: Kind | None) -> tuple[str, int | None]:
    """Take `VALUE/26` and `26:HEX` apart."""
    written: int | None = None
    if match := re.fullmatch(r"(.+)/([0-9]{1,4})", text):
        text, written = match[1], int(match[2])
    elif kind in (None, Kind.HEX) and (match := re.fullmatch(r"([0-9]{1,3}):(0[xX])?([0-9A-Fa-f]+)", text)):
        count, digits = int(match[1]), match[3]
        if match[2] or re.search("[A-Fa-f]", digits) or len(digits) == (count + 3) // 4:
            text, written = digits, count
    elif "/" in text:
        before, _, behind = text.rpartition("/")
        if not before:
            raise EntryError("nothing stands before the /: write HEX/26, hex and its length in bits")
        what = "is no number of bits" if behind else "is missing"
        raise EntryError(f"the length behind the / {what}: write HEX/26, hex and its length in bits")
    if written is not None and length is not None and written != length:
        raise EntryError(f"the value says {written} bits and --length says {length}: give one of them")
    return text, length if written is None else written


def _guess(text: str, length: int | None, most: int) -> Kind:
    if not text.strip("01"):
        if length is None:
            return Kind.DECIMAL if len(text) in _PRINTED_WIDTHS else Kind.BITS
        hex_digits = max((length + 3) // 4, 2 * ((length + 7) // 8))
        return Kind.BITS if len(text) == length or len(text) > hex_digits else Kind.HEX
    if length is not None or re.search("[^0-9]", text):
        return Kind.HEX
    if int(text) >> most or (text[0] == "0" and len(text) not in (*_PRINTED_WIDTHS, 8)):
        return Kind.BITS
    return Kind.DECIMAL


def _bits(text: str, length: int | None) -> Entry:
    wrong = re.search("[^01]", text)
    if wrong:
        place = wrong.start() + 1
        raise EntryError(
            f"this is not bits: character {place} of {len(text)} (blanks not counted) is neither 0 nor 1"
            " (hex needs --length 26 or the like; a number printed on a card needs --printed)"
        )
    if length is not None and len(text) != length:
        raise EntryError(f"{len(text)} bits were given and the length says {length}: correct one of them")
    if len(text) > LONGEST:
        raise EntryError(f"{len(text)} bits are too many for a card: {LONGEST} at most (one value a line with -)")
    notes = () if len(text) > 10 else (f"if it is a number printed on a card: --printed {text}",)
    return Entry(Kind.BITS, f"{len(text)} bits, first bit sent first", bits=Bits.of(text), notes=notes)


def _passes(value: int, length: int, rows: Sequence[CardFormat]) -> bool:
    return any(read.ok for read in decode_in(rows, (value, length)))


def _hex(text: str, length: int | None, left_aligned: bool, rows: Sequence[CardFormat]) -> Entry:
    digits = text[2:] if text[:2] in ("0x", "0X") else text
    wrong = re.search("[^0-9A-Fa-f]", digits)
    if wrong or not digits:
        place = wrong.start() + 1 + len(text) - len(digits) if wrong else 0
        what = f"character {place} of {len(text)} (blanks not counted) is no hex digit" if wrong else "no digits"
        raise EntryError(
            f"this is neither bits, hex nor a printed number: {what}"
            " (HEX/26 is hex with a length; SITE,NUMBER is site code and card number)"
        )
    if length is None:
        raise EntryError("hex needs its length in bits: add --length 26, or write HEX/26")
    if not 1 <= length <= LONGEST:
        raise EntryError(f"a length of {length} bits cannot be read: 1 to {LONGEST}")
    value = int(digits, 16)
    octet_digits = 2 * ((length + 7) // 8)
    padding = 4 * octet_digits - length
    if left_aligned and len(digits) != octet_digits:
        raise EntryError(f"{length} bits in octets, left-aligned, are {octet_digits} hex digits, not {len(digits)}")
    if left_aligned or (value >> length and len(digits) == octet_digits):
        taken = f"hex octets, first bit first, {length} bits"
        spare = value & ((1 << padding) - 1)
        if padding:
            taken += f"; the last {padding} bits ({spare:0{padding}b}) are padding and left out"
        # Octets guessed at, and padding that holds ones: allowed (sheet 0, trap 7), and what a slip looks like.
        notes: tuple[str, ...] = (_PADDING_NOT_ZERO,) if spare and not left_aligned else ()
        return Entry(Kind.HEX, taken, bits=Bits(value >> padding, length), notes=notes)
    if value >> length:
        raise EntryError(f"the hex needs {value.bit_length()} bits, and the length is {length}: correct one")
    notes = ()
    if (
        len(digits) == octet_digits
        and padding
        and (_passes(value >> padding, length, rows) or not _passes(value, length, rows))
    ):
        notes = ("if these octets hold the first bit first, as in an OSDP RAW card read: --left-aligned",)
    return Entry(Kind.HEX, f"hex, the last {length} bits of it", bits=Bits(value, length), notes=notes)


def _decimal(text: str, length: int | None, most: int) -> Entry:
    if length is not None:
        raise EntryError("a printed number has no length: leave it away, or name a format with --format")
    hexadecimal = re.fullmatch("0[xX][0-9A-Fa-f]+", text)
    if not hexadecimal and not re.fullmatch("[0-9]+", text):
        raise EntryError(
            "this is not a number as printed on a card: write its decimal digits, or SITE,NUMBER for site code, number"
        )
    data = int(text, 16 if hexadecimal else 10)
    if data >> most:
        raise EntryError(f"the number is more than any format carries: 0 to {(1 << most) - 1}")
    notes: tuple[str, ...] = ()
    if not text.strip("01") and len(text) > 3:
        notes += (f"if it is bits: --as bits {text}",)
    if data < 1 << 16:
        notes += ("five digits or fewer are often the card number alone: then --number with --site",)
    base = "hex" if hexadecimal else "decimal"
    return Entry(Kind.DECIMAL, f"{base} printed on a card, all data bits as one number", data=data, notes=notes)


def parse_entry(
    typed: str,
    *,
    length: int | None = None,
    kind: Kind | None = None,
    left_aligned: bool = False,
    rows: Sequence[CardFormat] = FORMATS,
) -> Entry:
    """Understand a typed value; blanks and underscores are ignored. Raises EntryError, never anything else.

    `length` is the number of bits of hex; `kind` forces the reading; `left_aligned` says that hex octets hold the first
    bit first and padding at the end. `rows` are the formats that say how large a printed number may be.
    """
    most = max(max(row.data_bits, row.number.highest.bit_length()) for row in rows)
    if kind in (None, Kind.DECIMAL) and (match := re.fullmatch(r"\s*([0-9]+)\s+([0-9]+)\s*", typed)):
        site, number = match[1], match[2]
        if len(number) <= 12 and (site + number).strip("01"):
            typed = f"{site},{number}"
    text = re.sub(r"[\s_]+", "", typed)
    if not text:
        raise EntryError("nothing to read: give bits, hex with a length, or the number printed on the card")
    if len(text) > 2 * LONGEST:
        raise EntryError(f"{len(text)} characters are too many for one card: {LONGEST} bits at most")
    if re.fullmatch("([0-9A-Fa-f]{2}[:-]){2,}[0-9A-Fa-f]{2}", text.partition("/")[0]):
        text = re.sub("[:-]", "", text)
    if kind in (None, Kind.BITS) and (match := re.fullmatch("0[bB]([01]+)", text)) and length in (None, len(match[1])):
        return _bits(match[1], length)
    text, length = _split(text, length, kind)
    if kind in (None, Kind.DECIMAL) and (match := re.fullmatch("([0-9]{1,12})[,:]([0-9]{1,12})", text)):
        if length is not None:
            raise EntryError("site code and card number have no length: name a format with --format")
        return Entry(Kind.DECIMAL, "site code and card number", pair=(int(match[1]), int(match[2])))
    kind = kind or (Kind.HEX if left_aligned else _guess(text, length, most))
    if kind is Kind.BITS:
        return _bits(text, length)
    return _hex(text, length, left_aligned, rows) if kind is Kind.HEX else _decimal(text, length, most)
