"""The field that says how long a frame is: found on frames known whole, or by cutting bursts into frames with it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from benchtool.frames.protocol_table import LengthRule, Place

_PLACES = range(8)
_ADDS = range(-4, 17)
_MASKS = (0xFF, 0x7F, 0x3F, 0x1F, 0x0F)
_LEAST_SHARE = 0.97
_CUT_SHARE = 0.5
_TRIED_FIRST = 24
LEAST_FRAME = 3


@dataclass(frozen=True, slots=True)
class LengthFound:
    """A rule and what speaks for it."""

    rule: LengthRule
    lengths: int
    """Different frame lengths that it explains."""
    share: float
    """Share of the frames (or of the octets cut) that it explains."""


def _places() -> Iterator[Place]:
    for at in _PLACES:
        yield Place(at)
    for at in _PLACES:
        yield Place(at, 2, True, 0xFFFF)
        yield Place(at, 2, False, 0xFFFF)
    for at in _PLACES:
        for mask in _MASKS[1:]:
            yield Place(at, 1, False, mask)


def length_fields(frames: Sequence[bytes]) -> list[LengthFound]:
    """Rules that fit whole frames, the plainest first; empty where all frames have one length."""
    lengths = {len(frame) for frame in frames}
    if len(lengths) < 2:
        return []
    found: list[LengthFound] = []
    for place in _places():
        adds: dict[int, set[int]] = {}
        counts: dict[int, int] = {}
        for frame in frames:
            value = place.read(frame)
            if value is not None:
                add = len(frame) - value
                counts[add] = counts.get(add, 0) + 1
                adds.setdefault(add, set()).add(len(frame))
        if not counts:
            continue
        add = max(counts, key=lambda one: counts[one])
        share = counts[add] / len(frames)
        if add in _ADDS and share >= _LEAST_SHARE and len(adds[add]) >= 2:
            found.append(LengthFound(LengthRule(place, add), len(adds[add]), share))
    return [one for one in found if not _same_field(one, found)]


def _same_field(one: LengthFound, others: Sequence[LengthFound]) -> bool:
    """Whether a plainer rule reads the same octet: one octet of two, or the same with more of its bits."""
    place = one.rule.place
    for other in others:
        whole = other.rule.place
        if other.rule.add != one.rule.add or whole.size != 1 or whole.mask != 0xFF or other is one:
            continue
        low = place.at + (0 if place.little or place.size == 1 else 1)
        if whole.at == low:
            return True
    return False


def cut(octets: bytes, rule: LengthRule) -> list[bytes] | None:
    """A burst cut into frames end to end; None where the rule does not fill it exactly."""
    pieces = []
    at = 0
    while at < len(octets):
        value = rule.place.read(octets[at : at + rule.place.at + 2])
        if value is None:
            return None
        size = value + rule.add
        if not LEAST_FRAME <= size <= len(octets) - at:
            return None
        pieces.append(octets[at : at + size])
        at += size
    return pieces


def cutting_rules(bursts: Sequence[bytes]) -> list[LengthFound]:
    """Rules that cut most bursts into frames without remainder, best first; for taps that deliver frames in lumps."""
    found = []
    some = bursts[:: max(1, len(bursts) // _TRIED_FIRST)][:_TRIED_FIRST]
    for place in _places():
        if place.mask not in (0xFF, 0xFFFF):
            continue
        for add in _ADDS:
            rule = LengthRule(place, add)
            if sum(cut(burst, rule) is not None for burst in some) < 0.4 * len(some):
                continue
            pieces = [cut(burst, rule) for burst in bursts]
            whole = sum(len(burst) for burst, piece in zip(bursts, pieces, strict=True) if piece)
            share = whole / max(1, sum(map(len, bursts)))
            lengths = {len(one) for piece in pieces if piece for one in piece}
            if share >= _CUT_SHARE and len(lengths) >= 2:
                found.append(LengthFound(rule, len(lengths), share))
    found.sort(key=lambda one: (-round(one.share, 2), -one.lengths))
    return found[:4]
