"""Fixed first and last octets, and the address, found on whole frames whose roles are known.

What tells an address (common practice): it comes back in the reply and takes few values; what goes up by one may be a
counter (counting.py); an octet that never changes says nothing about itself.
"""

from __future__ import annotations

import itertools
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from benchtool.explore.counting import ECHOED, MOST_ADDRESSES, PLACES, Counts, counting, weighed
from benchtool.explore.talk import Seen, pairs_of
from benchtool.frames.frame import Role
from benchtool.frames.protocol_table import Place


def fixed_head(frames: Sequence[bytes]) -> bytes:
    """The octets that (nearly) all frames begin with, eight at most: a check value need not cover the first ones."""
    head = bytearray()
    for at in range(min(8, min(map(len, frames)))):
        value, count = Counter(frame[at] for frame in frames).most_common(1)[0]
        if not _nearly_all(count, len(frames)):
            break
        head.append(value)
    return bytes(head)


def fixed_tail(frames: Sequence[bytes]) -> bytes:
    """The octets that (nearly) all frames end with, four at most."""
    return fixed_head([frame[: -5 if len(frame) > 4 else None : -1] for frame in frames])[::-1]


def _nearly_all(count: int, total: int) -> bool:
    return count == total or (total >= 20 and count >= 0.96 * total)


def constant_places(frames: Sequence[bytes], most: int) -> list[int]:
    """Places among the first `most` octets where all frames have the same value."""
    return [at for at in range(most) if len({frame[at] for frame in frames if len(frame) > at}) == 1]


@dataclass(frozen=True, slots=True)
class AddressFound:
    """Where the address stands, and in replies if elsewhere."""

    place: Place
    reply_place: Place | None
    values: tuple[int, ...]
    """Addresses asked."""
    score: float
    undecided: bool
    """It goes up by one with each request: a counter that comes back in the reply looks the same."""


def addresses(
    frames: Sequence[Seen], roles: Sequence[Role], skip: Sequence[int], role_mask: tuple[int, int] | None
) -> list[AddressFound]:
    """Places where a request's value comes back in its reply and takes several values, likeliest first.

    `skip` are places known to be something else; `role_mask` is (octet, mask) of a bit that tells who speaks.
    """
    pairs = pairs_of(frames, roles)
    requests = [frame for frame, role in zip(frames, roles, strict=True) if role is Role.REQUEST]
    if len(pairs) < 4:
        return []
    found: list[AddressFound] = []
    for at in PLACES:
        if at in skip:
            continue
        mask = 0xFF & ~role_mask[1] if role_mask is not None and role_mask[0] == at else 0xFF
        place = Place(at, mask=mask)
        asked = [value for frame in requests if (value := place.read(frame.octets)) is not None]
        values = Counter(asked)
        if not 2 <= len(values) <= MOST_ADDRESSES or min(values.values()) < 2 or len(asked) < len(requests):
            continue
        for reply_at in (at, *(other for other in PLACES if other != at and other not in skip)):
            reply_place = Place(reply_at, mask=mask if reply_at == at else 0xFF)
            same = sum(place.read(ask.octets) == reply_place.read(answer.octets) for ask, answer in pairs)
            if same < ECHOED * len(pairs):
                continue
            counts = counting(requests, place)
            undecided = counts is not None and weighed(counts, frames, roles) is Counts.UNDECIDED
            score = _address_score(requests, pairs, place, values) - (0.5 if undecided else 0.0)
            moved = None if reply_at == at else reply_place
            score -= 0.3 if moved else 0.0
            found.append(AddressFound(place, moved, tuple(sorted(values)), score, undecided))
            break
    return sorted(found, key=lambda one: (-one.score, one.place.at))


def _address_score(
    requests: Sequence[Seen], pairs: Sequence[tuple[Seen, Seen]], place: Place, values: Counter[int]
) -> float:
    """How like an address: early in the frame, asked in turn, each with its own answering behaviour."""
    score = 1.0 - 0.08 * place.at
    answered = Counter(place.read(ask.octets) for ask, _ in pairs)
    shares = [answered[value] / many for value, many in values.items()]
    if min(shares) < 0.2 and max(shares) > 0.8:
        score += 0.6  # one never answers: it is a device that is not there
    order = [place.read(frame.octets) for frame in requests]
    steps: dict[int | None, Counter[int | None]] = defaultdict(Counter)
    for before, after in itertools.pairwise(order):
        if before != after:
            steps[before][after] += 1
    usual = sum(max(row.values()) for row in steps.values())
    total = sum(row.total() for row in steps.values())
    if total:
        score += 0.4 * usual / total
    # What foretells how long frames are is a command, not an address.
    score -= 0.7 * max(
        _foretells([(place.read(ask.octets), len(answer.octets)) for ask, answer in pairs]),
        _foretells([(place.read(ask.octets), len(ask.octets)) for ask, _ in pairs]),
    )
    # How well it foretells the time a device takes.
    return score + 0.5 * _foretells([(place.read(ask.octets), answer.t_ns - ask.end_ns) for ask, answer in pairs])


def _foretells(rows: Sequence[tuple[int | None, int]]) -> float:
    """Share of the spread of the second that knowing the first takes away, 0 to 1."""
    by: dict[int | None, list[int]] = defaultdict(list)
    for value, measured in rows:
        by[value].append(measured)
    mean = sum(measured for _, measured in rows) / len(rows)
    spread = sum((measured - mean) ** 2 for _, measured in rows)
    within = sum(sum((value - sum(row) / len(row)) ** 2 for value in row) for row in by.values())
    freedom = (len(rows) - len(by)) / max(1, len(rows) - 1)
    return max(0.0, 1 - within / spread / freedom) if spread > 0 and freedom > 0 else 0.0
