"""Figures of a waveform beside the limits they must keep: TIA-485 as in sheet section 1.1, and rules named as such."""

from __future__ import annotations

from enum import Enum
from typing import NamedTuple

RECEIVER_V = 0.2
"""Beyond it either way a receiver must know its state (sheet 1.1)."""
DRIVEN_V = (1.5, 5.0)
"""Magnitude of a driver's differential voltage on a loaded pair (sheet 1.1: into 54 ohm)."""
EDGE_SHARE = 0.3
"""10 to 90 % of an edge, as a share of the bit (sheet 1.1)."""
DRIVER_COMMON_V = (-1.0, 3.0)
"""What a driver gives by itself (sheet 1.1)."""
BAUD_SHARE = 0.02
"""A receiver must accept this much (sheet 3.1, Modbus guide; recommended for UART receivers too, sheet 2)."""


class Verdict(Enum):
    """Whether a figure keeps its limit."""

    PASS = "pass"
    FAIL = "fail"
    UNKNOWN = "unknown"


class Check(NamedTuple):
    """A figure beside its limit."""

    name: str
    """What it is, in words."""
    value: float | None
    unit: str
    limit: str
    """In words; empty where there is none."""
    verdict: Verdict
    source: str = ""

    def text(self) -> str:
        """For people: one line."""
        shown = "not seen" if self.value is None else quantity(self.value, self.unit)
        return f"{self.name}: {shown}" + (f" (limit {self.limit}: {self.verdict.value})" if self.limit else "")


_PREFIXES = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "u"), (1e-9, "n"))


_LEAST_V = 0.5e-3
"""Less is below every oscilloscope and every probe: rounding of a simulator."""
_LEAST_S = 0.5e-12
_LEAST_SHARE = 0.5e-4


def quantity(value: float, unit: str) -> str:
    """A number with its unit, three digits: 12.3 us, -340 mV, 31 %; what nobody can measure is 0."""
    if unit == "%":
        return f"{value * 100:.3g} %" if abs(value) >= _LEAST_SHARE else "0 %"
    if unit == "bit/s":
        return f"{value:.0f} bit/s"
    if unit == "m":
        return f"{value:.4g} m" if abs(value) >= 1e-3 else "0 m"
    if unit in ("", "bits"):
        rounded = float(f"{value:.3g}") if abs(value) >= 1e-3 else 0.0
        return f"{rounded:.0f} {unit}".rstrip() if abs(rounded) >= 1000 else f"{rounded:g} {unit}".rstrip()
    size = abs(value)
    if size < {"V": _LEAST_V, "s": _LEAST_S}.get(unit, 0.0):
        return f"0 {unit}"
    factor, prefix = next(
        ((f, p) for f, p in _PREFIXES if size >= f * 0.9995), (1.0, "") if size == 0 else _PREFIXES[-1]
    )
    return f"{value / factor:.3g} {prefix}{unit}"


def verdict(value: float | None, low: float | None, high: float | None) -> Verdict:
    """Inside `low` … `high` (None: no bound) or not; unknown where there is no value."""
    if value is None:
        return Verdict.UNKNOWN
    return Verdict.PASS if (low is None or value >= low) and (high is None or value <= high) else Verdict.FAIL
