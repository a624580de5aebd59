"""Between which figures a reading lies if all is as recorded: what a band is, readings as typed, supply voltages.

Tolerances where the record says nothing are common practice and told with each band.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from benchtool.install.feeds import Fed
from benchtool.install.record import Supply

SUPPLY = 0.05
"""Tolerance of a supply's voltage (common practice)."""
METER = 0.01
"""Of a reading (common practice)."""


@dataclass(frozen=True, slots=True)
class Band:
    """Between which figures a reading lies if all is as recorded."""

    low: float
    high: float
    """Infinite: an open pair, or no limit."""
    unit: str
    basis: tuple[str, ...]
    """What it was computed from, and what was taken for granted."""

    def holds(self, value: float) -> bool:
        """Whether a reading lies in it."""
        return self.low <= value <= self.high

    def __str__(self) -> str:
        if math.isinf(self.high):
            least = f"{self.low:.3g} {self.unit} or more"
            return f"{least}, up to open" if self.unit == "ohm" else least
        if self.unit == "V" and self.high < 1:
            return f"{self.low * 1000:.0f} to {self.high * 1000:.0f} mV"
        digits = 1 if self.unit == "V" or self.high < 100 else 0
        return f"{self.low:.{digits}f} to {self.high:.{digits}f} {self.unit}"


@dataclass(frozen=True, slots=True)
class Unknown:
    """A band cannot be computed, and why."""

    why: str


_NUMBER = re.compile(r"([+-]?[0-9]+(?:[.,][0-9]+)?)\s*([a-zA-ZΩµ]*)")
_FACTORS = {"": 1.0, "m": 1e-3, "k": 1e3, "M": 1e6}
_OPEN = ("open", "ol", "o.l", "infinite", "inf")


def reading_of(text: str, unit: str) -> float | None:
    """A reading as typed, in `ohm` or `V`: `61`, `254 mV`, `1,2 kohm`, `open`. None where it is no reading in that."""
    words = text.strip()
    if unit == "ohm" and words.lower() in _OPEN:
        return math.inf
    match = _NUMBER.fullmatch(words)
    if match is None:
        return None
    suffix = match[2].replace("Ω", "ohm").removesuffix("s")
    if suffix.lower() == unit.lower():
        suffix = ""
    elif suffix.lower().endswith(unit.lower()):
        suffix = suffix[: -len(unit)]
    elif suffix not in _FACTORS:
        return None
    factor = _FACTORS.get(suffix)
    return None if factor is None else float(match[1].replace(",", ".")) * factor


def supply_band(fed: Fed, celsius: float) -> Band | Unknown:
    """Voltage at a consumer's terminals: from the worst load to none at all."""
    consumer = fed.consumer
    least, most = consumer.least_volts, consumer.most_volts
    if fed.volts is None or fed.head_volts is None:
        why = "; ".join(fed.unknown[:3]) or f"what feeds {fed.id} is not known"
        return Unknown(why + ("" if least is None else f"; it needs {least:g} V at the least"))
    low = max(fed.volts * (1 - METER), least or 0.0)
    high = fed.head_volts * (1 + SUPPLY)
    works = "" if least is None or low > least else "; or what it works at"
    basis = [
        f"low: largest currents, lowest supply, cables at {celsius:g} °C{works}",
        f"high: nothing drawn, supply +{SUPPLY:.0%} (common practice)",
    ]
    if most is not None and most < high:
        high = most
        basis[1] = "high: what it stands"
    if low > high:
        return Unknown(f"{fed.id} would get {fed.volts:.3g} V at the worst load, which is not enough: see site check")
    return Band(low, high, "V", tuple(basis))


def output_band(supply: Supply) -> Band | Unknown:
    """Voltage at a supply's terminals."""
    if supply.volts is None:
        return Unknown(f"the voltage of {supply.id} is not noted")
    lowest = supply.volts * (1 - SUPPLY) if supply.lowest_volts is None else min(supply.lowest_volts, supply.volts)
    basis = (
        f"output ±{SUPPLY:.0%} (common practice)"
        if supply.lowest_volts is None
        else f"lowest output noted, +{SUPPLY:.0%}"
    )
    return Band(lowest, supply.volts * (1 + SUPPLY), "V", (basis,))
