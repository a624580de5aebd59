"""Lines that a converter prints for each card: bits, hex or decimal, among time stamps and labels of any kind.

No published rule says how such lines look; the guesses are ours. Each says how it took the line, and a line in which
there is no card is counted with its reason. No reason ever repeats what stood in the line: it may be a card number.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from benchtool.frames.card.bits import Bits
from benchtool.frames.card.build import build_bits, build_data, why_not
from benchtool.frames.card.decode import decode_as
from benchtool.frames.card.formats import FORMATS, CardFormat
from benchtool.frames.card.places import LONGEST


@dataclass(frozen=True, slots=True)
class ConverterLine:
    """What one line said: bits, or why there are none; both empty for a line that says nothing (blank, comment)."""

    bits: Bits | None = None
    built: bool = False
    """Whether the frame was made from a printed number."""
    t_ns: int | None = None
    """Time of the day or of the date written in it, in nanoseconds; None without."""
    note: str = ""
    """How it was taken, where that was a guess."""
    problem: str = ""
    """Why it gave no bits."""


_DATE = re.compile(r"\b(\d{4})[-/.](\d\d)[-/.](\d\d)(?:[T ]+|\b)|\b(\d\d)[-/.](\d\d)[-/.](\d{4})(?:[T ]+|\b)")
_CLOCK = re.compile(r"\b(\d{1,2}):(\d\d):(\d\d)(?:[.,](\d{1,9}))?(?:Z|[+-]\d\d:?\d\d)?(?![:\w])")
_SECONDS = re.compile(r"^\s*\[\s*(\d{1,10})(?:\.(\d{1,9}))?\s*(us|ms|s)?\s*\]\s*")
_LENGTH = (
    re.compile(r"\b(?:length|len|bits?|bit[ _-]?count|n|size)\s*[:=]\s*(\d{1,3})(?![\w.])", re.IGNORECASE),
    re.compile(r"\b(?:length|len)\s+(\d{1,3})(?![\w.])", re.IGNORECASE),
    re.compile(r"(?<![\w.])(\d{1,3})[ _-]?bits?\b", re.IGNORECASE),
    re.compile(r"/\s*(\d{1,3})(?![\w.])"),
    re.compile(r"[(\[](\d{1,3})[)\]]"),
)
_BEFORE = re.compile(r"(?<![\w.:])[A-Za-z]?(\d{1,3})\s*[:;,](?=\s*(?:0[xX])?[0-9A-Fa-f]{4})")
"""A length before a colon or the like, which may as well be a site code: believed where the hex after it has it."""
_SITE = re.compile(r"\b(?:site(?:[ _-]?code)?|facility(?:[ _-]?code)?|fc|sc)\s*[:=#]?\s*(\d{1,6})\b", re.IGNORECASE)
_NUMBER = re.compile(
    r"\b(?:card(?:[ _-]?(?:number|num|no|id))?|number|num|no|id|cn|user)\s*[:=#.]?\s*(\d{1,12})\b", re.IGNORECASE
)
_PAIR = re.compile(r"(?<![\w.,:/-])(\d{1,5})\s*[,:/-]\s*(\d{3,7})(?![\w.,:/-])")
_LABELLED_BITS = re.compile(r"\b(?:bits?|bin(?:ary)?|raw|data|frame)\s*[:=]\s*((?:[01][ _]*){1,256})(?![\w])", re.I)
_LABELLED_HEX = re.compile(
    r"\b(?:hex|raw|data|frame)\s*[:=]\s*(?:0[xX])?((?:[0-9A-Fa-f]{2}[ :-])*[0-9A-Fa-f]+)\b", re.I
)
_LABELLED_DECIMAL = re.compile(
    r"\b(?:dec(?:imal)?|printed|card(?:[ _-]?(?:number|no|id))?|uid|id|number|no)\s*[:=#]?\s*(\d{1,12})\b", re.I
)
_HEX = re.compile(r"(?<![\w.])(?:0[xX]([0-9A-Fa-f]{1,64})[hH]?|([0-9A-Fa-f]{1,64})[hH]?)(?![\w.])")
_OCTETS = re.compile(r"(?<![\w.])((?:[0-9A-Fa-f]{2}[ :-]){2,31}[0-9A-Fa-f]{2})(?![\w.])")
_BIT_GROUPS = re.compile(r"(?<![\w.])(?:0[bB])?([01](?:[01]|[ _](?=[01 _]))*)(?![\w.])")
_DECIMAL = re.compile(r"(?<![\w.])(\d{1,12})(?![\w.])")
_ROW = re.compile(r"\s*[\d.]+(?:\s*[;,\t]\s*\d+){2,}\s*\Z")
"""Numbers alone, three or more."""
_FEWEST_BITS = 16
"""So many digits that are all 0 and 1 are bits wherever they stand; fewer must be labelled, or be all of the line."""

_QUOTES = {ord(mark): " " for mark in "\"'{}<>"}
"""What stands around values in JSON and the like."""
_FEWEST_DIGITS = 5
"""A decimal without a label has so many digits, or is all of the line."""


def read_line(line: str, *, length: int | None = None, row: CardFormat | None = None) -> ConverterLine:
    """Understand one line. `length`: bits of hex that does not say its own; `row`: the format of printed numbers."""
    text = line.lstrip("\ufeff").translate(_QUOTES).strip()
    if not text or text.startswith("#") or len(text) > 4096:
        return ConverterLine(problem="longer than any line of a converter" if len(text) > 4096 else "")
    text, t_ns = _without_time(text)
    found = _value(text, length, row)
    return ConverterLine(found.bits, found.built, t_ns, found.note, found.problem)


def _without_time(text: str) -> tuple[str, int | None]:
    t_ns: int | None = None
    if match := _SECONDS.match(text):
        unit = {"us": 10**3, "ms": 10**6}.get(match[3], 10**9)
        t_ns = int(match[1]) * unit + int((match[2] or "").ljust(9, "0")) * unit // 10**9
        text = text[match.end() :]
    days = 0
    if match := _DATE.search(text):
        year, month, day = (
            (int(match[1]), int(match[2]), int(match[3])) if match[1] else (int(match[6]), int(match[5]), int(match[4]))
        )
        days = _days(year, month, day)
        text = f"{text[: match.start()]} {text[match.end() :]}"
    if match := _CLOCK.search(text):
        seconds = int(match[1]) * 3600 + int(match[2]) * 60 + int(match[3])
        t_ns = (days * 86400 + seconds) * 10**9 + int((match[4] or "").ljust(9, "0"))
        text = f"{text[: match.start()]} {text[match.end() :]}"
    # The brackets that stood around a time are empty now.
    return re.sub(r"[\[(]\s*[\])]", " ", text).strip(" \t|,;>-"), t_ns


def _days(year: int, month: int, day: int) -> int:
    """Days since year 0 in the calendar of today; any numbers are taken."""
    year -= month < 3
    return 365 * year + year // 4 - year // 100 + year // 400 + (153 * ((month + 9) % 12) + 2) // 5 + day


def _value(text: str, length: int | None, row: CardFormat | None) -> ConverterLine:
    said, bare = _length(text)
    if bits := _bits(text, said):
        return ConverterLine(bits)
    size = said or length
    site, number = _SITE.search(text), _NUMBER.search(text)
    digits = _hex_digits(bare)
    if size is not None and digits is not None:
        fitted = _fit(digits, size)
        if fitted is not None:
            return fitted
    if site and number:
        sent = _sent(digits, int(site[1]), int(number[1]), row)
        return sent or _pair(int(site[1]), int(number[1]), row)
    if match := _PAIR.search(text):
        return _pair(int(match[1]), int(match[2]), row)
    if _ROW.match(bare):
        return ConverterLine(problem="several numbers and no heading or label that says which is the card")
    whole = _DECIMAL.fullmatch(bare.strip())
    # Small numbers among words count readers, doors and times.
    loose = [digits for digits in _DECIMAL.findall(bare) if whole or len(digits) >= _FEWEST_DIGITS]
    decimals = _LABELLED_DECIMAL.findall(bare) or loose
    if len(decimals) == 1 and (digits is None or digits == decimals[0]):
        return _decimal(decimals[0], row)
    if len(decimals) > 1 and digits is None:
        return ConverterLine(problem="several numbers and no label that says which is the card")
    if digits is not None:
        return ConverterLine(problem="hex without its length in bits: add --length 26 or the like")
    return ConverterLine(problem="nothing like card data")


def _length(text: str) -> tuple[int | None, str]:
    """The length that a line says, and the line without it; of several numbers the one that the hex beside it has."""
    found = [m for pattern in _LENGTH for m in pattern.finditer(text) if 1 <= int(m[1]) <= LONGEST]
    for match in [*found, *_BEFORE.finditer(text)]:
        size, bare = int(match[1]), f"{text[: match.start()]} {text[match.end() :]}"
        digits = _hex_digits(bare)
        if digits is not None and len(digits) in ((size + 3) // 4, 2 * ((size + 7) // 8)):
            return size, bare
    bare = text
    for pattern in _LENGTH:
        bare = pattern.sub(" ", bare)
    return (int(found[0][1]) if found else None), bare


def _bits(text: str, said: int | None) -> Bits | None:
    whole = re.sub(r"[ _]", "", text)
    whole = whole[2:] if whole[:2] in ("0b", "0B") else whole
    if whole and not whole.strip("01") and len(whole) <= LONGEST and (len(whole) not in (1, 2, 3, 5, 10)):
        return Bits.of(whole)
    found = [re.sub(r"[ _]", "", match) for match in _LABELLED_BITS.findall(text)]
    found += [re.sub(r"[ _]", "", match[1]) for match in _BIT_GROUPS.finditer(text)]
    if said is not None:
        # A length beside it proves digits to be bits.
        found = [digits for digits in found if len(digits) == said] or [d for d in found if len(d) >= _FEWEST_BITS]
    else:
        labelled = len(_LABELLED_BITS.findall(text))
        least = (4,) * labelled + (_FEWEST_BITS,) * (len(found) - labelled)
        found = [digits for digits, few in zip(found, least, strict=True) if len(digits) >= few]
    return Bits.of(found[0]) if found and len(found[0]) <= LONGEST else None


def _hex_digits(text: str) -> str | None:
    """The digits that are most like hex: labelled, prefixed, octets, else the longest run; None without any."""
    if match := _LABELLED_HEX.search(text):
        return re.sub(r"[ :-]", "", match[1])
    if match := _OCTETS.search(text):
        return re.sub(r"[ :-]", "", match[1])
    runs = [(bool(m[1]), m[1] or m[2]) for m in _HEX.finditer(text)]
    runs = [
        (prefixed, digits) for prefixed, digits in runs if prefixed or re.search("[0-9]", digits) or len(digits) > 5
    ]
    if not runs:
        return None
    return max(runs, key=lambda run: (run[0], bool(re.search("[A-Fa-f]", run[1])), len(run[1])))[1]


def _fit(digits: str, size: int) -> ConverterLine | None:
    """Hex of a known length: right-aligned where it fits, else octets with the padding last."""
    value, octets = int(digits, 16), 2 * ((size + 7) // 8)
    padding = 4 * octets - size
    if len(digits) == octets and padding and value >> size:
        spare = "" if not value & ((1 << padding) - 1) else " that is not zero: a digit too many?"
        return ConverterLine(Bits(value >> padding, size), note=f"hex octets with padding at the end{spare}")
    if value >> size:
        return None
    note = ""
    if len(digits) == octets and padding and not value & ((1 << padding) - 1):
        note = "hex octets with padding in front; padding at the end cannot be ruled out"
    return ConverterLine(Bits(value, size), note=note)


def _sent(digits: str | None, site: int, number: int, row: CardFormat | None) -> ConverterLine | None:
    """Hex beside a site code and a card number that says the same in some format: that is the frame as it was sent."""
    for one in (row,) if row is not None else FORMATS:
        if digits is None or len(digits) != (one.length + 3) // 4 or int(digits, 16) >> one.length:
            continue
        read = decode_as(one, Bits(int(digits, 16), one.length))
        if (read.site_code, read.card_number) == (site, number):
            return ConverterLine(read.bits)
    return None


def _pair(site: int, number: int, row: CardFormat | None) -> ConverterLine:
    rows = (row,) if row is not None else FORMATS
    fits = [one for one in rows if one.site is not None and why_not(one, site, number) is None]
    if not fits:
        return ConverterLine(problem="site code and card number that fit no format with both")
    more = "" if row is not None else "; the format is a guess, --expect says it"
    note = f"site code and card number, frame built as {fits[0].name}: its parity was not received{more}"
    return ConverterLine(build_bits(fits[0], site, number), True, note=note)


def _decimal(digits: str, row: CardFormat | None) -> ConverterLine:
    value = int(digits)
    rows = (row,) if row is not None else FORMATS
    fits = [one for one in rows if not value >> one.data_bits]
    if not fits:
        return ConverterLine(problem="a decimal that is more than a format carries")
    more = "" if row is not None else "; the format is a guess, --expect says it"
    note = f"decimal, frame built as {fits[0].name}: its parity was not received{more}"
    try:
        return ConverterLine(build_data(fits[0], value), True, note=note)
    except ValueError:
        return ConverterLine(problem=f"a decimal that {fits[0].name} does not carry")
