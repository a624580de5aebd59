"""Fits the additive tables: maximum likelihood over sets of causes, by plain gradient steps (Adam) in numpy.

The probability of a set is its share among the worked lines times the exponential of its score, divided by the sum
over all sets. Weights are held small, and those of neighbouring bins alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchtool.diagnose.model import CAUSES, all_sets, bins_of, offsets_of
from benchtool.diagnose.symptoms import SYMPTOMS
from benchtool.train.sample import Sample

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Settings:
    """How the fit is held back."""

    small: float = 1e-4
    """Weight of the squared weights of a cause alone, a sample."""
    smooth: float = 4e-4
    """Weight of their squared differences between neighbouring bins, a sample."""
    beside: float = 10.0
    """How many times more the weights beside another cause are held back: far fewer lines show each pair."""
    lent: float = 0.8
    """Share of a cause's weights alone that its weights beside another cause begin with."""
    steps: int = 500
    rate: float = 0.05


@dataclass(frozen=True, slots=True)
class Fitted:
    """Tables as `model.Model` takes them."""

    alone: Floats
    shared: Floats
    bias_alone: Floats
    bias_shared: Floats


def design(samples: list[Sample]) -> npt.NDArray[np.float32]:
    """One row a sample, a 1 in the column of each symptom's bin."""
    offsets = offsets_of()
    rows = np.zeros((len(samples), int(offsets[-1])), dtype=np.float32)
    for row, sample in enumerate(samples):
        rows[row, offsets[:-1] + bins_of(sample.symptoms)] = 1
    return rows


def targets(samples: list[Sample]) -> Ints:
    """The row of each sample's set of causes."""
    sets = all_sets()
    rows = {frozenset(members): row for row, members in enumerate(sets.members)}
    return np.array([rows[frozenset(sample.causes)] for sample in samples])


def _chain() -> tuple[Ints, Ints]:
    """Columns that are neighbouring bins of one symptom; the bin for what was not seen has no neighbour."""
    offsets = offsets_of()
    left = [
        at
        for symptom, begin in zip(SYMPTOMS, offsets[:-1], strict=True)
        for at in range(int(begin) + 1, int(begin) + len(symptom.edges) + 1)
    ]
    return np.array(left), np.array(left) + 1


def fit(samples: list[Sample], settings: Settings = Settings()) -> Fitted:
    """The tables that explain the samples best. Repeatable: no chance in it."""
    x = design(samples)
    truth = targets(samples)
    sets = all_sets()
    counts = np.bincount(truth, minlength=len(sets.members)).astype(np.float64)
    # What a worked line's set was drawn with is not to be learnt: sets of one size are drawn alike often.
    by_size = np.array([counts[sets.size == size].sum() / max(1, (sets.size == size).sum()) for size in range(3)])
    offset = np.log(np.where(counts > 0, counts, by_size[sets.size]) + 0.5)
    holds = sets.holds.astype(np.float32)
    ones, twos = holds * (sets.size == 1)[:, None], holds * (sets.size == 2)[:, None]
    width, causes, count = x.shape[1], len(CAUSES), len(samples)
    left, right = _chain()
    parameters = [np.zeros(shape, dtype=np.float32) for shape in ((width, causes), (width, causes), causes, causes)]
    first = [np.zeros_like(one) for one in parameters]
    second = [np.zeros_like(one) for one in parameters]
    start = offset.astype(np.float32)
    turned = np.ascontiguousarray(x.T)
    rows = np.arange(count)
    for step in range(1, settings.steps + 1):
        alone, apart_shared, bias_alone, bias_shared = parameters
        shared = settings.lent * alone + apart_shared
        wrong = start + (x @ alone + bias_alone) @ ones.T + (x @ shared + bias_shared) @ twos.T
        wrong -= wrong.max(axis=1, keepdims=True)
        np.exp(wrong, out=wrong)
        wrong /= wrong.sum(axis=1, keepdims=True)
        wrong[rows, truth] -= 1
        wrong /= count
        by_one, by_two = wrong @ ones, wrong @ twos
        slope_shared = turned @ by_two
        slope_alone = turned @ by_one + settings.lent * slope_shared
        slopes = [slope_alone, slope_shared, by_one.sum(axis=0), by_two.sum(axis=0)]
        for table, slope, held in zip(parameters[:2], slopes[:2], (1.0, settings.beside), strict=True):
            slope += held * settings.small * table
            apart = held * settings.smooth * (table[left] - table[right])
            # Each column stands once on the left and once on the right at most.
            slope[left] += apart
            slope[right] -= apart
        rate = settings.rate * min(1.0, 3 * (1 - step / (settings.steps + 1)))
        for one, slope, mean, square in zip(parameters, slopes, first, second, strict=True):
            mean *= 0.9
            mean += 0.1 * slope
            square *= 0.999
            square += 0.001 * slope**2
            one -= rate * (mean / (1 - 0.9**step)) / (np.sqrt(square / (1 - 0.999**step)) + 1e-8)
    tables = [one.astype(np.float64) for one in parameters]
    tables[1] += settings.lent * tables[0]
    return Fitted(tables[0].T, tables[1].T, tables[2], tables[3])
