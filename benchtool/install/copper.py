"""Copper conductors: resistance by gauge or area and temperature, and the voltage lost along a cable.

Sheet section 1.6: IACS resistivity 1.7241 µΩ·cm at 20 °C, temperature coefficient 0.00393 a degree, gauge diameter
0.127 · 92^((36−n)/39) mm. Stranded conductors differ by a few per cent.
"""

from __future__ import annotations

import math

from benchtool.install.worked import Figure, Worked

RESISTIVITY_OHM_MM2_PER_KM = 17.241
"""Of copper at 20 °C: ohm of 1 km of 1 mm²."""
PER_DEGREE = 0.00393
_SOURCE = "International Annealed Copper Standard, 0.00393 per °C; American wire gauge"


def gauge_mm2(awg: float) -> float:
    """Copper of a solid conductor of an American wire gauge."""
    diameter_mm = 0.127 * 92 ** ((36 - awg) / 39)
    return float(math.pi / 4 * diameter_mm**2)


def ohm_per_km(area_mm2: float, celsius: float = 20.0) -> float:
    """Resistance of one conductor. ValueError for an area of 0 or less."""
    if area_mm2 <= 0:
        raise ValueError("a conductor's area is above 0 mm²")
    return RESISTIVITY_OHM_MM2_PER_KM / area_mm2 * (1 + PER_DEGREE * (celsius - 20))


def drop(metres: float, area_mm2: float, amps: float, celsius: float = 20.0) -> Worked:
    """Voltage lost in both conductors of a cable."""
    each = ohm_per_km(area_mm2, celsius)
    volts = 2 * metres / 1000 * each * amps
    inputs = (
        Figure("L", metres, "m"),
        Figure("R'", each, f"ohm/km at {celsius:g} °C"),
        Figure("I", amps, "A"),
        Figure("area", area_mm2, "mm²"),
    )
    return Worked(Figure("drop", volts, "V"), "drop = 2 · L · R' · I", inputs, _SOURCE)
