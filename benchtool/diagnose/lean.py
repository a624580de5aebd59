"""What a record of the installation says for or against causes, and what follows from rules beside the tables.

Records are wrong now and then: none outweighs a clear reading. What follows from octets can be nearly a proof. The
weights are judgements of this project.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.model import INDEX, all_sets

MOST_LOG = 5.0
"""Natural logarithm; a factor of 150."""
MOST_HEARD = 20.0
"""The same for what follows from what was heard."""


@dataclass(frozen=True, slots=True)
class Lean:
    """One cause made likelier, or less likely, by what is recorded, or follows from what was heard."""

    cause: Cause
    log: float
    """Natural logarithm of how many times likelier, within `MOST_LOG` either way; within `MOST_HEARD` if `heard`."""
    because: str
    """What the record says, or what follows, in a few words."""
    heard: bool = False
    """Whether it follows from what was heard."""


def log_likelihood(leans: Iterable[Lean]) -> npt.NDArray[np.float64]:
    """What all leans together say of each set of causes; shape (sets,)."""
    sets = all_sets()
    logs = np.zeros(len(sets.members))
    for lean in leans:
        # A sound bus is the set without any cause.
        logs += lean.log * (sets.holds[:, INDEX[lean.cause]] if lean.cause in INDEX else ~sets.holds.any(axis=1))
    return logs
