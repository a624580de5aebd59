"""Who asks and who answers, found from the order and the times of whole frames.

Bus rules used (common practice): one asks, the one asked answers or is silent; so a reply follows a request, never
another reply; the asker waits before it asks again, and asks in a steady beat.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from statistics import median
from typing import NamedTuple

from benchtool.frames.frame import Role
from benchtool.frames.protocol_table import Place, RoleRule

_PLACES = range(8)
_LEAST_FRAMES = 6
_MOST_VALUES = 24
_LEAST_CHANCE = 0.02
_ENOUGH = 200
"""More pairs of frames than these are not needed to rule chance out."""
_LEAST_LEAN = 0.1
_UP = 0.85
"""From this share of steps by one on, an octet counts frames."""


class Seen(NamedTuple):
    """A whole frame."""

    t_ns: int
    end_ns: int
    octets: bytes
    follows: bool
    """Whether nothing damaged came since the frame before."""


@dataclass(frozen=True, slots=True)
class Roles:
    """Who speaks in each frame, how that was told, and how well it fits."""

    roles: tuple[Role, ...]
    rule: RoleRule | None
    """None: told by silences alone, or not at all."""
    order: float
    """How rarely a frame breaks the order, 0 to 1."""
    lean: float
    """How clearly it is this way round and not the other, 0 to 1."""
    reply_within_ns: int | None = None
    """Told by silences: a frame after a shorter one than this is a reply."""


def roles_of(frames: Sequence[Seen], skip: Collection[int] = ()) -> Roles | None:
    """The labelling that fits best; None where none does. Octets in `skip` are known to be something else."""
    if len(frames) < _LEAST_FRAMES:
        return None
    found: list[tuple[float, Roles]] = []
    splits = _splits(frames, skip)
    for place, values in splits:
        kinds = [place.read(frame.octets) in values for frame in frames]
        # Among many bits of few frames one fits by chance.
        if len(splits) * _by_chance(frames, kinds) > _LEAST_CHANCE:
            continue
        judged = _judged(frames, kinds)
        if judged is None:
            continue
        order, lean, reply_is_true = judged
        if lean < _LEAST_LEAN:
            # They alternate, but nothing says which of the two asks.
            continue
        seen = {value for frame in frames if (value := place.read(frame.octets)) is not None}
        inside, outside = frozenset(values & seen), frozenset(seen - values)
        rule = RoleRule(place, outside, inside) if reply_is_true else RoleRule(place, inside, outside)
        labels = tuple(Role.REPLY if kind is reply_is_true else Role.REQUEST for kind in kinds)
        pairs = pairs_of(frames, labels)
        # Of two that never break the order, the one that leaves fewer requests without a reply explains more.
        answered = 2 * len(pairs) / len(frames)
        # A single bit whose octet is else the same in request and reply was made to tell them apart.
        made_for = 0.0
        if place.mask != 0xFF and pairs:
            kept = 0xFF & ~place.mask
            same = sum((ask.octets[place.at] ^ answer.octets[place.at]) & kept == 0 for ask, answer in pairs)
            made_for = 0.15 if same >= 0.95 * len(pairs) else 0.0
        weight = order + 0.1 * lean + 0.6 * answered + made_for - 0.004 * place.at
        found.append((weight, Roles(labels, rule, order, lean)))
    if found:
        best = max(found, key=lambda one: one[0])[1]
        if best.order >= 0.9:
            return best
    return _by_silence(frames)


def _splits(frames: Sequence[Seen], skip: Collection[int]) -> list[tuple[Place, frozenset[int]]]:
    """Ways to part the frames in two: by a bit of an early octet, or by one value of it against all others."""
    splits: list[tuple[Place, frozenset[int]]] = []
    count = len(frames)
    for at in _PLACES:
        if at in skip:
            continue
        column = [frame.octets[at] for frame in frames if len(frame.octets) > at]
        if len(column) < count:
            break
        ups = sum((after - before) & 0xFF == 1 for before, after in itertools.pairwise(column))
        if ups >= _UP * (count - 1):
            # It counts the frames, whoever speaks: its bits alternate by themselves.
            continue
        values = Counter(column)
        for bit in range(8):
            share = sum(many for value, many in values.items() if value >> bit & 1) / count
            if 0.2 <= share <= 0.8:
                splits.append((Place(at, mask=1 << bit), frozenset((1 << bit,))))
        if 2 <= len(values) <= _MOST_VALUES:
            for value, many in values.most_common(2):
                if 0.2 <= many / count <= 0.8:
                    splits.append((Place(at), frozenset((value,))))
    return splits


def _by_chance(frames: Sequence[Seen], kinds: Sequence[bool]) -> float:
    """How probable it is that bits without meaning alternate as well, or break the order as seldom, as these do."""
    pairs = [(kinds[i - 1], kinds[i]) for i in range(1, len(frames)) if frames[i].follows][:_ENOUGH]
    if not pairs:
        return 1.0
    share = sum(kinds) / len(kinds)
    turns = sum(before is not after for before, after in pairs)
    both, none = (sum(before is after is side for before, after in pairs) for side in (True, False))
    turning = 2 * share * (1 - share)
    breaking = min(share, 1 - share) ** 2 if both != none else min(share**2, (1 - share) ** 2)
    often = sum(_binomial(len(pairs), count, turning) for count in range(turns, len(pairs) + 1))
    seldom = sum(_binomial(len(pairs), count, breaking) for count in range(min(both, none) + 1))
    return min(1.0, 2 * min(often, seldom))


def _binomial(count: int, hits: int, share: float) -> float:
    return math.comb(count, hits) * share**hits * (1 - share) ** (count - hits)


def _judged(frames: Sequence[Seen], kinds: Sequence[bool]) -> tuple[float, float, bool] | None:
    """(order, lean, whether the kind True is the reply)."""
    pairs = [(kinds[i - 1], kinds[i], i) for i in range(1, len(frames)) if frames[i].follows]
    if len(pairs) < 4:
        return None
    both = sum(before and after for before, after, _ in pairs)
    none = sum(not before and not after for before, after, _ in pairs)
    turns = len(pairs) - both - none
    if turns < 4:
        return None
    # A reply never follows a reply; requests may follow requests.
    breaks = min(both, none)
    order = 1 - breaks / (turns / 2 + breaks)
    votes = 0.0
    if abs(both - none) >= 2:
        votes += 1.0 if none > both else -1.0
    to_true = [frames[i].t_ns - frames[i - 1].end_ns for before, after, i in pairs if after and not before]
    to_false = [frames[i].t_ns - frames[i - 1].end_ns for before, after, i in pairs if before and not after]
    if len(to_true) >= 3 and len(to_false) >= 3:
        first, second = median(to_true), median(to_false)
        if max(first, second) > 1.15 * min(first, second) + 100_000:
            votes += 0.6 if first < second else -0.6
    true_beat, false_beat = (
        _unsteadiness([frame.t_ns for frame, kind in zip(frames, kinds, strict=True) if kind is side])
        for side in (True, False)
    )
    if true_beat is not None and false_beat is not None:
        least, most = sorted((true_beat, false_beat))
        if most > 1.3 * least + 0.002:
            votes += 0.3 if true_beat == most else -0.3
    # Replies say more than polls; a weak hint, for where the times say nothing.
    long = [sum(len(f.octets) for f, kind in zip(frames, kinds, strict=True) if kind is side) for side in (True, False)]
    many = sum(kinds)
    if 0 < many < len(kinds):
        means = (long[0] / many, long[1] / (len(kinds) - many))
        if max(means) > 1.2 * min(means):
            votes += 0.15 if means[0] > means[1] else -0.15
    return order, min(1.0, abs(votes)), votes >= 0


def _unsteadiness(times: Sequence[int]) -> float | None:
    """How much the intervals differ from their middle, as a share of it."""
    if len(times) < 6:
        return None
    intervals = [after - before for before, after in itertools.pairwise(times)]
    middle = median(intervals)
    if middle <= 0:
        return None
    return float(median(abs(interval - middle) for interval in intervals) / middle)


def _by_silence(frames: Sequence[Seen]) -> Roles | None:
    """Short silences precede replies, long ones requests, where there are two clearly different kinds."""
    silences = [max(1, after.t_ns - before.end_ns) for before, after in itertools.pairwise(frames)]
    ordered = sorted(silences)
    ordered = ordered[len(ordered) // 50 : len(ordered) - len(ordered) // 50]
    steps = [
        (after / before, i + 1)
        for i, (before, after) in enumerate(itertools.pairwise(ordered))
        if 0.2 * len(ordered) <= i + 1 <= 0.8 * len(ordered)
    ]
    if not steps:
        return None
    ratio, place = max(steps)
    if ratio < 1.5:
        return None
    limit = (ordered[place - 1] * ordered[place]) ** 0.5
    labels = [Role.UNKNOWN]
    labels += [Role.REPLY if silence < limit else Role.REQUEST for silence in silences]
    replies = sum(a is Role.REPLY and b is Role.REPLY for a, b in itertools.pairwise(labels))
    order = 1 - replies / max(1, labels.count(Role.REPLY))
    if order < 0.9:
        return None
    labels[0] = Role.REQUEST if labels[1] is Role.REPLY else Role.REPLY
    # To the microsecond: as finely as it is shown and saved.
    within_ns = round(limit / 1000) * 1000
    return Roles(tuple(labels), None, order, min(1.0, 0.4 + (ratio - 1.5) / 5), within_ns)


def pairs_of(frames: Sequence[Seen], roles: Sequence[Role]) -> list[tuple[Seen, Seen]]:
    """Requests with the replies that follow them directly."""
    return [
        (frames[i - 1], frames[i])
        for i in range(1, len(frames))
        if roles[i] is Role.REPLY and roles[i - 1] is Role.REQUEST and frames[i].follows
    ]


def period_of(frames: Sequence[Seen], roles: Sequence[Role]) -> tuple[int, float] | None:
    """From one request to the next: the middle value in ns, and how many intervals lie within 10 % of it, 0 to 1."""
    times = [frame.t_ns for frame, role in zip(frames, roles, strict=True) if role is Role.REQUEST]
    if len(times) < 4:
        return None
    intervals = [after - before for before, after in itertools.pairwise(times)]
    middle = median(intervals)
    if middle <= 0:
        return None
    steady = sum(abs(interval - middle) <= 0.1 * middle for interval in intervals) / len(intervals)
    return round(middle), steady
