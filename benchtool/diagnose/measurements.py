"""The next measurement: which reading or action is expected to settle most for the time it takes.

For each one not done yet: the expected fall of the entropy of the causes (information gain, in bits), over its minutes.
What each result would mean is read off the worked lines too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from benchtool.diagnose import draws
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.mends import action_chance
from benchtool.diagnose.model import INDEX, all_sets
from benchtool.diagnose.places import share_at
from benchtool.diagnose.readings import ACTIONS, METER, Action, ByHand, Kind, kind_of
from benchtool.diagnose.weigh import Belief, Floats, Places, entropy

_SETUP_MINUTES = 1.0
"""Added to every measurement's time, so that a worthless one is not chosen for being quick."""
LEAST_GAIN = 0.03
"""A measurement expected to bring less than this many bits is not suggested."""
_ALSO_SUSPECT = 0.2
"""Devices less suspect than the first one by this factor are not measured at."""
_LEAST_SHARE = 0.03
"""Causes less probable than this are not named in what a result would mean."""


@dataclass(frozen=True, slots=True)
class Choice:
    """A measurement or action with what it is worth now."""

    what: Kind | Action
    address: int | None
    gain_bits: float
    minutes: float

    @property
    def name(self) -> str:
        """As it is typed back: `ab-idle@5`."""
        return self.what.name if self.address is None else f"{self.what.name}{self.address}"

    @property
    def worth(self) -> float:
        """Bits a minute."""
        return self.gain_bits / (self.minutes + _SETUP_MINUTES)


def choices(
    belief: Belief,
    by_hand: ByHand,
    length_m: float | None,
    at: Places,
    group: Sequence[Cause] = (),
    actions: Sequence[Action] = ACTIONS,
) -> list[Choice]:
    """Everything that can still be measured or tried, most worth first; before all, what splits `group` best."""
    done = {reading.name for reading in by_hand.readings} | {tried.name for tried in by_hand.tried}
    off = any(kind_of(reading.kind).power_off for reading in by_hand.readings)
    addresses = suspects(belief, at)
    known = draws.load_fewer()
    found: list[tuple[Choice, Floats]] = []
    before = belief.bits()
    for kind in METER:
        for place in _open_places(kind, addresses, done):
            table = known.outcomes(kind, place, length_m, at, belief.probability)
            if table is not None:
                gain = before - _expected(belief.probability, table)
                found.append((Choice(kind, place, gain, 1.0 if kind.power_off and off else kind.minutes), table))
    for action in actions:
        for place in _open_places(action, addresses, done):
            better = action_chance(action.name, place, all_sets(), at)
            table = np.stack((better, 1 - better), axis=1)
            gain = before - _expected(belief.probability, table)
            found.append((Choice(action, place, gain, action.minutes), table))
    found.sort(key=lambda one: -one[0].worth)
    splitting = _best_split(found, belief, group)
    if splitting is not None:
        found.insert(0, found.pop(splitting))
    return [choice for choice, _ in found]


def _best_split(found: Sequence[tuple[Choice, Floats]], belief: Belief, group: Sequence[Cause]) -> int | None:
    """Which choice tells the causes of a group apart best for its time; None where none does."""
    rows = [belief.most_probable(cause) for cause in group]
    if len(rows) < 2 or not found:
        return None
    shares = belief.probability[rows] / belief.probability[rows].sum()
    undecided = entropy(shares)
    worth = [
        Choice(one.what, one.address, undecided - _expected(shares, table[rows]), one.minutes).worth
        for one, table in found
    ]
    best = int(np.argmax(worth))
    return best if worth[best] * (found[best][0].minutes + _SETUP_MINUTES) >= LEAST_GAIN else None


def _open_places(what: Kind | Action, addresses: list[int], done: set[str]) -> tuple[int | None, ...]:
    """Where it is to be done next: at the most suspect device where it was not done yet; nowhere if it is all done."""
    if not what.at_device:
        return () if what.name in done else (None,)
    return tuple(address for address in addresses if f"{what.name}{address}" not in done)[:1]


def suspects(belief: Belief, at: Places) -> list[int]:
    """The addresses that are probably at fault, most suspect first; empty where no address is known."""
    weights: dict[int, float] = {}
    present = belief.present()
    for cause, places in at.items():
        for address, share in places.items():
            weights[address] = weights.get(address, 0.0) + share * present[cause]
    ranked = sorted(weights, key=lambda one: -weights[one])
    return [address for address in ranked if weights[address] >= _ALSO_SUSPECT * weights[ranked[0]]]


def _expected(probability: Floats, table: Floats) -> float:
    """Expected entropy after a result, in bits; `table`: (sets, results) probabilities."""
    joint = probability[:, None] * table
    total = joint.sum(axis=0)
    return float(sum(share * entropy(joint[:, place] / share) for place, share in enumerate(total) if share > 1e-9))


def meanings(
    kind: Kind, address: int | None, present: Mapping[Cause, float], length_m: float | None, at: Places
) -> tuple[str, ...]:
    """What results would mean, for the causes still in play: one line a range, most probable cause first."""
    known = draws.load_fewer()
    ranges: list[tuple[tuple[float, float], list[str]]] = []
    for cause, share in sorted(present.items(), key=lambda item: -item[1]):
        if share < _LEAST_SHARE and ranges:
            break
        that = share_at(at, cause, address) > 0.3
        span = known.span(kind, 0 if cause is Cause.HEALTHY else 1 + INDEX[cause], length_m, that=that)
        if span is None:
            continue
        for limits, names in ranges:
            if _overlap(limits, span, kind):
                names.append(cause.value)
                break
        else:
            ranges.append((span, [cause.value]))
    return tuple(f"{_range_text(limits, kind)}: {', '.join(names)}" for limits, names in ranges)


def _overlap(one: tuple[float, float], other: tuple[float, float], kind: Kind) -> bool:
    """Whether two ranges are the same for a person with a meter."""
    centre = (one[0] + one[1]) / 2
    value = 10**centre if kind.unit == "ohm" else centre
    slack = 2 * kind.spread(value)
    return abs(one[0] - other[0]) < slack and abs(one[1] - other[1]) < slack


def _range_text(limits: tuple[float, float], kind: Kind) -> str:
    low, high = limits
    if kind.unit == "ohm":
        low, high = 10**low, 10**high
        if high > 300_000:
            return "open" if low > 300_000 else f"{_short(low)} ohm or more"
        if high < 1.15 * low:
            return f"about {_short((low + high) / 2)} ohm"
        return f"{_short(low)} to {_short(high)} ohm"
    if high - low < 2 * kind.absolute:
        return f"about {_volts((low + high) / 2)} V"
    return f"{_volts(low)} to {_volts(high)} V"


def _volts(volts: float) -> str:
    return f"{round(volts, 2) + 0.0:.2f}"  # never -0.00


def _short(ohm: float) -> str:
    if ohm >= 999.5:
        return f"{ohm / 1000:.{1 if ohm < 9950 else 0}f}k"
    return f"{ohm:.0f}"
