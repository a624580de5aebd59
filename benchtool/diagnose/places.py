"""Where a cause is: which address the counts point to. Judged address by address, for the causes that have a device.

A device that never answers is at fault for itself, so several can be. For the other causes one device stands out
by the share of its exchanges that went wrong in the way that the cause brings.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from benchtool.diagnose.finding import Cause

LEAST_REQUESTS = 3
"""An address asked less often than this is not called silent."""
_SHARP = 12.0
"""How strongly a greater share of wrong exchanges speaks for an address (judgement)."""
_UNKNOWN_PLACE = 0.5
"""How probable it is that a device of which nothing was heard is at fault: people measure what they suspect."""
_STOOD_BEFORE = 0.8
"""The same for a reader whose address nobody knows: somebody came for it because it is dead (judgement)."""


@dataclass(frozen=True, slots=True)
class AtAddress:
    """What was counted at an address, as far as it tells where a fault is. Shares 0 to 1."""

    protocol: str
    address: int
    requests: int
    answered: int
    silent: int
    damaged: int
    unasked: int
    latency_ms: float | None
    """Median."""
    latency_high_ms: float | None
    """95th percentile or so."""
    inverted: int = 0
    """Spans in its slots that are sound frames once inverted."""
    sequence_faults: int = 0
    outages: int = 0
    """Times that it was silent for a while and came back."""
    collisions: int = 0
    """Exchanges with octets beyond one reply, or damage right after its reply."""
    proven_late: int = 0
    """Replies that are late by their number."""

    @property
    def never_answers(self) -> bool:
        """Whether it was asked often enough and practically never gave a sound reply."""
        return self.requests >= LEAST_REQUESTS and self.answered <= 0.02 * self.requests

    def share(self, count: int) -> float:
        """Of its requests."""
        return count / self.requests if self.requests else 0.0


AT_TAP = frozenset((Cause.REVERSED_AT_TAP, Cause.BAUD_WRONG, Cause.FORMAT_WRONG))

_SUSPECT: dict[Cause, Callable[[AtAddress], float]] = {
    Cause.CONDUCTOR_OPEN: lambda a: a.share(a.silent + a.damaged),
    Cause.STUB_TOO_LONG: lambda a: a.share(a.silent + a.damaged),
    Cause.GROUND_OFFSET: lambda a: a.share(a.silent + a.damaged),
    Cause.CLOCK_OFF: lambda a: a.share(a.silent + a.damaged),
    Cause.ADDRESS_DUPLICATE: lambda a: a.share(a.damaged + a.unasked + a.collisions),
    Cause.DEVICE_SLOW: lambda a: (
        1.0 if a.proven_late else min(1.0, (a.latency_ms or (300.0 if a.unasked else 0.0)) / 200.0)
    ),
    Cause.DEVICE_RESETTING: lambda a: a.share(a.silent) * (1 - a.share(a.silent)) * 4 + min(1.0, 0.3 * a.outages),
    Cause.DRIVER_HELD_LATE: lambda a: a.share(a.collisions + a.damaged),
    Cause.SEQUENCE_FAULTS: lambda a: a.share(a.sequence_faults),
}

PLACED = frozenset((*_SUSPECT, Cause.DEVICE_SILENT, Cause.REVERSED_AT_DEVICE))
"""Causes that are at a device, or just before one."""


def places(addresses: Sequence[AtAddress]) -> dict[Cause, dict[int, float]]:
    """For each cause with a device, how probable it is that it is (also) at each address."""
    asked = [a for a in addresses if a.requests]
    found: dict[Cause, dict[int, float]] = {}
    silent = {a.address: 0.98 for a in asked if a.never_answers}
    inverted = {a.address: 0.99 for a in asked if a.inverted}
    for cause in (Cause.DEVICE_SILENT, Cause.REVERSED_AT_DEVICE):
        chosen = (inverted or silent) if cause is Cause.REVERSED_AT_DEVICE else silent
        found[cause] = chosen or _spread(asked, lambda a: a.share(a.silent + a.damaged))
    for cause, suspicion in _SUSPECT.items():
        found[cause] = _spread(asked, suspicion)
    return {cause: where for cause, where in found.items() if where}


def _spread(addresses: Sequence[AtAddress], suspicion: Callable[[AtAddress], float]) -> dict[int, float]:
    if not addresses:
        return {}
    logs = {a.address: _SHARP * min(1.0, suspicion(a)) for a in addresses}
    top = max(logs.values())
    total = sum(math.exp(value - top) for value in logs.values())
    return {address: math.exp(value - top) / total for address, value in logs.items()}


def place_text(cause: Cause, where: Mapping[int, float], addresses: Sequence[AtAddress], order: Sequence[int]) -> str:
    """`bus`, `tap`, `address N` or `segment before address N`, as a finding shows it."""
    if cause in AT_TAP:
        return "tap"
    if cause not in PLACED or not where:
        return "bus"
    address = max(where, key=lambda one: where[one])
    if cause is Cause.CONDUCTOR_OPEN:
        return segment(addresses, order)
    return f"address {address}" if where[address] >= 0.5 else "bus"


def segment(addresses: Sequence[AtAddress], order: Sequence[int]) -> str:
    """Between which devices the wire is open, given the addresses in their order along the pair.

    Without the order, only which addresses lie beyond it can be said.
    """
    dead = [a.address for a in addresses if a.requests and a.share(a.silent + a.damaged) > 0.5]
    alive = [a.address for a in addresses if a.requests and a.share(a.silent + a.damaged) <= 0.5]
    if not dead:
        return "bus"
    if order:
        row = [address for address in order if address in dead or address in alive]
        beyond = [index for index, address in enumerate(row) if address in dead]
        if len(beyond) == len(set(dead)) and beyond == list(range(beyond[0], len(row))):
            if beyond[0]:
                return f"segment between address {row[beyond[0] - 1]} and address {row[beyond[0]]}"
            return f"segment before address {row[0]}"
    if not alive:
        return "segment at the controller"
    return "segment to address " + ", ".join(map(str, sorted(dead)))


def share_at(at: Mapping[Cause, Mapping[int, float]], cause: Cause, address: int | None) -> float:
    """How probable it is that the device of a cause is at the address; of a device never heard of, nobody knows.

    Without an address: at the reader that one stands before.
    """
    if address is None:
        return _STOOD_BEFORE if cause in PLACED else 0.0
    if any(address in where for where in at.values()):
        return at.get(cause, {}).get(address, 0.0)
    return _UNKNOWN_PLACE if cause in PLACED else 0.0


def moved(
    before: Mapping[int, float], ratio: Mapping[int, float], at: Mapping[Cause, Mapping[int, float]]
) -> dict[int, float]:
    """The places of one cause after readings; `ratio`: how much likelier they are with it at each address."""
    one_place = abs(sum(before.values()) - 1) < 1e-6
    found = dict(before)
    for address, times in ratio.items():
        if address in before:
            share = before[address]
            found[address] = share * times if one_place else share * times / (share * times + 1 - share)
    if one_place:
        whole = sum(found.values())
        found = {address: share / whole for address, share in found.items()}
    for address, times in ratio.items():
        if times > 1 and not any(address in where for where in at.values()):
            share = _UNKNOWN_PLACE * times / (_UNKNOWN_PLACE * times + 1 - _UNKNOWN_PLACE)
            if one_place:
                found = {one: (1 - share) * rest for one, rest in found.items()}
            found[address] = share
    return found
