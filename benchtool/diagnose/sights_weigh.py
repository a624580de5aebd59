"""What was seen as evidence: log-likelihoods of sights under each set of causes, to be added to all other evidence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.model import INDEX, all_sets
from benchtool.diagnose.places import PLACED, share_at
from benchtool.diagnose.readings import Seen
from benchtool.diagnose.sights import Sight
from benchtool.diagnose.sights_known import sight_of

Floats = npt.NDArray[np.float64]
_LEAST = 0.005
"""No answer is impossible: people look at the wrong box."""


def chances(sight: Sight, address: int | None, at: Mapping[Cause, Mapping[int, float]]) -> Floats:
    """How probable each answer is under each set of causes; shape (sets, answers).

    Of two causes the one that makes an answer likelier shows. A cause at another device changes nothing here.
    """
    usual = np.asarray(sight.usual)
    by_cause = np.tile(usual, (len(INDEX), 1))
    for cause, row in sight.rows.items():
        if cause is Cause.HEALTHY:
            continue
        here = share_at(at, cause, address) if sight.at_device and cause in PLACED else 1.0
        by_cause[INDEX[cause]] = here * np.asarray(row) + (1 - here) * usual
    sound = np.asarray(sight.rows.get(Cause.HEALTHY, sight.usual))
    table = np.array([sound if not rows else by_cause[list(rows)].max(axis=0) for rows in _members()])
    table = np.maximum(table, _LEAST)
    return np.asarray(table / table.sum(axis=1, keepdims=True))


@lru_cache(maxsize=1)
def _members() -> tuple[tuple[int, ...], ...]:
    return tuple(tuple(INDEX[cause] for cause in members) for members in all_sets().members)


def log_likelihood(seen: Sequence[Seen], at: Mapping[Cause, Mapping[int, float]]) -> Floats:
    """Log-likelihood of what was seen under each set; shape (sets,), 0 where nothing was."""
    found = np.zeros(len(all_sets().members))
    for one in seen:
        sight = sight_of(one.sight)
        found = found + np.log(chances(sight, one.address, at)[:, sight.words().index(one.answer)])
    return np.asarray(found)
