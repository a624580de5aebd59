"""Parity groups out of reads of one length: all relations that hold are found by linear algebra over GF(2).

Few reads satisfy many relations by chance, and places that never change belong to any group or none. So each relation
is weighed: what it explains (a bit a read) against its price (`card_patterns.py`). What is left open is said.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from heapq import heapify, heappop, heappush
from itertools import combinations, permutations

from benchtool.explore.card_hits import Masks, beyond_ties, classes, damage_price
from benchtool.explore.card_patterns import written_out_price
from benchtool.explore.card_samples import Span, changing, evidence, free_bits, ties
from benchtool.explore.gf2 import solve

MOST_GROUPS = 8
"""More than so many groups without a shape are not believed: the reads are too few."""
_ANY_PRICE, _ANY_MORE_PRICE = 3.0, 4.0
"""What it costs that a group has no shape at all: as the first group, and beside groups that have one."""
_DAMAGED_PRICE, _MORE_DAMAGED_PRICE = 8.0, 5.0
"""That a read is damaged, where it is seen by the algebra alone; and each further one."""
_DOUBTFUL = 4.0
"""Odds (as bits) against damage below which it is said all the same."""
_OTHER_SITE = 2
"""Bits of a site code in which a read differs from all others, so that it is no damage of one bit."""
_RARE = 2
"""Reads of a site, up to which they may be taken for damaged ones."""
_MOST_ALONE = 5
_LEAST_NET = 4.0
"""Bits below which a group is named as possible and not taken."""
_NESTED_PRICE = 3.0
_MOST_IN_BASES = 11
_LEAST_SHARE = 0.01
_MOST_LISTED = 6


@dataclass(frozen=True, slots=True)
class Relation:
    """Bits whose ones are always even, or always odd, in number: a parity group, its parity bit among them."""

    mask: int
    """Over the frame, bit 1 the most significant. Of places that never change, those that make the best shape."""
    odd: int
    """1 where the ones are odd in number."""
    net: float
    """Bits that it explains, less those that it takes to describe it."""
    fillings: tuple[tuple[int, float], ...]
    """Masks that differ only in places that never changed, with the share of each; the first is `mask`."""

    @property
    def sure(self) -> float:
        """How sure it is that this is no chance, 0 to 1."""
        return chance(self.net)


@dataclass(frozen=True, slots=True)
class Parity:
    """What the reads of one length tell about parity."""

    length: int
    reads: int
    """Different reads that it rests on, odd ones not counted."""
    care: int
    """Mask of the places that changed."""
    together: int
    """Mask of places that changed together with their neighbours only, as a site code of few values does."""
    relations: tuple[Relation, ...]
    share: float
    """How sure it is that the groups are these and not `others`, which accept the same frames: 0 to 1."""
    others: tuple[tuple[tuple[Relation, ...], float], ...]
    """The same relations written as other groups, with the share of each."""
    maybe: tuple[Relation, ...]
    """Relations that hold and have a shape, and are not sure enough to be taken."""
    open: int
    """Independent relations that hold and were not taken: more cards must break them, or bear them out."""
    odd: tuple[int, ...]
    """Reads (by index) that break relations which all others keep."""
    worth: float
    """Bits that all the relations save."""
    alone: tuple[int, ...] = ()
    """Reads (by index) without which one more relation would hold: damaged, or the only ones of their kind."""


def chance(net: float) -> float:
    """Odds of 2 to the power `net` as a probability."""
    return 1 / (1 + float(2 ** min(60.0, max(-60.0, -net))))


def find_parity(values: Sequence[int], length: int, known: Iterable[int] = ()) -> Parity:
    """Parity groups that different reads of `length` bits keep; `known` are masks of groups that formats have.

    Reads that break what all others keep are left out and named in `odd`.
    """
    everyone = list(values)
    return _resting(_found(everyone, length, list(known)), everyone)


def _found(everyone: list[int], length: int, known: list[int]) -> Parity:
    care = changing(everyone)
    tied = ties(everyone, length)
    # Of all reads: what is left out must not change what a read proves, or leaving out would pay.
    varied = free_bits(everyone, length)
    exact, nearly = classes(everyone, length, care, tied, known, varied)
    others = _of_other_sites(everyone, tied)
    nearly = [one for one in nearly if not one.bad & others]
    odd = _odd_reads(everyone, length, tied, _greedy(exact, everyone, varied), nearly, varied)
    found = (
        _without(everyone, length, known, odd, varied) if odd else _concluded(everyone, length, tied, exact, (), varied)
    )
    names = [index for index in range(len(everyone)) if index not in odd]
    standing = [odd | {names[at] for at in some} for some in _alone([everyone[index] for index in names], length)]
    standing = [some for some in standing if not some & others]
    if not standing or len(standing) > _MOST_ALONE:
        return found
    # A damaged read stands outside the space that all others span. So may a sound one, where the reads are few.
    if len(standing) > 1:
        standing.append(frozenset().union(*standing))
    tries = [(_without(everyone, length, known, some, varied), _damage(some) - _damage(odd)) for some in standing]
    best, price = max(tries, key=lambda row: row[0].worth - row[1])
    if best.worth - price > found.worth:
        return best
    doubted: set[int] = set()
    for tried, price in tries:
        if tried.worth - price > found.worth - _DOUBTFUL:
            doubted |= set(tried.odd) - odd
    return replace(found, alone=tuple(sorted(doubted)))


def _of_other_sites(values: list[int], tied: Span) -> frozenset[int]:
    """Reads (by index) of a site that hardly another read has: damage would leave them near to some other read.

    They differ from each of the others in two bits or more of those that only change together.
    """
    together = 0
    for mask in tied.basis():
        together |= mask
    parts = Counter(value & together for value in values)
    far = {
        part
        for part, count in parts.items()
        if count <= _RARE and all((part ^ other).bit_count() >= _OTHER_SITE for other in parts if other != part)
    }
    return frozenset(index for index, value in enumerate(values) if value & together in far)


def _resting(found: Parity, values: list[int]) -> Parity:
    """The same, less sure of relations that hold only because reads were left out: which ones was a choice."""
    price = _damage(frozenset(found.odd))

    def less(one: Relation) -> Relation:
        broken = any((values[at] & one.mask).bit_count() & 1 != one.odd for at in found.odd)
        return replace(one, net=one.net - price) if broken else one

    if not price:
        return found
    return replace(
        found,
        relations=tuple(map(less, found.relations)),
        others=tuple((tuple(map(less, basis)), share) for basis, share in found.others),
        maybe=tuple(map(less, found.maybe)),
    )


def _damage(odd: frozenset[int]) -> float:
    return _DAMAGED_PRICE + _MORE_DAMAGED_PRICE * (len(odd) - 1) if odd else 0.0


def _without(values: list[int], length: int, known: list[int], odd: frozenset[int], varied: int) -> Parity:
    kept = [value for index, value in enumerate(values) if index not in odd]
    tied = ties(kept, length)
    exact, _ = classes(kept, length, changing(kept), tied, known, varied, damaged=0)
    return _concluded(kept, length, tied, exact, tuple(sorted(odd)), varied)


def _alone(values: list[int], length: int) -> list[frozenset[int]]:
    """Reads, and pairs of reads, outside the affine space that the others span, by index.

    A read is outside if it is in no sum of reads that vanishes, a pair if each such sum has both or neither.
    """
    columns = [sum((value >> place & 1) << index for index, value in enumerate(values)) for place in range(length)]
    _, sums = solve([((1 << len(values)) - 1, 0), *((column, 0) for column in columns)], len(values)) or (0, [])
    by_sums: dict[int, list[int]] = {}
    for index in range(len(values)):
        by_sums.setdefault(sum((one >> index & 1) << at for at, one in enumerate(sums)), []).append(index)
    single = [frozenset((index,)) for index in by_sums.pop(0, [])]
    return single + [frozenset(pair) for pair in by_sums.values() if len(pair) == 2]


def _greedy(
    among: Iterable[Masks], values: list[int], varied: int, held: Iterable[int] = (), barred: Iterable[int] = ()
) -> list[Masks]:
    """Independent classes of the most net bits; for a matroid the greedy choice is the best one.

    What a class says beside those chosen and `held` before it (cores) is what the plainest of its sums with them says:
    a real group and what a few site codes have in common make one more relation among many bits, and prove nothing.
    `barred` are relations that are no proof, whatever they are added to.
    """
    span, no_proof = Span(held), Span((*held, *barred))
    queue = [(-one.net, at, one, 0) for at, one in enumerate(among) if one.net > _LEAST_NET]
    if not queue:
        return []
    heapify(queue)
    chosen: list[Masks] = []
    told: dict[tuple[int, frozenset[int], int], int] = {}
    while queue:
        _, at, one, beside = heappop(queue)
        rest = no_proof.rest(one.core)
        if not rest:
            continue
        if beside == len(span):
            chosen.append(one)
            span.add(one.core)
            no_proof.add(one.core)
            continue
        key = span.rest(one.core), one.bad, len(span)
        if key not in told:
            told[key] = _beside(values, varied, one, span)
        one = replace(one, gain=min(one.gain, told[key] - damage_price(len(values), len(one.bad))))
        if one.net > _LEAST_NET:
            heappush(queue, (-one.net, at, one, len(span)))
    return chosen


def _beside(values: Sequence[int], varied: int, one: Masks, span: Span) -> int:
    """The least evidence of a class and its sums with those of a span."""
    good = [value for index, value in enumerate(values) if index not in one.bad]
    sums = [0, *span.sums()] if len(span) <= MOST_GROUPS else [0]
    return min(evidence(good, one.core ^ mask, varied) for mask in sums)


def _odd_reads(
    values: list[int], length: int, tied: Span, chosen: list[Masks], nearly: list[Masks], varied: int
) -> frozenset[int]:
    """Reads that break relations which the others keep.

    A bit, or a value of a site code, that only a few cards have is no proof: it breaks whatever the others have in
    common by it.
    """
    few = max((len(one.bad) for one in nearly), default=0)
    columns = [sum((value >> place & 1) << at for at, value in enumerate(values)) for place in range(length)]
    everyone = (1 << len(values)) - 1
    rare = [1 << place for place, column in enumerate(columns) if _few(column, few, len(values))]
    # Two bits that are the same, or never the same, but in a few: the carry of a number, or a site of few cards.
    rare += [
        1 << first | 1 << second
        for first, second in combinations(range(length), 2)
        if columns[first] not in (0, everyone) and _few(columns[first] ^ columns[second], few, len(values))
    ]
    odd: frozenset[int] = frozenset()
    held = [one.core for one in chosen]
    for one in _greedy(nearly, values, varied, held, (*tied.basis(), *rare)):
        more = odd | one.bad
        if len(more) > max(1, len(values) // 6):
            continue
        rest = [value for index, value in enumerate(values) if index not in more]
        if one.plain not in Span((*ties(rest, length).basis(), *(held.core for held in chosen))):
            odd = more
    return odd


def _few(column: int, few: int, count: int) -> bool:
    ones = column.bit_count()
    return min(ones, count - ones) <= few


def _concluded(
    values: list[int], length: int, tied: Span, exact: list[Masks], odd: tuple[int, ...], varied: int
) -> Parity:
    care = changing(values)
    chosen = _greedy(exact, values, varied)
    span = Span(one.core for one in chosen)
    all_of_them = beyond_ties(values, length, tied)
    together = 0
    for mask in tied.basis():
        together |= mask & care
    free = care.bit_count() - (len(tied) - (length - care.bit_count()))
    chosen += _without_shape(values, length, care, free, chosen, all_of_them, varied)
    for one in chosen:
        span.add(one.core)
    bases = _bases(chosen, exact, care, length)
    maybe = [one for one in exact if one.net > -5 and one.core not in span and any(p < 40 for p in one.prices.values())]
    # Groups of another basis are sums of those chosen: no surer, and no less sure, than they are.
    least = min((one.net for one in chosen), default=0.0)
    relations = [(tuple(_relation(one, values, least) for one in basis), share) for basis, share in bases]
    return Parity(
        length,
        len(values),
        care,
        together,
        relations[0][0] if relations else (),
        relations[0][1] if relations else 1.0,
        tuple(relations[1:_MOST_LISTED]),
        tuple(_relation(one, values, one.net) for one in sorted(maybe, key=lambda one: -one.net)[:_MOST_LISTED]),
        len(all_of_them) - len(span),
        odd,
        sum(one.net for one in chosen),
    )


def _without_shape(
    values: list[int], length: int, care: int, free: int, chosen: list[Masks], holds: Span, varied: int
) -> list[Masks]:
    """What holds besides and has no shape that we know: groups all the same, where that is no chance any more.

    By chance `rest` relations too many hold among so many reads in 1 of 2**(rest * (rest + reads - 1 - free bits)).
    """
    span = Span(one.core for one in chosen)
    rest = len(holds) - len(span)
    if not rest or len(chosen) + rest > MOST_GROUPS:
        return []
    price = _ANY_MORE_PRICE * rest - (0.0 if chosen else _ANY_MORE_PRICE - _ANY_PRICE)

    def net_of(tests: int) -> float:
        return (rest * (rest + tests - (free - len(span))) - price) / rest

    if net_of(len(values) - 1) <= 0:
        return []
    beyond = Span(left for mask in holds.basis() if (left := span.rest(mask)))
    sums = [0, *span.sums()] if len(span) + rest <= MOST_GROUPS else [0]
    # Any sum of them may be what a few site codes have in common; the one that fewest reads bear out decides.
    net = net_of(min(evidence(values, mask ^ other, varied) for mask in beyond.sums() for other in sums))
    if net <= 0:
        return []
    found = []
    for mask in holds.basis():
        left = span.rest(mask)
        if left:
            plain = _plainest(left, span, care, length)
            span.add(left)
            own = written_out_price(plain, care, length)
            found.append(Masks(plain, {plain: own}, gain=net + own))
    return found


def _plainest(mask: int, span: Span, care: int, length: int) -> int:
    """The mask, or its sum with sums of the span, that takes the fewest words to describe."""
    sums = [0, *span.sums()] if len(span) <= 10 else [0]
    return min((mask ^ one for one in sums), key=lambda one: (written_out_price(one, care, length), one.bit_count()))


def _bases(chosen: list[Masks], exact: list[Masks], care: int, length: int) -> list[tuple[list[Masks], float]]:
    """Ways to write the relations as groups, the likeliest first, with the share of each."""
    if not chosen:
        return []
    span = Span(one.core for one in chosen)
    within = {one.core: one for one in exact if one.core in span} | {one.core: one for one in chosen}
    listed = sorted(within.values(), key=lambda one: one.price)[:_MOST_IN_BASES]
    listed += [one for one in chosen if one not in listed]
    size = len(chosen)
    choices = combinations(listed, size) if size <= 5 else iter((tuple(chosen),))
    weighed = [
        (sum(one.price for one in choice) + _nested(choice, care), list(choice))
        for choice in choices
        if len(Span(one.core for one in choice)) == size
    ]
    least = min(price for price, _ in weighed)
    shares = [(2.0 ** (least - price), basis) for price, basis in weighed]
    total = sum(share for share, _ in shares)
    return [
        (basis, share / total)
        for share, basis in sorted(shares, key=lambda row: -row[0])
        if share / total >= _LEAST_SHARE or share == 1.0
    ][:_MOST_LISTED]


def _nested(choice: Iterable[Masks], care: int) -> float:
    """The price of groups that lie wholly in another: rare, while any two sums of groups can be written so."""
    return _NESTED_PRICE * sum(
        first & second == first for first, second in permutations([one.plain & care for one in choice], 2)
    )


def _relation(one: Masks, values: list[int], least: float) -> Relation:
    ranked = sorted(one.prices.items(), key=lambda item: item[1])
    total = sum(2.0**-price for _, price in ranked)
    fillings = [(mask, 2.0**-price / total) for mask, price in ranked]
    kept = tuple(row for row in fillings if row[1] >= _LEAST_SHARE)[:_MOST_LISTED] or tuple(fillings[:1])
    mask = kept[0][0]
    return Relation(mask, (values[0] & mask).bit_count() & 1, max(one.net, least), kept)
