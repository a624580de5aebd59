"""Where the number printed on the cards lies in the frame: bit order, turned round or not, binary or BCD, offset, gaps.

Every field that gives all printed numbers is listed with a price; several may. What the cards cannot tell, as how far
the field goes on above bits that were 0 in all of them, shows as several fields of like price.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from benchtool.frames.card.formats import CardField, Writing

_REVERSED_PRICE, _INVERTED_PRICE, _BCD_PRICE = 3.0, 3.0, 1.5
_OFFSET_PRICE = 6.0
_MOST_PRICE = 30.0
_MOST_SKIPPED = 8
_PATHS = 3
"""Ways to each place that are followed further."""
_ROUND = {16: 1.0, 32: 1.5, 24: 1.5, 20: 1.5}
_REST = {0: 0.5, 8: 1.5, 16: 2.0, 12: 2.5}
_BORDER_PRICE = 4.0
_MOST_ZEROS = 4.0
_MOST_OFFSETS = 3
_USUAL_OFFSETS = (-1, *(first * 10**zeros for zeros in range(9) for first in range(1, 10)))
"""Tried with gaps too, where nothing else gives the numbers."""
_SEARCHED = 6.0
"""Bits by which a field must be borne out beyond its price to be as likely as none."""
_KNOWN_PRICE = 3.0
"""The price of the number field of a published format whose parity all reads keep."""


@dataclass(frozen=True, slots=True)
class Fit:
    """A field that gives every printed number."""

    field: CardField
    price: float
    evidence: float
    """Bits that agree and did not have to."""
    own: float = 0.0
    """The price of the field itself, that of what is left around it not counted."""
    known: bool = False
    """Whether a published format has it whose parity all reads keep."""


@dataclass(frozen=True, slots=True)
class Frame:
    """What is known of a frame when a number is looked for in it."""

    length: int
    parity: frozenset[int]
    """Places of likely parity bits."""
    covered: frozenset[int]
    """Places in some parity group: any may be its parity bit."""
    constant: frozenset[int]
    """Places that never change."""
    ones: frozenset[int] = frozenset()
    """Those of them that are always 1."""
    taken: frozenset[int] = frozenset()
    """Places of other fields."""

    @property
    def data(self) -> tuple[int, ...]:
        """Places left for fields, rising."""
        return tuple(place for place in range(1, self.length + 1) if place not in self.parity | self.taken)


def find_number(
    frame: Frame,
    reads: Sequence[tuple[int, int]],
    digits: int = 0,
    *,
    offsets: bool = True,
    name: str = "card_number",
    likely: Sequence[CardField] = (),
    thorough: bool = True,
) -> list[Fit]:
    """Fields that give the number of each read `(bits as a number, number printed)`, the likeliest first.

    `digits` is how many were printed, leading zeros counted; 0 where that says nothing. `likely` are fields of
    published formats. Not `thorough`: offsets together with gaps are not tried. Empty where nothing fits.
    """
    reads = list(dict.fromkeys(reads))
    if not reads or any(number < 0 for _, number in reads):
        return []
    found: dict[tuple[tuple[int, ...], Writing, bool, int], float] = {}
    found_all = list(_by_gaps(frame, reads, name))
    if offsets:
        found_all += _in_one_piece(frame, reads, name)
        if len({number for _, number in reads}) > 1:
            seen = {field.offset for field, price in sorted(found_all, key=lambda row: row[1])[:_MOST_OFFSETS]} - {0}
            least = min(number for _, number in reads)
            usual = [one for one in _USUAL_OFFSETS if one <= least] if thorough and not found_all else []
            for offset in seen or usual:
                found_all += _by_gaps(frame, reads, name, offset)
    for field, price in found_all:
        key = (field.places, field.writing, field.inverted, field.offset)
        found[key] = min(price, found.get(key, price))
    fits = []
    for (places, writing, inverted, offset), price in found.items():
        field = CardField(name, places, writing, inverted, offset)
        bits = _evidence(field, [number for _, number in reads])
        known = any(one.places == places and one.writing is writing for one in likely) and not (inverted or offset)
        fits.append(in_frame(Fit(field, price, bits, price, known), frame, digits))
    return sorted(fits, key=lambda fit: fit.price)


def in_frame(fit: Fit, frame: Frame, digits: int = 0) -> Fit:
    """The fit priced with what is left around it in a frame."""
    around = _layout_price(frame, fit.field, digits)
    return replace(fit, price=min(_KNOWN_PRICE, around) if fit.known else fit.own + around)


def shares(fits: Sequence[Fit]) -> list[float]:
    """How likely each of the fits is, beside the others and beside none of them, in their order."""
    if not fits:
        return []
    least = fits[0].price
    none = 2.0 ** min(60.0, max(-60.0, _SEARCHED + least - fits[0].evidence))
    weights = [2.0 ** (least - fit.price) for fit in fits]
    total = sum(weights) + none
    return [weight / total for weight in weights]


def offset_price(offset: int) -> float:
    """Nothing for none; round ones are cheaper."""
    if not offset:
        return 0.0
    digits = str(abs(offset)).rstrip("0")
    return _OFFSET_PRICE + 3.3 * (len(digits) - (digits == "1")) + 0.7 * len(str(abs(offset))) + 2.0 * (offset < 0)


def _evidence(field: CardField, numbers: list[int]) -> float:
    sent = [number - field.offset for number in numbers]
    if field.writing is Writing.BCD:
        sent = [int(str(number), 16) for number in sent]
    width = max(number.bit_length() for number in sent)
    changing = 0
    for number in sent:
        changing |= number ^ sent[0]
    # Bits above the highest that was ever 1 agree with any field that goes on in zeros. An offset is paid for by its
    # price, and then every digit of the first number agrees too.
    width = max(width, max(numbers).bit_length()) if field.offset else width
    return changing.bit_count() * (len(sent) - 1) + width


def _layout_price(frame: Frame, field: CardField, digits: int) -> float:
    width = field.count
    price = 3.0 if width % 4 == 0 else 4.5 if width % 2 == 0 else 5.0
    price = _ROUND.get(width, price)
    places = set(field.places)
    first, last, data = field.first, field.last, frame.data
    before = [place for place in data if place < first]
    after = [place for place in data if place > last]
    for rest, more in ((before[::-1], 0.0), (after, 1.5)):
        count = len(rest)
        # Bits that change beside bits that never do: where the change begins, the number ends.
        fixed = [place in frame.constant for place in rest]
        price += _BORDER_PRICE if any(fixed) and not fixed[0] else 0.0
        price += _REST.get(count, 3.5 if count % 4 == 0 else 5.0) + (more if count else 0.0)
    zeros = 0
    for place in field.places:
        if place not in frame.constant:
            break
        zeros += 1
    price += min(_MOST_ZEROS, 0.7 * zeros)
    # Nor does it end for sure where bits that are always 0 go on above it: numbers may just have been low.
    price += min(_MOST_ZEROS, 0.7 * _zeros_above(frame, field))
    if digits:
        fits = width == 4 * digits if field.writing is Writing.BCD else len(str(field.highest)) == digits
        price += 0.0 if fits else 3.0
    price += 2.0 * len(places & frame.parity)
    return price


def _zeros_above(frame: Frame, field: CardField) -> int:
    """How many bits next to the field's first are no number's end: always 0 as the field would read them."""
    rising = field.count < 2 or field.places[0] < field.places[1]
    count, place = 0, field.places[0]
    while True:
        place += -1 if rising else 1
        if place in frame.parity:
            continue
        if place not in frame.constant or (place in frame.ones) != field.inverted:
            return count
        count += 1


def _sequence_values(order: Sequence[int], length: int, values: Sequence[int]) -> list[int]:
    return [sum((value >> (length - place) & 1) << at for at, place in enumerate(reversed(order))) for value in values]


def _in_one_piece(frame: Frame, reads: list[tuple[int, int]], name: str) -> Iterator[tuple[CardField, float]]:
    """Fields of neighbouring places, with any offset; likely parity bits or constants between them left out or not."""
    whole = tuple(place for place in range(1, frame.length + 1) if place not in frame.taken)
    values, numbers = [value for value, _ in reads], [number for _, number in reads]
    single = len(set(numbers)) == 1
    changing = tuple(place for place in frame.data if place not in frame.constant)
    for order in dict.fromkeys((frame.data, whole, changing)):
        for turned in (False, True):
            places = tuple(reversed(order)) if turned else order
            lined = _sequence_values(places, frame.length, values)
            price = _REVERSED_PRICE if turned else 0.0
            count = len(places)
            for start in range(count):
                for width in range(1, count - start + 1):
                    shift, mask = count - start - width, (1 << width) - 1
                    sent = [value >> shift & mask for value in lined]
                    here = places[start : start + width]
                    for writing, inverted, offset in _readings(sent, numbers, width):
                        if (single and offset) or (offset_cost := offset_price(offset)) > _MOST_PRICE:
                            continue
                        more = _BCD_PRICE * (writing is Writing.BCD) + _INVERTED_PRICE * inverted
                        yield CardField(name, here, writing, inverted, offset), price + more + offset_cost


def _readings(sent: list[int], numbers: list[int], width: int) -> Iterator[tuple[Writing, bool, int]]:
    """Ways in which these bits are these numbers."""
    apart = sent[-1] - sent[0], numbers[-1] - numbers[0]
    top = (1 << width) - 1
    if apart[0] == apart[1]:
        offset = numbers[0] - sent[0]
        if all(number - one == offset for number, one in zip(numbers, sent, strict=True)):
            yield Writing.BINARY, False, offset
    if apart[0] == -apart[1]:
        offset = numbers[0] - (top - sent[0])
        if all(number - (top - one) == offset for number, one in zip(numbers, sent, strict=True)):
            yield Writing.BINARY, True, offset
    if width % 4 == 0 and width > 4:
        for inverted in (False, True):
            texts = [f"{one ^ top if inverted else one:x}" for one in sent]
            if all(text.isdecimal() for text in texts):
                offset = numbers[0] - int(texts[0])
                if all(number - int(text) == offset for number, text in zip(numbers, texts, strict=True)):
                    yield Writing.BCD, inverted, offset


def _by_gaps(
    frame: Frame, reads: list[tuple[int, int]], name: str, offset: int = 0
) -> Iterator[tuple[CardField, float]]:
    """Fields whose places rise or fall with gaps anywhere: the number's bits are found one by one."""
    reads = [(value, number - offset) for value, number in reads]
    if min(number for _, number in reads) < 0:
        return
    everyone = (1 << len(reads)) - 1
    column = {
        place: sum((value >> (frame.length - place) & 1) << at for at, (value, _) in enumerate(reads))
        for place in range(1, frame.length + 1)
    }
    for writing in Writing:
        bcd = writing is Writing.BCD
        codes = [int(str(number), 16) if bcd else number for _, number in reads]
        width = max(1, max(code.bit_length() for code in codes))
        width = -(-width // 4) * 4 if bcd else width
        wanted = [sum((code >> bit & 1) << at for at, code in enumerate(codes)) for bit in range(width)]
        for turned in (False, True):
            # From the number's lowest bit on.
            order = list(range(1, frame.length + 1) if turned else range(frame.length, 0, -1))
            for inverted in (False, True):
                flip = everyone if inverted else 0
                has = [column[place] ^ flip for place in order]
                base = _REVERSED_PRICE * turned + _INVERTED_PRICE * inverted + _BCD_PRICE * bcd + offset_price(offset)
                for path, price in _paths(frame, order, has, wanted):
                    yield from _grown(
                        frame, order, has, path, CardField(name, (), writing, inverted, offset), base + price
                    )


def _skip_price(frame: Frame, skipped: Sequence[int]) -> float:
    price, gaps = 0.0, False
    for place in skipped:
        if place in frame.parity:
            price += 0.25
        else:
            one = 4.0 if place in frame.covered else 6.0
            price += 1.0 if gaps else one
            gaps = True
    return price


def _paths(
    frame: Frame, order: list[int], has: list[int], wanted: list[int]
) -> Iterator[tuple[tuple[int, ...], float]]:
    """Rising indexes into `order` whose columns are those wanted, the cheapest few to each end."""
    free = [place not in frame.taken for place in order]
    ways: dict[int, list[tuple[float, tuple[int, ...]]]] = {
        at: [(0.0, (at,))] for at in range(len(order)) if free[at] and has[at] == wanted[0]
    }
    for column in wanted[1:]:
        after: dict[int, list[tuple[float, tuple[int, ...]]]] = {}
        for at, held in ways.items():
            for step in range(at + 1, min(len(order), at + 2 + _MOST_SKIPPED)):
                if not free[step]:
                    break
                if has[step] != column:
                    continue
                more = _skip_price(frame, order[at + 1 : step])
                after.setdefault(step, []).extend(
                    (price + more, (*path, step)) for price, path in held if price + more <= _MOST_PRICE
                )
        ways = {at: sorted(held)[:_PATHS] for at, held in after.items() if held}
    for held in ways.values():
        for price, path in held:
            yield path, price


def _grown(
    frame: Frame, order: list[int], has: list[int], path: tuple[int, ...], field: CardField, price: float
) -> Iterator[tuple[CardField, float]]:
    """The field along a path, and those that go on above it through bits that were 0 in every number."""
    unit = 4 if field.writing is Writing.BCD else 1
    # (places so far, index of the last, price, whether it went another way than the likely parity bits say)
    ways = [(tuple(order[at] for at in path), path[-1], price, False)]
    while ways:
        places, last, so_far, strayed = ways.pop()
        if len(places) % unit == 0:
            yield replace(field, places=tuple(reversed(places))), so_far
        at = last + 1
        while at < len(order) and order[at] not in frame.taken:
            likely = order[at] not in frame.parity
            if has[at] == 0 and (likely or not strayed):
                ways.append(((*places, order[at]), at, so_far, strayed or not likely))
            if likely:
                # Passing over a bit that is not thought to be parity: once, and only where it may be.
                if strayed or order[at] not in frame.covered:
                    break
                strayed = True
                so_far += _skip_price(frame, (order[at],))
            at += 1
