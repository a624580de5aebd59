"""Fields of requests that go up by one: a counter, or an address where devices are asked in turn, which looks the same.

What tells them apart (common practice): devices answer after times of their own, or one of them never; a counter goes
round at a power of two, addresses wherever the last device is; and what no reply brings back is no address.
"""

from __future__ import annotations

import itertools
import random
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum

from benchtool.explore.talk import Seen, pairs_of
from benchtool.frames.frame import Role
from benchtool.frames.protocol_table import Place

PLACES = range(8)
"""Octets of a frame in which fields are looked for."""
ECHOED = 0.95
"""Share of the replies that bring a request's value back, where it is an address."""
MOST_ADDRESSES = 127
_STEP_SHARE = 0.85
_COUNTER_MASKS = (0xFF, 0x7F, 0x3F, 0x1F, 0x0F, 0x07, 0x03)
_LEAST_PAIRS = 4
_SURE_ROUNDS = 2
_SURE_VALUES = 32
"""So many values that go round at a power of two are hardly all devices of a pair (32 unit loads: common practice)."""
_SHUFFLES = 199
_SELDOM = 0.01
_NEVER_OF = 3


class Counts(Enum):
    """What a field that goes up by one is."""

    COUNTER = "counter"
    ADDRESS = "address"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class CounterFound:
    """A field that goes up by one."""

    place: Place
    share: float
    """Share of the steps that are by one, or back to the least value."""
    values: int
    each: bool
    """Counted for each address apart, rather than over all requests."""
    top: int
    """The greatest value, in steps of one."""
    rounds: int
    """How often it went back from there to the beginning."""


def counters(frames: Sequence[Seen], roles: Sequence[Role], address: Place | None) -> list[CounterFound]:
    """Fields of requests that count, best first."""
    requests = [frame for frame, role in zip(frames, roles, strict=True) if role is Role.REQUEST]
    found: list[CounterFound] = []
    for at in PLACES:
        if address is not None and at == address.at:
            continue
        best: CounterFound | None = None
        for mask in _COUNTER_MASKS:
            for shift in (False, True):
                if shift and mask > 0x0F:
                    continue
                place = Place(at, mask=mask << 4 if shift else mask)
                for each in (False, True):
                    if each and address is None:
                        continue
                    one = counting(requests, place, 16 if shift else 1, address if each else None)
                    # Wider masks come first: a narrower one must explain more to be preferred.
                    if one is not None and (best is None or one.share > best.share + 0.03):
                        best = one
        if best is not None:
            found.append(best)
    return sorted(found, key=lambda one: (-round(one.share, 2), -one.values))


def counting(requests: Sequence[Seen], place: Place, unit: int = 1, by: Place | None = None) -> CounterFound | None:
    """How a field counts in steps of `unit`, over all requests or for each value of `by` apart; None where not."""
    rows: dict[int | None, list[int]] = defaultdict(list)
    for request in requests:
        value = place.read(request.octets)
        if value is not None:
            rows[by.read(request.octets) if by is not None else None].append(value // unit)
    good = total = rounds = top = 0
    values: set[int] = set()
    for row in rows.values():
        if len(row) < 4:
            continue
        values.update(row)
        most, least = max(row), min(row)
        wraps = Counter(after for before, after in itertools.pairwise(row) if before == most)
        back, times = wraps.most_common(1)[0] if wraps else (least, 0)
        rounds, top = max(rounds, times if back < most else 0), max(top, most)
        for before, after in itertools.pairwise(row):
            total += 1
            good += after == before + 1 or (before == most and after == back and back < most)
    if total < 6 or len(values) < 3 or good < _STEP_SHARE * total:
        return None
    return CounterFound(place, good / total, len(values), by is not None, top, rounds)


def weighed(one: CounterFound, frames: Sequence[Seen], roles: Sequence[Role]) -> Counts:
    """Both explanations of a field that goes up by one over all requests, held against the replies."""
    pairs = pairs_of(frames, roles)
    place = one.place
    if one.each or one.values > MOST_ADDRESSES:
        return Counts.COUNTER
    if len(pairs) >= _LEAST_PAIRS and not _echoed(pairs, place):
        return Counts.COUNTER
    round_number = one.top & (one.top + 1) == 0
    if one.rounds >= _SURE_ROUNDS and not round_number:
        return Counts.ADDRESS
    asked = Counter(place.read(frame.octets) for frame, role in zip(frames, roles, strict=True) if role is Role.REQUEST)
    answered = Counter(place.read(ask.octets) for ask, _ in pairs)
    usual = [value for value, many in asked.items() if answered[value] > 0.8 * many]
    never = [value for value, many in asked.items() if many >= _NEVER_OF and not answered[value]]
    if (never and usual) or _own_times(pairs, place):
        return Counts.ADDRESS
    if one.rounds and round_number and one.values >= _SURE_VALUES:
        return Counts.COUNTER
    return Counts.UNDECIDED


def _echoed(pairs: Sequence[tuple[Seen, Seen]], place: Place) -> bool:
    """Whether replies bring a request's value back, at the same place or another, some bits of it always turned."""
    for at in PLACES:
        there = Place(at, mask=place.mask)
        apart = Counter((place.read(ask.octets) or 0) ^ (there.read(reply.octets) or 0) for ask, reply in pairs)
        if apart.most_common(1)[0][1] >= ECHOED * len(pairs):
            return True
    return False


def _own_times(pairs: Sequence[tuple[Seen, Seen]], place: Place) -> bool:
    """Whether the time to the reply hangs on the value, more than in nearly all shuffled orders of the same times."""
    values = [place.read(ask.octets) for ask, _ in pairs]
    times = [float(answer.t_ns - ask.end_ns) for ask, answer in pairs]
    if len(set(values)) > len(values) / 2:
        return False
    apart = _between(values, times)
    chooser = random.Random(1)
    as_much = 1
    for _ in range(_SHUFFLES):
        chooser.shuffle(times)
        as_much += _between(values, times) >= apart
    return as_much <= _SELDOM * (_SHUFFLES + 1)


def _between(values: Iterable[int | None], times: Sequence[float]) -> float:
    """How far apart the means of each value's times lie: the squares of their sums over their number."""
    by: dict[int | None, list[float]] = defaultdict(list)
    for value, time in zip(values, times, strict=True):
        by[value].append(time)
    return sum(sum(row) ** 2 / len(row) for row in by.values())
