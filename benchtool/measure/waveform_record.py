"""An oscilloscope's record of the pair: instants, A-B, and where both wires were recorded the middle of the two.

Samples may be uneven (a circuit simulator's) or have holes; between two of them the voltage is a straight line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

LEAST_SAMPLES = 8


class WaveformError(ValueError):
    """A waveform that cannot be read or measured; one line with the mend."""


@dataclass(frozen=True, slots=True)
class Waveform:
    """Times (seconds, rising) and volts of equal length. "A" is the wire that is the more positive at mark and idle."""

    time_s: Floats
    difference_v: Floats
    """A minus B."""
    common_v: Floats | None = None
    """(A + B) / 2 against the ground that the probes are on; None where only the difference is known."""
    notes: tuple[str, ...] = ()
    """What was assumed or left out when it was read."""

    @classmethod
    def of(
        cls,
        time_s: npt.ArrayLike,
        difference_v: npt.ArrayLike,
        common_v: npt.ArrayLike | None = None,
        notes: tuple[str, ...] = (),
    ) -> Waveform:
        """From anything like an array: what is not a number is left out, times are put in order, no instant twice.

        WaveformError where the lengths differ or fewer than 8 samples remain.
        """
        time, volts = _flat(time_s), _flat(difference_v)
        common = None if common_v is None else _flat(common_v)
        if len(time) != len(volts) or (common is not None and len(common) != len(time)):
            raise WaveformError("times and volts differ in number; give one voltage for each instant")
        sound = np.isfinite(time) & np.isfinite(volts)
        if common is not None:
            sound &= np.isfinite(common)
        if not sound.all():
            notes = (*notes, f"{int((~sound).sum())} samples are no numbers and were left out")
            time, volts = time[sound], volts[sound]
            common = None if common is None else common[sound]
        steps = np.diff(time)
        if len(steps) and not (steps > 0).all():
            order = np.argsort(time, kind="stable")
            time = time[order]
            kept = np.concatenate(([True], np.diff(time) > 0))
            if (steps < 0).any():
                notes = (*notes, "the times did not rise everywhere; samples were sorted")
            time, volts = time[kept], volts[order][kept]
            common = None if common is None else common[order][kept]
        if len(time) < LEAST_SAMPLES:
            raise WaveformError(f"only {len(time)} usable samples; a waveform needs at least {LEAST_SAMPLES}")
        return cls(time, volts, common, notes)

    @classmethod
    def of_wires(
        cls, time_s: npt.ArrayLike, a_v: npt.ArrayLike, b_v: npt.ArrayLike, notes: tuple[str, ...] = ()
    ) -> Waveform:
        """From both wires against ground."""
        a, b = _flat(a_v), _flat(b_v)
        if len(a) != len(b):
            raise WaveformError("the two wires differ in number of samples; give both at the same instants")
        return cls.of(time_s, a - b, (a + b) / 2, notes)

    @property
    def duration_s(self) -> float:
        """From the first sample to the last."""
        return float(self.time_s[-1] - self.time_s[0])

    @property
    def wires_v(self) -> tuple[Floats, Floats] | None:
        """A and B against ground; None where only the difference is known."""
        if self.common_v is None:
            return None
        half = self.difference_v / 2
        return self.common_v + half, self.common_v - half


def _flat(values: npt.ArrayLike) -> Floats:
    return np.asarray(values, dtype=np.float64).ravel()
