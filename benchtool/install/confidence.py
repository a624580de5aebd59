"""How sure an error rate is after listening: bounds on a rate from errors counted, and how long to listen for a claim.

Sheet section 8: the upper limit with k errors is half the chi-squared quantile of 2k + 2; 3 for none at 95 %.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from benchtool.install.worked import Figure, Worked

_SOURCE = "Poisson limits of a count (chi-squared quantiles); for no error, −ln(1 − confidence)"


def upper_mean(errors: int, confidence: float = 0.95) -> float:
    """The largest mean that still gives so few errors with a chance of 1 − confidence."""
    _check(confidence)
    return _solve(lambda mean: _at_most(errors, mean) - (1 - confidence))


def lower_mean(errors: int, confidence: float = 0.95) -> float:
    """The smallest mean that gives so many errors with a chance of 1 − confidence; 0 for none."""
    _check(confidence)
    if not errors:
        return 0.0
    return _solve(lambda mean: _at_most(errors - 1, mean) - confidence)


def rate_limit(errors: int, tries: float, confidence: float = 0.95) -> Worked:
    """The error rate that is not exceeded, with a confidence, after so many bits, octets or frames."""
    if tries <= 0:
        raise ValueError("nothing was counted")
    mean = upper_mean(errors, confidence)
    return Worked(
        Figure("rate at most", mean / tries),
        "rate = upper limit of the mean / number counted",
        (
            Figure("errors", float(errors)),
            Figure("counted", tries),
            Figure("upper limit of the mean", mean),
            Figure("confidence", confidence),
        ),
        _SOURCE,
    )


def listen_for(rate: float, per_second: float, confidence: float = 0.95, errors: int = 0) -> Worked:
    """How long to listen, with so many errors at the most, to claim a rate. ValueError where rate or pace is 0."""
    if rate <= 0 or per_second <= 0:
        raise ValueError("a rate and a pace above 0 are wanted")
    mean = upper_mean(errors, confidence)
    return Worked(
        Figure("listen", mean / rate / per_second, "s"),
        "listen = upper limit of the mean / (rate · pace)",
        (
            Figure("rate", rate),
            Figure("pace", per_second, "a second"),
            Figure("errors", float(errors), "at the most"),
            Figure("upper limit of the mean", mean),
            Figure("confidence", confidence),
        ),
        _SOURCE,
        notes=("Only what is on the wire counts: at a load of 10 % it takes ten times as long.",),
    )


def _check(confidence: float) -> None:
    if not 0 < confidence < 1:
        raise ValueError("a confidence lies between 0 and 1")


def _at_most(errors: int, mean: float) -> float:
    """Chance of at most so many events where `mean` are expected."""
    if mean <= 0:
        return 1.0
    logs = [count * math.log(mean) - mean - math.lgamma(count + 1) for count in range(errors + 1)]
    top = max(logs)
    return min(1.0, math.exp(top) * math.fsum(math.exp(one - top) for one in logs))


def _solve(falling: Callable[[float], float]) -> float:
    """Where a function that falls from above 0 passes 0."""
    low, high = 0.0, 1.0
    while falling(high) > 0:
        low, high = high, 2 * high
    for _ in range(200):
        middle = (low + high) / 2
        low, high = (middle, high) if falling(middle) > 0 else (low, middle)
    return (low + high) / 2
