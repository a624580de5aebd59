"""Units as people write them, in the headings of a list and behind a number: a number in another unit than the record's
must not pass for one in the record's.
"""

from __future__ import annotations

import re

from benchtool.install.schema import Slot

_OWN = {
    "m": ("m", "metre", "metres", "meter", "meters"),
    "V": ("v", "volt", "volts"),
    "A": ("a", "amp", "amps", "ampere", "amperes"),
    "mA": ("ma", "milliamp", "milliamps"),
    "ohm": ("ohm", "ohms", "ω"),
    "Ah": ("ah",),
    "h": ("h", "hour", "hours"),
    "ns": ("ns",),
    "mm²": ("mm2", "sq mm"),
    "bit/s": ("bit s", "bits s", "bps", "baud", "bd"),
    "nF/km": ("nf km", "nf per km"),
    "°C": ("c", "celsius"),
    "AWG": ("awg",),
    "unit loads": ("unit load", "unit loads"),
}
"""The record's units, and how headings write them: small letters, signs as spaces."""
_OTHERS = (
    *("ft", "foot", "feet", "in", "inch", "inches", "yd", "yard", "yards", "km", "cm", "mm", "mile", "miles"),
    *("mv", "kv", "kohm", "kohms", "k", "mohm", "mah", "wh", "w", "min", "minutes", "s", "ms", "us", "µs", "ps"),
    *("kbit s", "kbps", "kbaud", "pf m", "pf ft", "nf m", "f", "fahrenheit"),
)
_WORDS = {**{word: word for word in _OTHERS}, **{word: unit for unit, words in _OWN.items() for word in words}}
_BRACKETS = re.compile(r"[(\[]([^)\]]*)[)\]]")


def is_unit(words: str, unit: str) -> bool:
    """Whether these words are a way to write a unit of the record: `baud` for `bit/s`, `metres` for `m`."""
    return words.lower() == unit.lower() or _WORDS.get(_plain(words)) == unit


def is_own(words: str) -> bool:
    """Whether what stands in a heading's brackets is a unit of the record."""
    return _WORDS.get(_plain(words)) in _OWN


def unit_of(heading: str) -> str | None:
    """The unit that a heading says, in brackets or as its last word; None where it says none that is known."""
    for inside in _BRACKETS.findall(heading):
        if inside.strip() in ("'", "′"):
            return "ft"
        if _plain(inside) in _WORDS:
            return _WORDS[_plain(inside)]
    words = _plain(_BRACKETS.sub(" ", heading)).split()
    for count in (3, 2, 1):
        last = " ".join(words[-count:])
        # A single letter at the end is as often a number of something.
        if len(words) > (1 if count == 1 else 0) and len(last) > 1 and last in _WORDS:
            return _WORDS[last]
    return None


def other_unit(heading: str, slot: Slot) -> str | None:
    """The unit that a heading says where the field's is another; None where they agree or nothing can be said."""
    unit = unit_of(heading)
    return unit if slot.meaning.unit and unit not in (None, slot.meaning.unit) else None


def _plain(words: str) -> str:
    return re.sub(r"[^a-z0-9ωµ]+", " ", words.lower().replace("²", "2").replace("μ", "µ")).strip()
