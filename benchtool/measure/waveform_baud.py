"""The bit rate out of a waveform's edges: free, and the usual rate next to it; how evenly the bits come.

Space lasts whole bits inside a character; mark does too except between characters. Where mark and space are lengthened
against each other (a middle that is no middle, slow edges), a bit keeps its length and the lengthening is told apart.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchtool.capture.rates import MEASURED_RATES
from benchtool.measure.waveform_record import Floats

USUAL_WITHIN = 0.03
"""A measured rate this near to a usual one is that one."""
CLOCK_WITHIN = 0.12
"""A rate further off than this is another rate, and no clock that is off."""
MOST_BITS = 9.5
"""A run of one level inside an 8N1 character is at most 9 bits."""
_USUAL = np.array(MEASURED_RATES, dtype=np.float64)
_USUAL_BONUS = 0.04
_SINGLE = 0.1
_NO_SINGLE = 0.15
_SEEDS = 24
_ALIKE = 0.01
_SCORED = 1200
_FITTED = 8
_FITS = 0.17
_LEAST_RUNS = 2


class Bits(NamedTuple):
    """Bit lengths. Times in seconds."""

    bit_s: float
    lengthened_s: float
    """How much longer a high run is than its bits (and a low one shorter): duty-cycle distortion."""
    jitter_s: float
    """Root mean square of what remains."""
    jitter_peak_s: float
    """From the earliest edge to the latest."""
    fits: float
    """Share of the runs that are whole bits."""
    runs: int

    @property
    def baud(self) -> float:
        """Bits a second."""
        return 1.0 / self.bit_s


def nearest_baud(baud: float) -> int:
    """The usual rate next to it, however far."""
    return min(MEASURED_RATES, key=lambda rate: abs(rate - baud) / rate)


def rate_off(baud: float, given: int | None) -> float:
    """How far off the rate that the bus should have, as a share of it: the given one, or the usual one next to it."""
    if given is not None and abs(baud / given - 1) < CLOCK_WITHIN:
        return baud / given - 1
    return baud / nearest_baud(baud) - 1


def usual_baud(baud: float) -> int | None:
    """The usual rate within 3 %, None where there is none."""
    nearest = nearest_baud(baud)
    return nearest if abs(nearest - baud) <= USUAL_WITHIN * nearest else None


def find_bits(lengths: Floats, highs: npt.NDArray[np.bool_], hint_s: float | None = None) -> Bits | None:
    """The bit length that the runs are multiples of; `hint_s`: what it should be. None where none fits."""
    if len(lengths) < _LEAST_RUNS:
        return None
    if hint_s is not None:
        fitted = _fit(lengths, highs, hint_s)
        if fitted is not None and fitted.fits > 0.6 and abs(fitted.bit_s / hint_s - 1) < 0.12:
            return fitted
    # An odd step takes high and low runs alike.
    thin = len(lengths) // _SCORED | 1
    whole, lengths, highs = (lengths, highs), lengths[::thin], highs[::thin]
    spread = np.sort(lengths)
    picks = spread[np.unique(np.linspace(0, 0.9 * (len(spread) - 1), _SEEDS).astype(np.int64))]
    seeds = np.unique(np.concatenate((picks, picks / 2, picks / 3)))
    seeds = seeds[np.concatenate(([True], np.diff(seeds) > _ALIKE * seeds[:-1]))]
    scores = _scores(lengths, seeds)
    best: Bits | None = None
    best_score = -1.0
    top = float(scores.max())
    # The longest bit that explains the runs: half of it explains them as well.
    for place in np.flatnonzero(scores >= top - 0.12)[::-1][:_FITTED]:
        fitted = _fit(lengths, highs, float(seeds[place]))
        if fitted is None:
            continue
        score = float(_scores(lengths, np.array([fitted.bit_s]))[0])
        if score > best_score + 0.08:
            best, best_score = fitted, score
    if best is not None and thin > 1:
        best = _fit(*whole, best.bit_s)
    return best if best is not None and best.fits > 0.5 else None


def _scores(lengths: Floats, bits_s: Floats) -> Floats:
    """Share of the time in runs up to 9.5 bits that is whole bits, a usual rate favoured; shape of `bits_s`."""
    counts = lengths[None, :] / bits_s[:, None]
    whole = np.rint(counts)
    inside = counts < MOST_BITS
    fit = inside & (whole >= 1) & (np.abs(counts - whole) < _FITS)
    number = np.maximum(1, inside.sum(axis=1))
    # By time, not by number: many short runs of ringing or noise are still little time.
    share = np.where(fit, lengths, 0.0).sum(axis=1) / np.maximum(np.where(inside, lengths, 0.0).sum(axis=1), 1e-300)
    usual = np.min(np.abs(1.0 / bits_s[:, None] / _USUAL - 1), axis=1) < USUAL_WITHIN / 2
    # Octets are full of single bits: a length without any is a fraction of the bit.
    single = (fit & (whole == 1)).sum(axis=1) >= _SINGLE * fit.sum(axis=1)
    share = np.where(single, share, (1 - _NO_SINGLE) * share) + _USUAL_BONUS * usual
    return np.asarray(share * np.minimum(1.0, number / max(1.0, 0.6 * len(lengths))))


def _fit(lengths: Floats, highs: npt.NDArray[np.bool_], bit_s: float) -> Bits | None:
    """Least squares of `length = n * bit ± lengthened` over the runs that fit, from a first guess; three rounds."""
    lengthened = 0.0
    signs = np.where(highs, 1.0, -1.0)
    for _ in range(3):
        counts = (lengths - signs * lengthened) / bit_s
        whole = np.rint(counts)
        kept = (whole >= 1) & (counts < MOST_BITS) & (np.abs(counts - whole) < 2 * _FITS)
        if kept.sum() < _LEAST_RUNS:
            return None
        number, sign, length = whole[kept], signs[kept], lengths[kept]
        both = (sign > 0).any() and (sign < 0).any()
        nn, ns, ss = float(number @ number), float(number @ sign), float(len(sign))
        nl, sl = float(number @ length), float(sign @ length)
        determinant = nn * ss - ns * ns
        if both and determinant > 1e-9 * nn * ss:
            bit_s = (nl * ss - ns * sl) / determinant
            lengthened = (nn * sl - ns * nl) / determinant
        else:
            bit_s, lengthened = nl / nn, 0.0
        if bit_s <= 0 or abs(lengthened) > 0.45 * bit_s:
            return None
    counts = (lengths - signs * lengthened) / bit_s
    whole = np.rint(counts)
    inside = counts < MOST_BITS
    fit = inside & (whole >= 1) & (np.abs(counts - whole) < _FITS)
    if not fit.any():
        return None
    # Two edges make a run's error.
    off = (counts - whole)[fit] * bit_s
    return Bits(
        float(bit_s),
        float(lengthened),
        float(np.sqrt(np.mean(off**2) / 2)),
        float(off.max() - off.min()),
        float(fit.sum() / max(1, inside.sum())),
        int(fit.sum()),
    )
