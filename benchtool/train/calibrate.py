"""How far the fitted tables are to be believed: one factor for all weights, from lines that they were not fitted to."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.model import all_sets, set_scores
from benchtool.diagnose.priors import PAIRS, PRIORS
from benchtool.train.fit import Fitted, Settings, design, fit, targets
from benchtool.train.sample import Sample

Floats = npt.NDArray[np.float64]

FOLDS = 3
_FACTORS = np.linspace(0.4, 1.6, 61)


def believed(samples: list[Sample], settings: Settings) -> float:
    """The factor that makes probabilities true, by cross-validation; 1 where the fit is right by itself."""
    return best_factor(left_out_scores(samples, settings), samples)


def left_out_scores(samples: list[Sample], settings: Settings) -> Floats:
    """Scores of each sample by tables fitted to the others; shape (samples, sets)."""
    scores = np.zeros((len(samples), len(all_sets().members)))
    for fold in range(FOLDS):
        left_out = [index for index in range(len(samples)) if index % FOLDS == fold]
        tables = fit([one for index, one in enumerate(samples) if index % FOLDS != fold], settings)
        scores[left_out] = scores_of(tables, [samples[index] for index in left_out])
    return scores


def scores_of(tables: Fitted, samples: list[Sample]) -> Floats:
    """Log-likelihood of each set over that of a sound bus; shape (samples, sets)."""
    rows = design(samples).astype(np.float64)
    alone, shared = rows @ tables.alone.T + tables.bias_alone, rows @ tables.shared.T + tables.bias_shared
    return set_scores(alone, shared, all_sets())


def as_often_as_met(samples: list[Sample]) -> Floats:
    """A weight for each sample, so that causes come as often as the priors say, and pairs in all as `PAIRS`."""
    truth = targets(samples)
    sets = all_sets()
    pairs = sets.size[truth] == 2
    wanted = np.array([PRIORS[sets.members[row][0]] if sets.size[row] else 0.0 for row in truth])
    wanted[sets.size[truth] == 0] = PRIORS[Cause.HEALTHY]
    count = np.bincount(truth, minlength=len(sets.members))[truth]
    weights = (1 - PAIRS) * wanted / sum(PRIORS.values()) / count
    return np.where(pairs, PAIRS / max(1, int(pairs.sum())), weights)


def best_factor(scores: Floats, samples: list[Sample]) -> float:
    """The factor on `scores` that gives the truth the greatest likelihood, with the priors."""
    weights, truth = as_often_as_met(samples), targets(samples)
    losses = []
    for factor in _FACTORS:
        logs = factor * scores + all_sets().log_prior
        logs -= logs.max(axis=1, keepdims=True)
        right = logs[np.arange(len(samples)), truth] - np.log(np.exp(logs).sum(axis=1))
        losses.append(-float((weights * right).sum()))
    return float(_FACTORS[int(np.argmin(losses))])
