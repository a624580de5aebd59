"""Limits of a failing share, for counts of any size: exact for few failures, by Wilson and Hilferty's formula for many.

Exact: `confidence.py`. Wilson and Hilferty (1931): the cube root of chi-squared over its degrees of freedom is nearly
normal; from some dozens of failures on, that is right within a thousandth.
"""

from __future__ import annotations

from functools import lru_cache
from statistics import NormalDist

from benchtool.install.confidence import lower_mean, upper_mean

_MANY = 100
"""More failures than this go by the formula: the exact sum takes as many steps for each look."""


@lru_cache(maxsize=4096)
def most_failed(failed: int, confidence: float = 0.95) -> float:
    """The largest mean that still gives so few failures."""
    if failed <= _MANY:
        return upper_mean(failed, confidence)
    return _quantile(confidence, failed + 1)


@lru_cache(maxsize=4096)
def least_failed(failed: int, confidence: float = 0.95) -> float:
    """The smallest mean that gives so many failures."""
    if failed <= _MANY:
        return lower_mean(failed, confidence)
    return _quantile(1 - confidence, failed)


def _quantile(share: float, half_degrees: float) -> float:
    """Half of the chi-squared quantile of so many pairs of degrees of freedom."""
    step = 1 / (9 * half_degrees)
    return float(half_degrees * (1 - step + NormalDist().inv_cdf(share) * step**0.5) ** 3)
