"""From parity relations and a number field to card formats: which bit of a group is its parity bit, what the rest is.

A relation does not say which of its bits was worked out from the others; any may be called the parity bit, and the
frames are the same. The bits at the ends of the frame and of the group are likeliest, bits of a number impossible.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import product

from benchtool.explore.card_parity import Relation
from benchtool.explore.card_patterns import bit_price
from benchtool.explore.card_samples import Span, members
from benchtool.frames.card.formats import CardField, CardFormat, Constant, ParityGroup, Sense

_OPTIONS = 6
_MOST_CHOICES = 8000
_SHARED_PRICE = 3.0
_INSIDE_PRICE = 2.0
_ALONE_PRICE = -3.0
LEAST_SITE = 4
"""Fewer constant bits before a number are not called a site code."""


def parity_bits(
    relations: Sequence[Relation], length: int, care: int, taken: frozenset[int] = frozenset()
) -> tuple[int, ...] | None:
    """The likeliest parity bit of each relation, none in `taken`; None where they cannot all have one of their own."""
    if not relations:
        return ()
    masks = [relation.mask & care for relation in relations]
    options: list[list[tuple[float, int]]] = []
    for index, mask in enumerate(masks):
        others = [other for at, other in enumerate(masks) if at != index]
        priced = sorted((_price(place, mask, others, length), place) for place in members(mask, length))
        options.append([row for row in priced if row[1] not in taken])
    size = _OPTIONS
    while size > 1 and size ** len(options) > _MOST_CHOICES:
        size -= 1
    best: tuple[float, tuple[int, ...]] | None = None
    for choice in product(*(rows[:size] for rows in options)):
        places = tuple(place for _, place in choice)
        price = sum(price for price, _ in choice)
        if (best is None or price < best[0]) and _solvable(masks, places, length):
            best = price, places
    return best[1] if best else _any_bits(masks, length, taken)


def _price(place: int, mask: int, others: list[int], length: int) -> float:
    def covered(at: int) -> bool:
        return 1 <= at <= length and bool(mask >> (length - at) & 1)

    before, after = covered(place - 1), covered(place + 1)
    price = bit_price(place, length) + (_INSIDE_PRICE if before and after else 0.0)
    if not before and not after:
        price += _ALONE_PRICE
    return price + _SHARED_PRICE * sum(other >> (length - place) & 1 for other in others)


def _solvable(masks: list[int], places: tuple[int, ...], length: int) -> bool:
    if len(set(places)) < len(places):
        return False
    rows = [sum((mask >> (length - place) & 1) << at for at, place in enumerate(places)) for mask in masks]
    return len(Span(rows)) == len(rows)


def _any_bits(masks: list[int], length: int, taken: frozenset[int]) -> tuple[int, ...] | None:
    """Parity bits by elimination, where the likeliest ones do not go together."""
    allowed = sorted(set(range(1, length + 1)) - taken, key=lambda at: (bit_price(at, length), at))
    left = list(masks)
    found: dict[int, int] = {}
    for place in allowed:
        bit = 1 << (length - place)
        index = next((at for at, mask in enumerate(left) if at not in found and mask & bit), None)
        if index is not None:
            found[index] = place
            left = [mask ^ left[index] if at != index and mask & bit else mask for at, mask in enumerate(left)]
    return _each_its_own(masks, tuple(found.values()), length) if len(found) == len(masks) else None


def _each_its_own(masks: list[int], places: tuple[int, ...], length: int) -> tuple[int, ...] | None:
    """The places in an order in which each lies in its own mask: there is one wherever they can be worked out."""
    owner: dict[int, int] = {}

    def find(at: int, tried: set[int]) -> bool:
        for place in places:
            if place not in tried and masks[at] >> (length - place) & 1:
                tried.add(place)
                if place not in owner or find(owner[place], tried):
                    owner[place] = at
                    return True
        return False

    if not all(find(at, set()) for at in range(len(masks))):
        return None
    by_mask = {at: place for place, at in owner.items()}
    return tuple(by_mask[at] for at in range(len(masks)))


def in_order(relations: Sequence[Relation], bits: Sequence[int]) -> tuple[Relation, ...]:
    """Relations in the order in which `build_format` puts the groups of these parity bits."""
    return tuple(relation for _, relation in sorted(zip(bits, relations, strict=True), key=lambda row: row[0]))


def build_format(
    name: str,
    length: int,
    relations: Sequence[Relation],
    bits: tuple[int, ...],
    fields: Sequence[CardField],
    care: int,
    first_read: int,
    source: str,
) -> CardFormat:
    """A format with these groups and fields; the bits that are left become further fields or constants."""
    groups = tuple(
        ParityGroup(
            bit,
            Sense.ODD if relation.odd else Sense.EVEN,
            tuple(place for place in members(relation.mask, length) if place != bit),
        )
        for relation, bit in zip(relations, bits, strict=True)
    )
    used = set(bits) | {place for field in fields for place in field.places}
    data = [place for place in range(1, length + 1) if place not in bits]
    made = list(fields)
    constants = []
    for run in _runs(data, used):
        changes = any(care >> (length - place) & 1 for place in run)
        names = {field.name for field in made}
        if not changes and (not fields or len(run) < LEAST_SITE or "site_code" in names):
            value = sum((first_read >> (length - place) & 1) << at for at, place in enumerate(reversed(run)))
            constants.append(Constant(run, value))
        elif not fields:
            made.append(CardField(_free_name("card_number", names), run))
        else:
            made.append(CardField(_free_name("site_code" if len(run) >= LEAST_SITE else "unexplained", names), run))
    made.sort(key=lambda field: field.first)
    if not made:
        made = [CardField("card_number", tuple(data))]
        constants = []
    return CardFormat(name, length, tuple(made), tuple(sorted(groups, key=lambda g: g.bit)), source, tuple(constants))


def _free_name(wanted: str, names: set[str]) -> str:
    if wanted not in names:
        return wanted
    stem = "field" if wanted == "site_code" else wanted
    return next(name for at in range(2, 999) if (name := f"{stem}_{at}") not in names)


def _runs(data: list[int], used: set[int]) -> Iterator[tuple[int, ...]]:
    """Unused places that follow each other when parity bits are passed over."""
    run: list[int] = []
    for place in data:
        if place in used:
            if run:
                yield tuple(run)
            run = []
        else:
            run.append(place)
    if run:
        yield tuple(run)
