"""A twisted pair as a transmission line: impedance, delay, copper resistance and skin effect.

Facts: velocity 66 % and 120 ohm of a common RS-485 cable, AWG24 loop resistance 168.4 ohm/km (sheet section 1.6).
The loss at 1 MHz is from memory: about 2 dB per 100 m for AWG24 data cable.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Spectrum = NDArray[np.complex128]

LIGHT_M_PER_S = 299_792_458.0
AWG_OHM_PER_KM = {14: 8.28, 16: 13.17, 18: 20.95, 22: 52.96, 24: 84.2, 26: 133.9, 28: 212.9}
"""Copper resistance of one conductor at 20 °C, ohm per km (sheet section 1.6)."""
_NEPER_DB = 8.685889638


@dataclass(frozen=True, slots=True)
class Cable:
    """One sort of cable. Loss is made of copper resistance and skin effect; the insulation loses nothing."""

    impedance_ohm: float = 120.0
    """Characteristic impedance at high frequency."""
    velocity: float = 0.66
    """Share of the speed of light."""
    loop_ohm_per_m: float = 0.1684
    """Both conductors together, direct current, at 20 °C."""
    db_per_100m_at_1mhz: float = 2.0
    """Skin-effect loss at 1 MHz; it grows with the root of the frequency."""

    def __post_init__(self) -> None:
        if self.impedance_ohm <= 0 or not 0 < self.velocity <= 1:
            raise ValueError("a cable needs an impedance above 0 ohm and a velocity above 0 and at most 1")
        if self.loop_ohm_per_m < 0 or self.db_per_100m_at_1mhz < 0:
            raise ValueError("a cable's resistance and loss cannot be negative")

    @classmethod
    def awg(cls, gauge: int) -> Cable:
        """The default cable with conductors of this American wire gauge; KeyError for a gauge without a figure."""
        return cls(loop_ohm_per_m=2 * AWG_OHM_PER_KM[gauge] / 1000)

    @property
    def delay_s_per_m(self) -> float:
        """Travelling time of an edge: 5.054 ns/m at 66 %."""
        return 1.0 / (self.velocity * LIGHT_M_PER_S)

    @property
    def capacitance_f_per_m(self) -> float:
        """Between the conductors; follows from impedance and velocity."""
        return self.delay_s_per_m / self.impedance_ohm

    def travel(self, laplace: Spectrum) -> tuple[Spectrum, Spectrum]:
        """Propagation constant (1/m) and characteristic impedance (ohm) at complex frequencies, none of them 0.

        The series impedance is sL + sqrt(R² + s K²): R alone at the lowest frequencies, the skin effect's root law
        (resistance and inner inductance alike) far above, and causal between.
        """
        alpha = self.db_per_100m_at_1mhz / 100 / _NEPER_DB
        # sqrt(j w) has a real part of sqrt(w / 2); attenuation is half the resistance over the impedance.
        skin = alpha * 2 * self.impedance_ohm / np.sqrt(2 * np.pi * 1e6 / 2)
        inductance = self.delay_s_per_m * self.impedance_ohm
        series = laplace * inductance + np.sqrt(self.loop_ohm_per_m**2 + laplace * skin**2)
        shunt = laplace * self.capacitance_f_per_m
        return np.sqrt(series * shunt), np.sqrt(series / shunt)
