"""Bayes' rule over sets of causes: octets by the trained tables, readings by the worked lines, priors; then the groups.

A group is what the evidence given cannot tell apart: causes whose likelihoods differ by less than `APART`. Nothing is
ever said to be surer than `SUREST` within its group; the group is named, and the measurement that splits it comes next.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchtool.diagnose import draws, model
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.model import CAUSES, INDEX, all_sets
from benchtool.diagnose.readings import ByHand

Floats = npt.NDArray[np.float64]
Places = Mapping[Cause, Mapping[int, float]]

APART = math.log(2.5)
SUREST = 0.6
_NOT_SOUND = 20.0


@dataclass(frozen=True, slots=True)
class Belief:
    """What is believed after everything seen and measured."""

    log_likelihood: Floats
    """Of each set, shape (sets,)."""
    probability: Floats
    """Of each set, shape (sets,), 1 in all."""

    def present(self) -> dict[Cause, float]:
        """Probability that a cause is at work, alone or with another; for `healthy`, that none is."""
        each = self.probability @ all_sets().holds
        found = {cause: float(each[index]) for cause, index in INDEX.items()}
        return {Cause.HEALTHY: float(self.probability[0]), **found}

    def two(self) -> float:
        """Probability that two causes are at work at once."""
        return float(self.probability[all_sets().size == 2].sum())

    def partner(self, cause: Cause) -> tuple[Cause, float] | None:
        """The likeliest second cause beside `cause`, and the probability of just these two together."""
        sets = all_sets()
        if cause not in INDEX:
            return None
        rows = np.flatnonzero((sets.size == 2) & sets.holds[:, INDEX[cause]])
        if not len(rows):
            return None
        row = rows[int(np.argmax(self.probability[rows]))]
        other = next(one for one in sets.members[row] if one is not cause)
        return other, float(self.probability[row])

    def bits(self) -> float:
        """How undecided it is: entropy of the sets, in bits."""
        return entropy(self.probability)

    def group(self, cause: Cause) -> tuple[Cause, ...]:
        """Single causes (and `healthy`) as likely as `cause` alone; without it, most probable first."""
        mine = self.log_likelihood[0 if cause is Cause.HEALTHY else 1 + INDEX[cause]]
        singles = [(Cause.HEALTHY, 0), *((one, 1 + index) for index, one in enumerate(CAUSES))]
        alike = [
            (self.probability[row], one)
            for one, row in singles
            if one is not cause and abs(self.log_likelihood[row] - mine) < APART and self.probability[row] >= 0.005
        ]
        return tuple(one for _, one in sorted(alike, key=lambda pair: -pair[0]))


def entropy(probability: Floats) -> float:
    """In bits; shape (sets,)."""
    safe = np.maximum(probability, 1e-300)
    return float(-(probability * np.log2(safe)).sum())


def believe(octets: Mapping[str, float | None] | None, by_hand: ByHand, length_m: float | None, at: Places) -> Belief:
    """Weigh everything; `octets` are the symptoms, None where nothing was listened to."""
    sets = all_sets()
    logs = np.zeros(len(sets.members))
    if octets is not None:
        logs = logs + model.load().scores(octets)
        logs[0] -= nothing_heard(octets)
    logs = logs + draws.load().log_likelihood(by_hand, length_m, at)
    return Belief(logs, normalised(logs + sets.log_prior))


def nothing_heard(octets: Mapping[str, float | None]) -> float:
    """Log-likelihood against a sound bus because nothing at all was heard; 0 where something was."""
    return _NOT_SOUND if octets.get("load") == 0 else 0.0


def normalised(logs: Floats) -> Floats:
    """Probabilities from logarithms of weights."""
    shares = np.exp(logs - logs.max())
    return np.asarray(shares / shares.sum())


def levelled(belief: Belief, shown: Mapping[Cause, float]) -> tuple[dict[Cause, float], tuple[Cause, ...]]:
    """The probabilities as they are shown, and the leader's group.

    Where the leader cannot be told from others, it gets at most `SUREST` of what the group has in all; the rest goes
    to the others by their shares.
    """
    found = dict(shown)
    leader = max(found, key=lambda cause: found[cause])
    group = belief.group(leader)
    rest = sum(found[cause] for cause in group)
    mass = found[leader] + rest
    if group and rest > 0 and found[leader] > SUREST * mass:
        for cause in group:
            found[cause] *= (1 - SUREST) * mass / rest
        found[leader] = SUREST * mass
    return found, group
