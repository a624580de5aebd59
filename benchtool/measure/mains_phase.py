"""Whether damage keeps step with the mains: Rayleigh's test at twice 50 and 60 Hz, against when sound octets came.

Polling is periodic by itself, often with a period that divides the mains' half period, so sound octets keep step too:
only how much better damage does counts. The mains is up to 0.2 Hz off its name and our clock a little as well, so a few
frequencies around are tried (common practice; the grids themselves keep within less).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FREQUENCIES = (100.0, 120.0)
"""Hertz: both half waves of 50 and 60 Hz mains."""
LEAST_TIMES = 8
_WANDER_HZ = 0.3
"""At twice the mains frequency."""
_WINDOW_S = 60.0
"""Longer than this, the mains' own wandering blurs the phase."""


@dataclass(frozen=True, slots=True)
class MainsPhase:
    """How far damage keeps step with twice the mains frequency."""

    hertz: float
    """100 or 120: the one that fits better."""
    resultant: float
    """0 to 1: length of the mean phase vector of damage, less that of sound octets."""
    score: float
    """Like Rayleigh's n·R²: above about 8, chance hardly does it, with the frequencies tried."""
    count: int


def mains_phase(damaged_ns: list[int], sound_ns: list[int] | None) -> MainsPhase | None:
    """Compare times of damage with times of sound octets; None with fewer than 8 of either.

    `sound_ns` None: with nothing, for octets that came in silences, whose times no polling has set.
    """
    if len(damaged_ns) < LEAST_TIMES or (sound_ns is not None and len(sound_ns) < LEAST_TIMES):
        return None
    bad = np.asarray(damaged_ns, dtype=np.float64) * 1e-9
    good = np.asarray(sound_ns or (), dtype=np.float64) * 1e-9
    begin = min(bad[0], good[0]) if len(good) else bad[0]
    bad, good = bad[bad <= begin + _WINDOW_S] - begin, good[good <= begin + _WINDOW_S] - begin
    if len(bad) < LEAST_TIMES or (sound_ns is not None and len(good) < LEAST_TIMES):
        return None
    span = max(float(bad[-1]), 0.5)
    steps = min(40, int(np.ceil(_WANDER_HZ * span * 2)))
    best: MainsPhase | None = None
    for name in FREQUENCIES:
        tried = name + np.linspace(-_WANDER_HZ, _WANDER_HZ, 2 * steps + 1)
        apart, spread = _vectors(bad, tried), 1 / len(bad)
        if len(good):
            apart = apart - _vectors(good, tried)
            spread += 1 / len(good)
        place = int(np.argmax(np.abs(apart)))
        resultant = float(np.abs(apart[place]))
        found = MainsPhase(name, min(1.0, resultant), resultant**2 / spread, len(bad))
        if best is None or found.score > best.score:
            best = found
    return best


def _vectors(times: npt.NDArray[np.float64], hertz: npt.NDArray[np.float64]) -> npt.NDArray[np.complex128]:
    return np.asarray(np.exp(2j * np.pi * np.outer(hertz, times)).mean(axis=1))
