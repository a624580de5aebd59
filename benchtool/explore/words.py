"""Places, octets and check values in words, the same in the report, in notes and in `--json`."""

from __future__ import annotations

from collections.abc import Sequence

from benchtool.frames.check_value import CheckKind, CheckValue
from benchtool.frames.protocol_table import LengthRule, Place

_KINDS = {
    CheckKind.SUM: "sum of octets",
    CheckKind.XOR: "exclusive or of octets",
    CheckKind.SUM_END_AROUND: "sum of octets with end-around carry",
    CheckKind.WORDS_END_AROUND: "sum of 16-bit words with end-around carry",
    CheckKind.FLETCHER_255: "Fletcher sum modulo 255",
    CheckKind.FLETCHER_256: "Fletcher sum modulo 256",
}
_MOST_COUNTED = 12


def hex_words(octets: bytes) -> str:
    """`02 1F`."""
    return octets.hex(" ").upper()


def place_words(place: Place) -> str:
    """`octet 1`, `octet 1 bit 7`, `octets 2 and 3, low first`."""
    if place.size == 2:
        return f"octets {place.at} and {place.at + 1}, {'low' if place.little else 'high'} first"
    if place.mask == 0xFF:
        return f"octet {place.at}"
    if place.mask.bit_count() == 1:
        return f"octet {place.at} bit {place.mask.bit_length() - 1}"
    return f"octet {place.at} with mask {place.mask:02X}"


def length_words(rule: LengthRule) -> str:
    """`the length of a frame is octet 2 plus 5`."""
    if rule.add == 0:
        return f"the length of a frame is {place_words(rule.place)}"
    sign = "plus" if rule.add > 0 else "less"
    return f"the length of a frame is {place_words(rule.place)} {sign} {abs(rule.add)}"


def counted(values: Sequence[int]) -> str:
    """`1, 2, 3`; the rest as a number where there are many."""
    shown = ", ".join(map(str, values[:_MOST_COUNTED]))
    return shown if len(values) <= _MOST_COUNTED else f"{shown} and {len(values) - _MOST_COUNTED} more"


def check_words(check: CheckValue) -> str:
    """The check value, its parameters where it has no name, what it covers, and how it is sent."""
    digits = -(-check.width // 4)
    if check.kind is CheckKind.CRC:
        what = check.name or (
            f"CRC of {check.width} bits, polynomial {check.poly:0{digits}X}, start {check.init:0{digits}X}, "
            f"{'' if check.refin else 'not '}reflected"
            + (f" (result {'' if check.refout else 'not '}reflected)" if check.refin is not check.refout else "")
            + f", final xor {check.xorout:0{digits}X}"
        )
    else:
        what = f"{check.width}-bit {_KINDS[check.kind]}"
        if check.negate:
            what += ", negated (two's complement)"
        if check.xorout:
            ones = check.xorout == (1 << check.width) - 1
            what += ", inverted (ones' complement)" if ones else f", xor {check.xorout:0{digits}X}"
        if check.init:
            what += f", start {check.init:0{digits}X}"
    parts = [what, "over all octets before it" if check.start == 0 else f"from octet {check.start}"]
    if check.gap:
        parts.append(f"leaving out {check.gap} octet(s) before it")
    if check.size > 1:
        parts.append(f"{'low' if check.little else 'high'} octet first" if check.width > 8 else "")
    if check.text:
        parts.append("sent as hex characters")
    if check.tail:
        parts.append(f"{check.tail} octet(s) after it")
    return ", ".join(part for part in parts if part)
