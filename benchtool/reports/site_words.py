"""Words of the hand-over page: what was typed made harmless, figures with their units, what is not known said.

What looks like a key is never shown; what looks like a card number or a code in a free text only where asked for.
"""

from __future__ import annotations

import math
import unicodedata
from collections import defaultdict
from collections.abc import Callable, Iterable

from benchtool.install.confidence import rate_limit
from benchtool.reports.secret_words import masked

NOT_NOTED = "not noted"
HIDDEN = "[hidden]"
_UNSEEN = frozenset(
    "\u200b\u200e\u200f\u2028\u2029\ufeff" + "".join(map(chr, (*range(0x202A, 0x202F), *range(0x2066, 0x206A))))
)
"""Marks that turn the direction of a line round, or that nobody sees: a name must look like what it is."""


def visible(text: str) -> str:
    """The text with a visible mark in place of every control character; line ends and tabs become spaces."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(" " if one in "\n\t\r" else "\N{REPLACEMENT CHARACTER}" if _odd(one) else one for one in text)


def _odd(character: str) -> bool:
    return character in _UNSEEN or unicodedata.category(character) in ("Cc", "Cs", "Cn")


class Free(str):
    """A free text of the record, a note: whoever shows it hides in it what may be a secret, announced or not."""

    __slots__ = ()


def hushed(text: str, *, show: bool = False, free: bool = False) -> str:
    """A text without what looks like a key, and, unless `show`, without what looks like a card number or code."""
    return masked(text, HIDDEN, free=free, keys_alone=show)[0]


def taken_out(words: Iterable[str]) -> Callable[[str], str]:
    """What hides these words wherever they stand in a text, in capitals or not; quick for thousands of them."""
    by_length: dict[int, set[str]] = defaultdict(set)
    for word in words:
        by_length[len(word)].add(_folded(word))
    lengths = sorted(by_length, reverse=True)

    def without(text: str) -> str:
        folded, parts, place = _folded(text), [], 0
        while place < len(text):
            long = next((one for one in lengths if folded[place : place + one] in by_length[one]), 0)
            parts.append(HIDDEN if long else text[place])
            place += long or 1
        return "".join(parts)

    return without if lengths else str


def _folded(text: str) -> str:
    """In small letters, as long as it was."""
    small = text.lower()
    return small if len(small) == len(text) else "".join(one.lower()[:1] for one in text)


def amount(value: float | None, unit: str = "", *, places: int = 4) -> str:
    """`12.5 V`; what is not known says so."""
    if value is None:
        return NOT_NOTED
    return f"{value:.{places}g} {unit}".rstrip()


def metres(value: float | None) -> str:
    """A length, to the centimetre."""
    return NOT_NOTED if value is None else f"{round(value, 2):g} m"


def yes_no(value: bool | None, yes: str = "yes", no: str = "no") -> str:
    """Either, or that it is not noted."""
    return NOT_NOTED if value is None else yes if value else no


def at_most(failed: int, tried: int) -> str:
    """The share of failures that is not exceeded with 95 % confidence: `6.1 %`, rounded up to two figures."""
    if not tried:
        return "nothing can be said"
    rate = rate_limit(failed, tried).result.value
    if rate >= 1:
        return "100 %" if failed else "too few to say"
    step = 10.0 ** (math.floor(math.log10(100 * rate)) - 1)
    return f"{math.ceil(round(100 * rate / step, 6)) * step:.2g} %"


def several(count: int, one: str, many: str = "") -> str:
    """`1 door`, `3 doors`."""
    return f"{count} {one if count == 1 else many or one + 's'}"
