"""The trained tables: from an observation's symptoms to the probability of every set of up to two causes.

Additive on purpose: each symptom's value falls in a bin, each bin has a weight for each cause, and the weights add up
to the log-odds of that cause against a sound bus. One table is for a cause alone, one for a cause that shares the bus
with a second one. The tables come from the line model by `python -m benchtool.train` (docs/diagnosis.md).
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.priors import EXCLUSIVE, PAIRS, PRIORS
from benchtool.diagnose.symptoms import SYMPTOMS, Symptom

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

CAUSES: tuple[Cause, ...] = tuple(cause for cause in Cause if cause is not Cause.HEALTHY)
"""Everything that can be wrong, in the order of the tables' rows."""
INDEX = {cause: index for index, cause in enumerate(CAUSES)}
_BY_CHANCE = math.log(50)
"""Each different frame that an undoing brings would come by chance in less than 2 cases of 100 (diagnose/undo.py)."""
_MOST_PROOFS = 3
_UNPROVED = 3.0
"""Log-likelihood against a wrong rate for which neither frames, nor values, nor framing errors speak (a judgement):
worked lines hold too few of the protocols that nobody here knows."""
_ALIKE_IN_SILENCE = 1.05
"""Log-likelihood added to a shorted pair where most devices are silent and nothing is damaged: on the line model the
octets are then those of a broken conductor at the same place, and worked lines hold few of either (a judgement)."""
_SEVERAL_SILENT, _MOST_SILENT = 2, 0.7
"""Silent devices, and their share of those asked, at least."""


def may_meet(one: Cause, other: Cause) -> bool:
    """Whether two causes can be at work at once, on one bus."""
    return not any(one in group and other in group for group in EXCLUSIVE)


@dataclass(frozen=True, slots=True)
class Sets:
    """All sets of causes that are weighed: none (a sound bus), each alone, and pairs."""

    members: tuple[tuple[Cause, ...], ...]
    holds: npt.NDArray[np.bool_]
    """Shape (sets, causes)."""
    size: Ints
    log_prior: Floats

    def index(self, causes: Sequence[Cause]) -> int:
        """The row of a set; KeyError if it is not weighed."""
        wanted = set(causes)
        for row, members in enumerate(self.members):
            if set(members) == wanted:
                return row
        raise KeyError(", ".join(cause.value for cause in causes))


@lru_cache(maxsize=1)
def all_sets() -> Sets:
    """The sets with their priors: a pair's is the product of its members', scaled to `PAIRS` in all."""
    members: list[tuple[Cause, ...]] = [(), *((cause,) for cause in CAUSES)]
    priors = [PRIORS[Cause.HEALTHY], *(PRIORS[cause] for cause in CAUSES)]
    pairs = [pair for pair in combinations(CAUSES, 2) if may_meet(*pair)]
    products = np.array([PRIORS[one] * PRIORS[other] for one, other in pairs])
    weights = np.concatenate((np.array(priors) / sum(priors) * (1 - PAIRS), products / products.sum() * PAIRS))
    members += pairs
    holds = np.array([[cause in row for cause in CAUSES] for row in members])
    return Sets(tuple(members), holds, holds.sum(axis=1), np.log(weights))


def bins_of(values: Mapping[str, float | None], symptoms: Sequence[Symptom] = SYMPTOMS) -> Ints:
    """The bin of each symptom: 0 where it could not be seen, else 1 and up."""
    found = []
    for symptom in symptoms:
        value = values.get(symptom.name)
        found.append(0 if value is None or not math.isfinite(value) else bisect_right(symptom.edges, value) + 1)
    return np.array(found, dtype=np.int64)


def offsets_of(symptoms: Sequence[Symptom] = SYMPTOMS) -> Ints:
    """Where each symptom's bins begin in a row of the tables; the last entry is the row's length."""
    return np.cumsum([0, *(len(symptom.edges) + 2 for symptom in symptoms)])


