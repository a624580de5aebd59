"""How likely what was seen is under each cause.

Every share (of damaged frames, of unanswered requests, of spans that an undoing explains) is a beta-binomial count:
each cause has its own spread of shares, written as two numbers. The spreads are judgements of this project (common
practice, no published source); docs/diagnosis.md lists them and the command that measures how good they are.
Long captures are counted as no more than `MOST` independent observations each, since faults are never quite constant.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

MOST = 300
"""Largest number of independent observations that one count is taken for."""


@dataclass(frozen=True, slots=True)
class Share:
    """What share a cause leads one to expect: a beta distribution."""

    hits: float
    misses: float

    def log_likelihood(self, hits: int, total: int) -> float:
        """Log of the probability of this count (without the binomial coefficient, the same for all causes)."""
        hits_f, total_f = thin(hits, total)
        return _log_beta(self.hits + hits_f, self.misses + total_f - hits_f) - _log_beta(self.hits, self.misses)


def thin(hits: int, total: int) -> tuple[float, float]:
    """The count scaled down to at most `MOST` observations."""
    scale = min(1.0, MOST / total) if total else 1.0
    return hits * scale, total * scale


def _log_beta(first: float, second: float) -> float:
    return math.lgamma(first) + math.lgamma(second) - math.lgamma(first + second)


RARE = Share(0.3, 300)
"""Hardly ever: damage on a sound line, requests a sound device leaves unanswered."""
RARE_UNANSWERED = Share(0.3, 100)
RARE_STRAYS = Share(0.3, 200)
RARE_REPEATS = Share(1, 12)
"""Noise hits other bits each time."""
MOSTLY_REPEATS = Share(8, 1)
"""What reflections do to a frame they do to each copy of it."""
SOME_MARKS = Share(1, 5)
"""Octets of damaged spans with a framing error: noise, reflections, a reversed pair (sheet section 11: few)."""
MANY_MARKS = Share(3, 4)
"""The same at a wrong rate (sheet section 11: 0.46 at 2 and 8 times, 1 at 12 times)."""
NEARLY_EVERY = Share(50, 0.05)
ALMOST_ALL = Share(60, 0.5)
ANY = Share(1, 1)
NEVER_BY_CHANCE = Share(0.05, 50)
"""Spans that pass a check value by chance after an undoing that was not needed."""
UNDONE = Share(8, 1.5)
"""Spans that pass after the right undoing (some are cut by the beginning of the capture or by silences)."""
SOMETIMES = Share(0.5, 1.2)

_RATES: npt.NDArray[np.float64] = np.concatenate([np.logspace(-3.5, -0.01, 40), np.linspace(0.02, 0.98, 40)])
"""Share of frames that noise damages, from hardly any to nearly all: half each decade alike, half each share alike."""


def noise(damaged: int, frames: int, unanswered: list[tuple[int, int]]) -> tuple[float, float]:
    """One rate of damage for the whole bus: frames at the tap, and requests or replies at each device.

    Returns the log-likelihoods of the damage, and of the unanswered requests given that damage.
    """
    hits, total = thin(damaged, frames)
    lost = 1 - (1 - _RATES) ** 2  # the request or its reply
    logs = hits * np.log(_RATES) + (total - hits) * np.log1p(-_RATES)
    alone = _log_mean(logs)
    apart = np.zeros_like(logs)
    for missed, asked in unanswered:
        missed_f, asked_f = thin(missed, asked)
        answers = missed_f * np.log(lost) + (asked_f - missed_f) * np.log1p(-lost)
        logs = logs + answers
        apart = apart + answers
    # Stray octets can inflate the damage seen, or the tap may lie in a worse place than the devices: then the rates
    # have nothing to do with each other.
    return alone, mix(_log_mean(logs) - alone, _log_mean(apart), 0.9)


def _log_mean(logs: npt.NDArray[np.float64]) -> float:
    top = float(logs.max())
    return top + math.log(float(np.exp(logs - top).mean()))


def mix(first: float, second: float, share_of_first: float) -> float:
    """Log of a weighted mean of two likelihoods given as logs."""
    top = max(first, second)
    return top + math.log(share_of_first * math.exp(first - top) + (1 - share_of_first) * math.exp(second - top))
