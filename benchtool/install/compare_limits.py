"""Limits of a failing share, kept: a comparison asks for the same ones over and over. From `confidence.py`."""

from __future__ import annotations

from functools import lru_cache

from benchtool.install.confidence import lower_mean, upper_mean


@lru_cache(maxsize=4096)
def most_failed(failed: int, confidence: float = 0.95) -> float:
    """The largest mean that still gives so few failures."""
    return upper_mean(failed, confidence)


@lru_cache(maxsize=4096)
def least_failed(failed: int, confidence: float = 0.95) -> float:
    """The smallest mean that gives so many failures."""
    return lower_mean(failed, confidence)