def set_scores(alone: Floats, shared: Floats, sets: Sets) -> Floats:
    """Log-likelihood of each set over that of a sound bus, from scores by cause: shape (…, causes) → (…, sets)."""
    holds = sets.holds.T.astype(np.float64)
    ones, twos = holds * (sets.size == 1), holds * (sets.size == 2)
    return np.asarray(alone @ ones + shared @ twos)


@dataclass(frozen=True, slots=True)
class Model:
    """The tables as shipped. Weights in natural logarithms."""

    names: tuple[str, ...]
    """Symptoms, in the order of the columns."""
    alone: Floats
    """Shape (causes, bins of all symptoms)."""
    shared: Floats
    bias_alone: Floats
    """Shape (causes,)."""
    bias_shared: Floats

    def __post_init__(self) -> None:
        if self.names != tuple(symptom.name for symptom in SYMPTOMS):
            raise ValueError("the tables were made for other symptoms: run python -m benchtool.train")

    def scores(self, values: Mapping[str, float | None]) -> Floats:
        """Log-likelihood of each set of causes over that of a sound bus, from octets alone; shape (sets,)."""
        columns = offsets_of()[:-1] + bins_of(values)
        alone = self.bias_alone + self.alone[:, columns].sum(axis=1)
        shared = self.bias_shared + self.shared[:, columns].sum(axis=1)
        for cause in JUDGED:
            more = sum(judged(values, cause).values())
            alone[INDEX[cause]] += more
            shared[INDEX[cause]] += more
        return set_scores(alone, shared, all_sets())

    def weights(self, values: Mapping[str, float | None], cause: Cause) -> dict[str, float]:
        """What each symptom adds to the log-odds of a cause alone against a sound bus; with `bias` they add up."""
        columns = offsets_of()[:-1] + bins_of(values)
        row = INDEX[cause]
        found = dict(zip(self.names, map(float, self.alone[row, columns]), strict=True))
        for name, more in judged(values, cause).items():
            found[name] += more
        return {**found, "bias": float(self.bias_alone[row])}


JUDGED = (Cause.REVERSED_AT_DEVICE, Cause.PAIR_SHORTED, Cause.BAUD_WRONG, Cause.FORMAT_WRONG)
"""Causes whose proofs the tables know too little of."""


def judged(values: Mapping[str, float | None], cause: Cause) -> dict[str, float]:
    """Log-likelihoods that are added to the tables' for a cause, by the symptom that they come from.

    A simulated device whose pair is reversed understands nothing and stays silent; some real ones talk unasked, or have
    a pair for each direction: then what they say, inverted, proves it. A wrong rate is proved, or hardly said.
    """
    if cause is Cause.REVERSED_AT_DEVICE:
        return {"inverted-at-device": _BY_CHANCE * min(values.get("inverted-at-device") or 0.0, _MOST_PROOFS)}
    if cause is Cause.PAIR_SHORTED:
        silent = (values.get("dead-count") or 0) >= _SEVERAL_SILENT and (values.get("dead-share") or 0) >= _MOST_SILENT
        return {"dead-share": _ALIKE_IN_SILENCE if silent and not (values.get("damage") or 0) else 0.0}
    if cause is Cause.BAUD_WRONG:
        spoken_for = (
            (values.get("rate-kinds") or 0) > 0
            or (values.get("rate-fit") or 0) >= 0.9
            or (values.get("marks-framing") or 0) >= 0.03
        )
        return {"rate-kinds": 0.0 if spoken_for else -_UNPROVED}
    if cause is Cause.FORMAT_WRONG:
        # Frames that are sound although many of their octets are marked were sent in another format.
        return {
            name: _BY_CHANCE if (values.get(name) or 0.0) >= 0.05 else 0.0
            for name in ("sound-with-framing", "sound-with-parity")
        }
    return {}


@lru_cache(maxsize=1)
def load() -> Model:
    """The shipped tables."""
    with resources.files("benchtool.diagnose").joinpath("data/tables.npz").open("rb") as file:
        held: Any = np.load(file, allow_pickle=False)
        return Model(
            tuple(str(name) for name in held["names"]),
            *(held[name].astype(np.float64) for name in ("alone", "shared", "bias_alone", "bias_shared")),
        )
