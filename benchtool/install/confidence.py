"""How sure an error rate is after listening: bounds on a rate from errors counted, and how long to listen for a claim.

Sheet section 8: the upper limit with k errors is half the chi-squared quantile of 2k + 2; 3 for none at 95 %. The
chance of at most k events is a regularised incomplete gamma function, by its series or its continued fraction (standard
handbooks of mathematical functions); Newton's steps begin at Wilson and Hilferty's quantile (1931).
"""

from __future__ import annotations

import math
from statistics import NormalDist

from benchtool.install.worked import Figure, Worked

_SMALL = 1e-15
_TINY = 1e-300
_EDGE = 1e-15
"""Below it, 1 less the share is 1: the start is then the middle of what is possible."""
_MOST_STEPS = 100_000
"""Of the fraction: some thousands are enough for a million errors."""
_MOST_LOOKS = 200

_SOURCE = "Poisson limits of a count (chi-squared quantiles); for no error, −ln(1 − confidence)"


def upper_mean(errors: int, confidence: float = 0.95) -> float:
    """The largest mean that still gives so few errors with a chance of 1 − confidence."""
    _check(confidence)
    return _mean(errors, 1 - confidence)


def lower_mean(errors: int, confidence: float = 0.95) -> float:
    """The smallest mean that gives so many errors with a chance of 1 − confidence; 0 for none."""
    _check(confidence)
    if not errors:
        return 0.0
    return _mean(errors - 1, confidence)


def rate_limit(errors: int, tries: float, confidence: float = 0.95) -> Worked:
    """The error rate that is not exceeded, with a confidence, after so many bits, octets or frames."""
    if tries <= 0:
        raise ValueError("nothing was counted")
    if errors > tries:
        raise ValueError(f"{errors} errors among {tries:g} counted: there cannot be more errors than were counted")
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
        notes=("Above 1: so few were counted that nothing can be claimed.",) if mean > tries else (),
    )


def listen_for(rate: float, per_second: float, confidence: float = 0.95, errors: int = 0) -> Worked:
    """How long to listen, with so many errors at the most, to claim a rate. ValueError where rate or pace is 0, or the
    rate is above 1."""
    if rate > 1:
        raise ValueError(f"an error rate is a share, 1 at the most, not {rate:g}")
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
    """Chance of at most so many events where `mean` are expected: Q(errors + 1, mean)."""
    if mean <= 0:
        return 1.0
    shape = errors + 1
    front = math.exp(shape * math.log(mean) - mean - math.lgamma(shape))
    if mean < shape + 1:
        term = total = 1.0 / shape
        step = shape
        while term > total * _SMALL:
            step += 1
            term *= mean / step
            total += term
        return max(0.0, 1.0 - front * total)
    # The continued fraction, by Lentz's method.
    below = mean + 1 - shape
    upper, lower = 1 / _TINY, 1 / below
    value = lower
    for step in range(1, _MOST_STEPS):
        factor = -step * (step - shape)
        below += 2
        lower = 1 / _not_0(factor * lower + below)
        upper = _not_0(below + factor / upper)
        value *= upper * lower
        if abs(upper * lower - 1) < _SMALL:
            break
    return min(1.0, front * value)


def _not_0(value: float) -> float:
    return value if abs(value) > _TINY else _TINY


def _mean(errors: int, share: float) -> float:
    """The mean at which the chance of at most so many errors is `share`."""
    if not errors:
        return -math.log(share)
    step = 1 / (9 * (errors + 1))
    start = (errors + 1) * (1 - step + NormalDist().inv_cdf(1 - share) * step**0.5) ** 3 if share > _EDGE else 0.0
    low, high = 0.0, 2.0 * (errors + 1)
    while _at_most(errors, high) > share:
        low, high = high, 2 * high
    mean = start if low < start < high else (low + high) / 2
    for _ in range(_MOST_LOOKS):
        over = _at_most(errors, mean) - share
        low, high = (mean, high) if over > 0 else (low, mean)
        # The chance falls with the mean by the chance of just so many.
        falls = math.exp(errors * math.log(mean) - mean - math.lgamma(errors + 1))
        better = mean + over / falls if falls > 0 else low
        if not low < better < high:
            better = (low + high) / 2
        if abs(better - mean) <= _SMALL * mean or high - low <= _SMALL * high:
            return better
        mean = better
    return mean
