"""An unknown card format out of a handful of reads: parity groups, number field, site code, and how sure each is.

Lists every layout that the reads leave open, says which reads are odd, and which card to read next (`card_next.py`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import Enum

from benchtool.explore.card_doubts import OddRead, contradictions, lone_bits
from benchtool.explore.card_layout import build_format, in_order, parity_bits
from benchtool.explore.card_number import Fit, Frame, find_number, in_frame, shares
from benchtool.explore.card_parity import Parity, Relation, find_parity
from benchtool.explore.card_samples import CardSample, by_length, distinct, members
from benchtool.explore.card_turned import Turned, turned_formats
from benchtool.frames.card.decode import decode_as
from benchtool.frames.card.format_rules import check_format
from benchtool.frames.card.formats import FORMATS, SEEN, CardField, CardFormat

SURE = 0.99
_LEAST_SHARE = 0.01
_MOST_LAYOUTS = 6
_MOST_WEIGHED = 16
_LEAST_READS = 3
_LEAST_PRINTED = 4
_MOST_LEFT_OUT = 12
_BORNE_OUT = 16.0
"""Bits for a field that gives all printed numbers, from which none of them is thought wrong."""
_MISPRINT_PRICE = 8.0
"""Bits that it costs to say that one printed number is wrong."""
_ALONE_WORDS = "without it one more parity group would hold: damaged, or the only card of its kind"
_DAMAGED = (
    "it breaks parity that all others keep: damaged",
    "it breaks parity that all others keep, and was read so twice: a card of another format rather than damage",
)
_LEAST_LONG = 8
"""Shorter reads are keys, or noise."""


class Verdict(Enum):
    """What came of it; the value is what `--json` prints."""

    SETTLED = "settled"
    TURNED = "a published format, its bits turned round"
    SEVERAL = "several layouts fit"
    NOTHING = "nothing found"


@dataclass(frozen=True, slots=True)
class Layout:
    """A format that fits the reads, and how likely it is beside the others."""

    format: CardFormat
    share: float
    relations: tuple[Relation, ...]
    """The relation of each parity group of the format, in their order."""


@dataclass(frozen=True, slots=True)
class Inferred:
    """What the reads of one length tell."""

    length: int
    reads: int
    """Reads given, repeats and odd ones counted."""
    cards: int
    """Different reads among them."""
    printed: int
    """Different cards whose number was given and that were used to find the number field."""
    parity: Parity
    layouts: tuple[Layout, ...]
    """Likeliest first; never empty. Those that are only other parity bits or bases for the same frames are one."""
    numbers: tuple[tuple[Fit, float], ...]
    """Fields that give all printed numbers, with the share of each; empty where none does, or none was printed."""
    odd: tuple[OddRead, ...]
    doubtful: tuple[OddRead, ...]
    """Reads that may be damaged and were used all the same."""
    known: tuple[str, ...]
    """Formats of the table whose parity all the reads keep."""
    turned: tuple[Turned, ...]
    """Formats of the table that the reads keep with their bits turned round."""
    all_sites: bool
    """Whether it was said that there are no cards of other sites or batches."""
    verdict: Verdict

    @property
    def best(self) -> CardFormat:
        """The likeliest layout."""
        return self.layouts[0].format

    @property
    def number_sure(self) -> float:
        """How sure the number field is; 0 where it was not looked for."""
        return self.numbers[0][1] if self.numbers else 0.0


def infer(
    samples: Iterable[CardSample], *, name: str = "unknown", tables: bool = True, all_sites: bool = False
) -> list[Inferred]:
    """What the reads tell, one answer for each length that has reads enough, the most frequent length first.

    Reads of other lengths are named as odd in the first answer. `tables`: groups that published formats have are
    likelier than others. `all_sites`: bits that never changed never will. Empty where no length has 3 different reads
    of 8 bits or more.
    """
    given = list(samples)
    groups = by_length(given)
    enough = [length for length in groups if length >= _LEAST_LONG and len(distinct(groups[length])) >= _LEAST_READS]
    found = [
        _of_length(length, groups[length], f"{name} {length}" if len(enough) > 1 else name, tables, all_sites)
        for length in enough
    ]
    if found:
        stray = [
            OddRead(sample.where, _length_words(length, found[0].length))
            for length, group in groups.items()
            if length not in enough
            for sample in group
        ]
        found[0] = replace(found[0], odd=(*found[0].odd, *stray))
    return found


def _length_words(length: int, usual: int) -> str:
    apart = abs(length - usual)
    if apart <= 2:
        return f"{length} bits, {apart} {'fewer' if length < usual else 'more'} than the others: a bit lost or doubled"
    return f"{length} bits, not {usual}: another format, a key of a keypad, or noise"


def _of_length(length: int, group: Sequence[CardSample], name: str, tables: bool, all_sites: bool) -> Inferred:
    cards = distinct(group)
    counted = Counter(sample.bits for sample in group)
    repeated: set[object] = {bits for bits, count in counted.items() if count > 1}
    rows = [row for row in FORMATS + SEEN if row.length == length] if tables else []
    masks = {parity.mask(length) for row in rows for parity in row.parity}
    parity = find_parity([card.bits.value for card in cards], length, masks)
    odd = [OddRead(cards[at].where, _DAMAGED[cards[at].bits in repeated]) for at in parity.odd]
    kept = [card for at, card in enumerate(cards) if at not in parity.odd]
    odd += contradictions(kept)
    known = tuple(row.name for row in rows if all(decode_as(row, card.bits).parity_ok for card in kept))
    fits, used, wrong = _number_fits(parity, kept, [row.number for row in rows if row.name in known])
    odd += [
        OddRead(card.where, "the printed number does not go with the others: misread, or damaged") for card in wrong
    ]
    layouts = _layouts(parity, fits, kept, name)
    alone = [OddRead(cards[at].where, _ALONE_WORDS) for at in parity.alone]
    lone = lone_bits(kept, repeated, layouts[0].relations, layouts[0].format.number if fits else None)
    alone += [one for one in lone if one.where not in {cards[at].where for at in parity.alone}]
    turned = turned_formats(rows, kept)
    return Inferred(
        length,
        len(group),
        len(cards),
        used,
        parity,
        layouts,
        fits,
        tuple(odd),
        tuple(alone),
        known,
        turned,
        all_sites,
        Verdict.TURNED if turned else _verdict(parity, fits, layouts, bool(alone), all_sites),
    )


def _number_fits(
    parity: Parity, cards: Sequence[CardSample], likely: Sequence[CardField]
) -> tuple[tuple[tuple[Fit, float], ...], int, list[CardSample]]:
    """The fields that give the printed numbers, how many cards they rest on, and cards that had to be left out."""
    printed = [card for card in cards if card.printed is not None]
    if not printed:
        return (), 0, []
    # Of all that are printed: one that is shorter shows that no leading zeros are printed, also where it is left out.
    counts = {card.printed.digits for card in printed if card.printed is not None}
    digits = counts.pop() if len(counts) == 1 else 0
    found = _search(parity, printed, digits, likely)
    if len(printed) >= _LEAST_PRINTED and _strength(found) < _BORNE_OUT:
        best: tuple[float, tuple[tuple[Fit, float], ...], list[CardSample]] = (_strength(found), found, [])
        for at, card in list(enumerate(printed))[:_MOST_LEFT_OUT]:
            tried = _search(parity, [*printed[:at], *printed[at + 1 :]], digits, likely, thorough=False)
            if tried and tried[0][1] > 0.5:
                best = max(best, (_strength(tried) - _MISPRINT_PRICE, tried, [card]), key=lambda row: row[0])
        if best[2]:
            return best[1], len(printed) - 1, best[2]
    return found, len(printed), []


def _strength(found: Sequence[tuple[Fit, float]]) -> float:
    return found[0][0].evidence - found[0][0].price if found else 0.0


def _frame(parity: Parity, first: int) -> Frame:
    length = parity.length
    bits = parity_bits(parity.relations, length, parity.care) or ()
    covered = frozenset(place for relation in parity.relations for place in members(relation.mask, length))
    constant = frozenset(members(~parity.care & (1 << length) - 1, length))
    return Frame(
        length,
        frozenset(bits),
        covered,
        constant,
        frozenset(place for place in constant if first >> (length - place) & 1),
    )


def _search(
    parity: Parity,
    cards: Sequence[CardSample],
    digits: int,
    likely: Sequence[CardField],
    *,
    thorough: bool = True,
) -> tuple[tuple[Fit, float], ...]:
    frame = _frame(parity, cards[0].bits.value)
    reads = [(card.bits.value, card.printed.number) for card in cards if card.printed is not None]
    fits = find_number(frame, reads, digits, likely=likely, thorough=thorough)
    # The first guess at the parity bits did not know the field; now they are chosen beside each field.
    again = []
    for fit in fits[:_MOST_WEIGHED]:
        bits = parity_bits(parity.relations, parity.length, parity.care, frozenset(fit.field.places))
        if bits is not None:
            again.append(in_frame(fit, replace(frame, parity=frozenset(bits)), digits))
    again.sort(key=lambda fit: fit.price)
    ranked = list(zip(again, shares(again), strict=True))
    # Numbers that are alike prove no field, and yet fields that give them all are listed.
    least = min(_LEAST_SHARE, ranked[0][1] / 4) if ranked else 0.0
    return tuple((fit, share) for fit, share in ranked if share >= least)[:_MOST_LAYOUTS]


def _layouts(
    parity: Parity, fits: Sequence[tuple[Fit, float]], cards: Sequence[CardSample], name: str
) -> tuple[Layout, ...]:
    """Formats for each number field and each filling of the places that never change, likeliest first."""
    made: list[Layout] = []
    tried: list[tuple[Fit | None, float]] = [*fits] or [(None, 1.0)]
    for fit, share in tried:
        fields = [fit.field] if fit else []
        if fit:
            site = _site_field(parity, fit, cards)
            fields += [site] if site else []
        taken = frozenset(place for field in fields for place in field.places)
        for relations, filled in _filled(parity.relations, cards[0].bits.value):
            bits = parity_bits(relations, parity.length, parity.care, taken)
            if bits is None:
                continue
            source = f"worked out from {parity.reads} reads"
            row = build_format(name, parity.length, relations, bits, fields, parity.care, cards[0].bits.value, source)
            check_format(row)
            made.append(Layout(row, share * filled, in_order(relations, bits)))
    if not made:
        bits = parity_bits(parity.relations, parity.length, parity.care) or ()
        kept = parity.relations if bits else ()
        first = cards[0].bits.value
        row = build_format(
            name, parity.length, kept, bits, [], parity.care, first, f"worked out from {parity.reads} reads"
        )
        made.append(Layout(row, 1.0, in_order(kept, bits)))
    made.sort(key=lambda layout: -layout.share)
    return tuple(made[:_MOST_LAYOUTS])


def _filled(relations: Sequence[Relation], first: int) -> list[tuple[tuple[Relation, ...], float]]:
    """The relations with each likely filling of the places that never change; one relation at a time is varied."""
    best = 1.0
    for relation in relations:
        best *= relation.fillings[0][1]
    made = [(tuple(relations), best)]
    for at, relation in enumerate(relations):
        for mask, share in relation.fillings[1:]:
            other = replace(relation, mask=mask, odd=(first & mask).bit_count() & 1)
            made.append(((*relations[:at], other, *relations[at + 1 :]), best * share / relation.fillings[0][1]))
    return [row for row in made if row[1] >= _LEAST_SHARE] or made[:1]


def _site_field(parity: Parity, fit: Fit, cards: Sequence[CardSample]) -> CardField | None:
    reads = [(card.bits.value, card.printed.site) for card in cards if card.printed and card.printed.site is not None]
    if not reads:
        return None
    frame = replace(_frame(parity, cards[0].bits.value), taken=frozenset(fit.field.places))
    fits = find_number(frame, reads, offsets=False, name="site_code")
    return fits[0].field if fits else None


def _verdict(
    parity: Parity, fits: Sequence[tuple[Fit, float]], layouts: Sequence[Layout], doubtful: bool, all_sites: bool
) -> Verdict:
    if not parity.relations and not fits and parity.open:
        return Verdict.NOTHING
    sure = all(relation.sure >= SURE for relation in parity.relations) and not parity.open and not doubtful
    # Bits that never changed, or only together, may belong to a group or not, and may be a site code: no shape proves
    # it. Where there are no other sites it does not matter.
    told = all_sites or (parity.care == (1 << parity.length) - 1 and not parity.together)
    if sure and told and fits and fits[0][1] >= SURE and len(layouts[0].relations) == len(parity.relations):
        return Verdict.SETTLED
    return Verdict.SEVERAL
