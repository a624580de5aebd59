"""Which card to read next, and how many more: what would settle what the reads leave open."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, log2

from benchtool.explore.card_infer import SURE, Inferred
from benchtool.explore.card_samples import members
from benchtool.frames.card.formats import Writing
from benchtool.frames.card.places import places_text

_ENOUGH = 7.0
"""Bits of odds for 99 %, and a little more."""
_PRINTED = 4
_ALIKE = 0.2
"""A number field that is less sure may be chance, rather than one of a few that fit."""


@dataclass(frozen=True, slots=True)
class Next:
    """One kind of card to read."""

    kind: str
    """A short name, for scripts."""
    cards: int
    """How many such cards, by what is to be expected of random ones."""
    words: str
    """What to do and why."""


def next_cards(found: Inferred) -> tuple[Next, ...]:
    """What to read next, the most useful first; empty where nothing is open."""
    made: list[Next] = []
    if found.turned:
        words = "nothing for now: mend what turns the bits round, then read the cards again"
        return (Next("mend first", 0, words),)
    if found.odd or found.doubtful:
        words = (
            "read again the cards whose reads are odd or doubtful: damage changes from read to read, a format does not"
        )
        made.append(Next("read again", len(found.odd) + len(found.doubtful), words))
    made += [one for one in (_other_site(found), _more(found)) if one]
    made += _number(found)
    return tuple(made)


def _more(found: Inferred) -> Next | None:
    parity = found.parity
    weak = [relation.net for relation in parity.relations if relation.sure < SURE]
    doubts = [relation.net for relation in parity.maybe]
    lacking = ceil(_ENOUGH - min(weak)) if weak else 0
    if parity.open:
        # Each further card that differs at random breaks half of what holds by chance.
        lacking = max(lacking, parity.open + ceil(_ENOUGH - log2(parity.open + 1)))
    if not lacking:
        return None
    words = f"about {lacking} more cards whose numbers are far apart, any site"
    if parity.open:
        words += f": {parity.open} more relation(s) still hold, by chance or by parity"
    elif doubts or weak:
        words += ": a parity group may be chance"
    return Next("different numbers", lacking, words)


def _other_site(found: Inferred) -> Next | None:
    parity = found.parity
    fixed = members(~parity.care & ((1 << parity.length) - 1), parity.length)
    together = members(parity.together, parity.length)
    if found.all_sites or (not fixed and not together):
        return None
    told = [f"bits {places_text(fixed)} never changed"] if fixed else []
    told += [f"bits {places_text(together)} took few values"] if together else []
    unknown = "which parity groups cover them cannot be told, nor" if parity.relations else "it cannot be told"
    words = f"cards of other sites or batches: {' and '.join(told)}; {unknown} whether they are a site code"
    words += " (if there are none: --all-sites)"
    return Next("another site or batch", 1 + min(3, len(together)), words)


def _number(found: Inferred) -> list[Next]:
    if not found.numbers:
        if found.printed:
            words = (
                "no field gives all the printed numbers: one may be mistyped, or the number is not printed as it is"
                " sent; compare them with the cards, and read one more"
            )
            return [Next("printed number", 1, words)]
        words = f"the numbers printed on {_PRINTED} of the cards, far apart: without them the number field is not known"
        return [Next("printed number", _PRINTED, words)]
    best, share = found.numbers[0]
    if share >= SURE:
        return []
    if share < _ALIKE:
        words = (
            "printed numbers of two more cards, far from those given: these are so few, or so alike, that the fields"
            " that give them may be chance"
        )
        return [Next("printed number", 2, words)]
    if found.printed < _PRINTED:
        more = _PRINTED - found.printed
        return [Next("printed number", more, f"the printed numbers of {more} more card(s), far from those given")]
    rivals = [fit.field for fit, _ in found.numbers]
    low = {field.places[-1] for field in rivals}
    if len(low) == 1 and len({field.count for field in rivals}) > 1:
        least = min(field.count for field in rivals)
        above = 10 ** (least // 4) if best.field.writing is Writing.BCD else 1 << least
        words = (
            f"a card with a printed number of {above} or more, or the highest there is: the field's upper end is open"
        )
        return [Next("high number", 1, words)]
    words = "two cards with consecutive printed numbers, and one far from them: the field's place or order is open"
    return [Next("consecutive numbers", 3, words)]
