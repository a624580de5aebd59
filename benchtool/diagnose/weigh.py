"""Bayes' rule over sets of causes: octets by the trained tables, readings by the worked lines, priors; then the groups.

A group is what the evidence given cannot tell apart: causes whose likelihoods differ by less than `APART`. Nothing is
ever said to be surer than `SUREST` within its group; the group is named, and the measurement that splits it comes next.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from benchtool.diagnose import draws, lean, model, sights_weigh
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.lean import Lean
from benchtool.diagnose.model import CAUSES, INDEX, all_sets
from benchtool.diagnose.readings import ByHand
from benchtool.diagnose.reflections import times_too_long
from benchtool.diagnose.sights_known import sight_of

Floats = npt.NDArray[np.float64]
Places = Mapping[Cause, Mapping[int, float]]

APART = math.log(2.5)
SUREST = 0.6
_NOBODY_TALKS = math.log(12)
"""A controller that is off and a clip without contact are no causes on the list, and commoner than all that silence a
bus (judgement)."""
_WRONG = ("damage", "failed-exchanges", "unasked", "second-replies", "strays", "outages")
_TOO_LONG = math.log(15)
"""Log-likelihood of a pair too long for its rate where its length is beyond the rule by half, and against where it is
within the rule: some pairs beyond it work, and some thin ones within it do not (judgement)."""
_BEYOND = 1.5
_LEAST = 0.005
"""Less probable sets are not named in a group."""
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

    def most_probable(self, cause: Cause) -> int:
        """The row of the most probable set with the cause in it."""
        if cause is Cause.HEALTHY:
            return 0
        rows = np.flatnonzero(all_sets().holds[:, INDEX[cause]])
        return int(rows[int(np.argmax(self.probability[rows]))])

    def group(self, cause: Cause) -> tuple[Cause, ...]:
        """Causes (and `healthy`) as likely in its place as `cause`; without it, most probable first.

        In its place: alone; or, where it is most probably at work beside a second cause, beside that one.
        """
        sets = all_sets()
        mine = self.most_probable(cause)
        beside = tuple(one for one in sets.members[mine] if one is not cause)
        alike = []
        for other in (Cause.HEALTHY, *CAUSES):
            if other is cause or other in beside or (other is Cause.HEALTHY and beside):
                continue
            row = _rows().get(frozenset(beside) if other is Cause.HEALTHY else frozenset((*beside, other)))
            if row is None or self.probability[row] < _LEAST:
                continue
            if abs(self.log_likelihood[row] - self.log_likelihood[mine]) < APART:
                alike.append((self.probability[row], other))
        return tuple(one for _, one in sorted(alike, key=lambda pair: -pair[0]))


@lru_cache(maxsize=1)
def _rows() -> dict[frozenset[Cause], int]:
    return {frozenset(members): row for row, members in enumerate(all_sets().members)}


def entropy(probability: Floats) -> float:
    """In bits; shape (sets,)."""
    safe = np.maximum(probability, 1e-300)
    return float(-(probability * np.log2(safe)).sum())


def believe(
    octets: Mapping[str, float | None] | None,
    by_hand: ByHand,
    length_m: float | None,
    at: Places,
    baud: int | None = None,
    leans: Sequence[Lean] = (),
) -> Belief:
    """Weigh everything; `octets` are the symptoms, None where nothing was listened to; `baud` as far as it is known;
    `leans` what a record of the installation says.
    """
    sets = all_sets()
    logs = np.zeros(len(sets.members))
    prior = sets.log_prior.copy()
    if octets is not None:
        logs = logs + model.load().scores(octets)
        logs[0] -= nothing_heard(octets)
        if octets.get("load") == 0:
            prior[1 + INDEX[Cause.NONE_OF_THESE]] += _NOBODY_TALKS
    hand = that_counts(by_hand, octets)
    logs = logs + draws.load().log_likelihood(hand, length_m, at) + by_length(length_m, baud)
    logs = logs + sights_weigh.log_likelihood(hand.seen, at) + lean.log_likelihood(leans)
    return Belief(logs, normalised(logs + prior))


def by_length(length_m: float | None, baud: int | None) -> Floats:
    """What the pair's length and rate say of each set, by the published rule; shape (sets,), 0 where one is unknown."""
    sets = all_sets()
    if length_m is None or baud is None:
        return np.zeros(len(sets.members))
    times = times_too_long(length_m, baud)
    weight = _TOO_LONG if times >= _BEYOND else 0.0 if times > 1 else -_TOO_LONG
    return np.asarray(weight * sets.holds[:, INDEX[Cause.LINE_TOO_LONG]], dtype=np.float64)


def that_counts(by_hand: ByHand, octets: Mapping[str, float | None] | None) -> ByHand:
    """What was measured, what was tried where an action could make a difference that is heard, and what was seen that
    octets do not tell already.
    """
    if octets is not None and octets.get("load") != 0:
        by_hand = replace(by_hand, seen=tuple(one for one in by_hand.seen if not sight_of(one.sight).heard_too))
    return by_hand if something_wrong(octets) else replace(by_hand, tried=())


def something_wrong(octets: Mapping[str, float | None] | None) -> bool:
    """Whether anything was heard that an action could make better; taken to be so where nothing was listened to."""
    if octets is None or octets.get("load") == 0:
        return True
    return any((octets.get(name) or 0.0) > 0 for name in _WRONG)


def nothing_heard(octets: Mapping[str, float | None]) -> float:
    """Log-likelihood of any cause against a sound bus because nothing at all was heard; 0 where something was."""
    return _NOT_SOUND if octets.get("load") == 0 else 0.0


def normalised(logs: Floats) -> Floats:
    """Probabilities from logarithms of weights."""
    shares = np.exp(logs - logs.max())
    return np.asarray(shares / shares.sum())


def levelled(belief: Belief, shown: Mapping[Cause, float]) -> tuple[dict[Cause, float], tuple[Cause, ...]]:
    """The probabilities as they are shown, and the group that matters most, its likeliest cause first; or none.

    Where the leader cannot be told from others, it gets at most `SUREST` of what the group has in all; the rest goes
    to the others by their shares. The same for a second cause beside the leader; the leader's group is told first.
    """
    found = dict(shown)
    leader = max(found, key=lambda cause: found[cause])
    second = [cause for cause in all_sets().members[belief.most_probable(leader)] if cause is not leader]
    told: tuple[Cause, ...] = ()
    for cause in (leader, *second):
        group = tuple(one for one in belief.group(cause) if one is not leader)
        if not group:
            continue
        told = told or (cause, *group)
        rest = sum(found[one] for one in group)
        mass = found[cause] + rest
        if rest > 0 and found[cause] > SUREST * mass:
            for one in group:
                found[one] *= (1 - SUREST) * mass / rest
            found[cause] = SUREST * mass
    return found, told
