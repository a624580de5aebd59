"""Whether a serial number that was noted from a label is the one that a device says of itself.

OSDP's identity carries the serial as 32 bits (sheet 5.5); labels show it in decimal or in hexadecimal, with letters
before it or none, and some makers print another number altogether (common practice, no published source).
"""

from __future__ import annotations

import re

_DECIMAL = re.compile(r"[0-9]+")
_HEXADECIMAL = re.compile(r"(?:0X)?([0-9A-F]{1,8})H?")
_HEAD = re.compile(r"^(?:SERIAL|S/?N|NO|NR)?[\s.:#]*", re.IGNORECASE)
_WRITTEN_BEFORE = re.compile(r"^(?:(?:SERIAL|S/?N|NUMBER|NO|NR)(?=[\s.:#])[\s.:#]*)*", re.IGNORECASE)
_FULL = 8
"""Hexadecimal digits of 32 bits: so many decimal digits may be either."""
_MOST = 2**32


def plain(noted: str) -> str:
    """A noted serial without what people write before and between: `SN di-5037` and `DI 5037` are one.

    Between two digits something parts them still: `I1-10` and `I11-0` are two.
    """
    bare = _WRITTEN_BEFORE.sub("", noted.strip())
    parts = [re.sub(r"[\W_]", "", part) for part in re.split(r"(?<=[0-9])[\W_]+(?=[0-9])", bare)]
    return "-".join(parts).upper()


def serials_of(noted: str) -> frozenset[int]:
    """The 32-bit numbers that a noted serial can mean; empty where it cannot be held against a device's."""
    text = _HEAD.sub("", noted.strip()).replace(" ", "").replace("-", "").replace(":", "").upper()
    if not text.isascii():
        return frozenset()
    found: set[int] = set()
    if _DECIMAL.fullmatch(text) and len(text) <= 12:
        found.add(int(text))
    match = _HEXADECIMAL.fullmatch(text)
    if match is not None and (len(match[1]) == _FULL or not _DECIMAL.fullmatch(text)):
        found.add(int(match[1], 16))
    return frozenset(one for one in found if one < _MOST)
