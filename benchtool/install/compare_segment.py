"""Failures that point at one segment of the pair: all devices beyond it fail, and none before it does.

Which devices fail is weighed by Bayes' rule: devices that do not fail share one rate, each that fails has its own
(flat priors, Jeffreys'); one faulty segment, one faulty device, or several by chance could each be why (priors:
judgements of this project). A segment is named only where Poisson limits (`compare_limits.py`), widened for the number
of devices, hold the two sides apart as well, since failures come in bursts, which the weighing does not know.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchtool.install.compare_limits import least_failed, most_failed
from benchtool.install.view import Segment, Trunk

_NOTHING, _SEGMENT, _DEVICE = 0.5, 0.25, 0.25
_BY_CHANCE = 0.05
"""That a device is at fault by itself, where several are."""
LEAST_SURE = 0.8
MOST_SURE = 0.99
_LEAST_FAILURES = 3
_LEVEL = 0.95
_HALF = 0.5


@dataclass(frozen=True, slots=True)
class Counted:
    """Exchanges with one device of the record."""

    id: str
    requests: int
    failed: int


@dataclass(frozen=True, slots=True)
class Stretch:
    """One segment, or several in a row with nothing between that was counted."""

    start: str
    end: str
    before: frozenset[str]
    """Counted devices on the controller's side."""
    beyond: frozenset[str]
    metres: float | None


@dataclass(frozen=True, slots=True)
class Pointed:
    """A stretch that the failures point at."""

    stretch: Stretch
    probability: float
    """That it is this stretch; where one device alone lies beyond, that it is the device or the cable to it."""
    before: tuple[int, int]
    """Failed and asked, together."""
    beyond: tuple[int, int]
    before_most: float
    """Upper limit of the failing share before it."""
    beyond_least: float
    """Lower limit of the failing share beyond it, of the device that fails least."""
    confidence: float
    """Of each of the limits."""


def root_of(trunk: Trunk) -> str | None:
    """The place of the controller on the pair; the first place where that is not recorded."""
    places = [device.id for device in trunk.bus.device if device.kind == "controller" or device.controller is not None]
    places = places or [device.id for device in trunk.bus.device]
    return places[0] if places else None


def stretches(trunk: Trunk, counted: Sequence[Counted]) -> tuple[Stretch, ...]:
    """Every place where the pair can be cut so that counted devices lie on both sides; none where it is not clear."""
    root = root_of(trunk)
    if root is None or trunk.astray or trunk.closing or len(trunk.reached) < len(trunk.joined):
        return ()
    if len({device.id for device in trunk.bus.device}) < len(trunk.bus.device):
        return ()
    ids = frozenset(one.id for one in counted)
    order, parent = _walk(trunk, root)
    beneath: dict[str, set[str]] = {name: ({name} & ids) for name in order}
    for name in reversed(order[1:]):
        beneath[parent[name]] |= beneath[name]
    steps = {frozenset((one.start, one.device.id)): one for one in trunk.segments}
    groups: dict[frozenset[str], list[str]] = {}
    for name in order[1:]:
        beyond = frozenset(beneath[name])
        if beyond and ids - beyond:
            groups.setdefault(beyond, []).append(name)
    found = []
    for beyond, ends in groups.items():
        row = [steps[frozenset((parent[end], end))] for end in ends]
        found.append(Stretch(parent[ends[0]], ends[-1], ids - beyond, beyond, _length(row)))
    return tuple(found)


def addresses_in_order(trunk: Trunk) -> tuple[int, ...]:
    """Addresses in their order along the pair, from the controller; empty where they do not lie in one row from it."""
    root = root_of(trunk)
    if root is None or trunk.unclear is not None:
        return ()
    order, parent = _walk(trunk, root)
    if len(set(parent.values())) < len(parent):
        return ()  # somewhere the way forks
    by_id = {device.id: device.address for _, device in trunk.answerers}
    found = [address for name in order if (address := by_id.get(name)) is not None]
    return tuple(found) if len(set(found)) == len(found) else ()


def _length(row: Sequence[Segment]) -> float | None:
    known = [one.metres for one in row if one.metres is not None]
    return sum(known) if len(known) == len(row) else None


