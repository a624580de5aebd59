"""Reads that stand alone among others of their length: one printed number twice, one bit that no other read has."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from benchtool.explore.card_parity import Relation
from benchtool.explore.card_samples import CardSample
from benchtool.frames.card.formats import CardField

_LEAST_READS = 12
"""Among fewer reads many bits are set in one read alone."""


@dataclass(frozen=True, slots=True)
class OddRead:
    """A read that does not go with the others."""

    where: str
    why: str


def contradictions(cards: Sequence[CardSample]) -> list[OddRead]:
    """Reads of one card, by its printed number, whose bits differ."""
    by_print: dict[tuple[int | None, int], list[CardSample]] = {}
    for card in cards:
        if card.printed is not None:
            by_print.setdefault((card.printed.site, card.printed.number), []).append(card)
    return [
        OddRead(card.where, f"other bits than {same[0].where} and the same printed number: another site, or damage")
        for same in by_print.values()
        for card in same[1:]
    ]


def lone_bits(
    cards: Sequence[CardSample], repeated: set[object], relations: Iterable[Relation], number: CardField | None
) -> list[OddRead]:
    """Reads that alone have some one bit the other way round, where no parity group bears that bit out.

    Not for bits of the `number`, nor for bits that were read so twice (`repeated`): damage changes from read to read.
    """
    if len(cards) < _LEAST_READS or number is None:
        return []
    length = cards[0].bits.length
    borne_out = 0
    for relation in relations:
        borne_out |= relation.mask
    alone: dict[int, list[int]] = {}
    for place in range(1, length + 1):
        bits = [card.bits.value >> (length - place) & 1 for card in cards]
        if sum(bits) in (1, len(bits) - 1):
            alone.setdefault(bits.index(int(sum(bits) == 1)), []).append(place)
    found = []
    for at, places in alone.items():
        place = places[0]
        if len(places) > 1 or place in number.places or cards[at].bits in repeated:
            continue
        if not borne_out >> (length - place) & 1:
            why = f"bit {place} is so in this read alone, and no parity bears it out: damaged, or the only of its kind"
            found.append(OddRead(cards[at].where, why))
    return found
