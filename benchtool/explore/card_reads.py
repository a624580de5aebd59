"""A list of reads as people write it: one a line, bits or hex with a length, `= NUMBER` where the card shows one.

Card numbers are secrets: an error names the line and what is wanted there, never what was typed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from benchtool.explore.card_samples import CardSample, Printed
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.places import LONGEST

_PRINTED = re.compile(r"(?:([0-9]{1,12})\s*[,:]\s*)?([0-9]{1,24})")
_HEX = re.compile(r"(?:0[xX])?([0-9A-Fa-f]+)(?:/([0-9]{1,3}))?")


class ReadsError(ValueError):
    """A line that cannot be read; the message is one line with the mend, and repeats no card."""


def parse_reads(lines: Iterable[str], *, length: int | None = None) -> list[CardSample]:
    """The reads of a list. `length` is the number of bits of hex that says none. Raises ReadsError."""
    found = []
    for number, line in enumerate(lines, 1):
        text = line.partition("#")[0].strip().lstrip("\ufeff").strip()
        if text:
            found.append(_sample(text, f"line {number}", length))
    return found


def _sample(text: str, where: str, length: int | None) -> CardSample:
    read, equals, printed = text.partition("=")
    bits = _bits(re.sub(r"[\s_]+", "", read), where, length)
    if not equals:
        return CardSample(bits, None, where)
    match = _PRINTED.fullmatch(printed.strip())
    if match is None:
        raise ReadsError(f"{where}: after = the number printed on the card is wanted, or site code,number, in digits")
    site, number = match[1], match[2]
    return CardSample(bits, Printed(int(number), int(site) if site else None, len(number)), where)


def _bits(text: str, where: str, length: int | None) -> Bits:
    if text and not text.strip("01") and (length is None or len(text) == length or len(text) > 2 * (length + 7) // 8):
        if len(text) > LONGEST:
            raise ReadsError(f"{where}: {len(text)} bits are too many for a card: {LONGEST} at most")
        return Bits.of(text)
    match = _HEX.fullmatch(text)
    if match is None:
        raise ReadsError(f"{where}: bits (0 and 1) or hex with its length in bits, as 1F/5, are wanted before any =")
    size = int(match[2]) if match[2] else length
    if size is None:
        raise ReadsError(f"{where}: hex needs its length in bits: write HEX/26, or add --length 26")
    if not 1 <= size <= LONGEST:
        raise ReadsError(f"{where}: a length of {size} bits cannot be read: 1 to {LONGEST}")
    value = int(match[1], 16)
    spare = 4 * len(match[1]) - size
    if value >> size:
        # Whole octets that hold the first bit first, as an OSDP RAW reply has them.
        if len(match[1]) != 2 * ((size + 7) // 8):
            raise ReadsError(f"{where}: the hex holds more than {size} bits: correct the length")
        value >>= spare
    return Bits(value, size)