def _walk(trunk: Trunk, root: str) -> tuple[list[str], dict[str, str]]:
    """Places from the root outwards, each after the one that it hangs on."""
    parent: dict[str, str] = {}
    order = [root]
    for here in order:
        for other, _ in trunk.joined[here]:
            if other != root and other not in parent:
                parent[other] = here
                order.append(other)
    return order, parent


def point(trunk: Trunk, counted: Sequence[Counted]) -> Pointed | None:
    """The stretch that the failures point at; None where they point at none, or not surely enough."""
    counted = [one for one in counted if one.requests > 0]
    cuts = stretches(trunk, counted)
    if len(counted) < 2 or not cuts:
        return None
    hypotheses = _weigh(counted, cuts)
    most = max(hypotheses.values())
    total = sum(math.exp(value - most) for value in hypotheses.values())
    sure = {key: math.exp(value - most) / total for key, value in hypotheses.items()}
    best: Pointed | None = None
    for place, stretch in enumerate(cuts):
        probability = sure.get(("segment", place), 0.0)
        if len(stretch.beyond) == 1:
            probability += sure.get(("device", next(iter(stretch.beyond))), 0.0)
        if probability >= LEAST_SURE and (best is None or probability > best.probability):
            best = _limits(stretch, counted, min(MOST_SURE, probability)) or best
    return best


_Hypothesis = tuple[str, int | str]


def _weigh(counted: Sequence[Counted], cuts: Sequence[Stretch]) -> dict[_Hypothesis, float]:
    """Log of prior times likelihood of each explanation."""
    likelihood = _Likelihood(counted)
    found: dict[_Hypothesis, float] = {("nothing", 0): math.log(_NOTHING) + likelihood.of(frozenset())}
    for place, stretch in enumerate(cuts):
        found["segment", place] = math.log(_SEGMENT / len(cuts)) + likelihood.of(stretch.beyond)
    for one in counted:
        found["device", one.id] = math.log(_DEVICE / len(counted)) + likelihood.of(frozenset((one.id,)))
    ranked = [one.id for one in sorted(counted, key=lambda one: -one.failed / one.requests)]
    for size in range(2, len(ranked) + 1):
        chance = size * math.log(_BY_CHANCE) + (len(ranked) - size) * math.log(1 - _BY_CHANCE)
        found["several", size] = math.log(_DEVICE) + chance + likelihood.of(frozenset(ranked[:size]))
    return found


class _Likelihood:
    """Of the counts, given which devices fail; each set in time of the devices in it."""

    def __init__(self, counted: Sequence[Counted]) -> None:
        self._by_id = {one.id: one for one in counted}
        self._failed = sum(one.failed for one in counted)
        self._requests = sum(one.requests for one in counted)
        self._own = {one.id: _marginal(one.failed, one.requests) for one in counted}

    def of(self, failing: frozenset[str]) -> float:
        failed = self._failed - sum(self._by_id[name].failed for name in failing)
        requests = self._requests - sum(self._by_id[name].requests for name in failing)
        for name in failing:
            one = self._by_id[name]
            if requests and one.failed * requests <= failed * one.requests:
                return -math.inf  # it fails no more than the others
        return _marginal(failed, requests) + sum(self._own[name] for name in failing)


def _marginal(failed: int, requests: int) -> float:
    """Log-likelihood of a count whose rate may be anything."""
    failed = min(failed, requests)
    return _log_beta(failed + _HALF, requests - failed + _HALF) - _log_beta(_HALF, _HALF)


def _log_beta(one: float, other: float) -> float:
    return math.lgamma(one) + math.lgamma(other) - math.lgamma(one + other)


def _limits(stretch: Stretch, counted: Sequence[Counted], probability: float) -> Pointed | None:
    """The limits of both sides; None where they do not hold them apart, device by device beyond."""
    confidence = 1 - (1 - _LEVEL) / len(counted)
    before = [one for one in counted if one.id in stretch.before]
    beyond = [one for one in counted if one.id in stretch.beyond]
    failed, requests = sum(one.failed for one in before), sum(one.requests for one in before)
    most = min(1.0, most_failed(failed, confidence) / requests)
    least = min(least_failed(one.failed, confidence) / one.requests for one in beyond)
    if least <= most or min(one.failed for one in beyond) < _LEAST_FAILURES:
        return None
    return Pointed(
        stretch,
        probability,
        (failed, requests),
        (sum(one.failed for one in beyond), sum(one.requests for one in beyond)),
        most,
        least,
        confidence,
    )
