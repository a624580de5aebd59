"""What a meter reads on a pair if all is as recorded: resistance without power, voltage at rest, at every device.

The pair is a network of cable, end-of-line resistors, receivers and biases, solved at its extremes (nodal analysis).
Tolerances where the record says nothing are common practice and told with each band.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchtool.install.closing_bands import METER, SUPPLY, Band, Unknown
from benchtool.install.pair_rules import IDLE_V, UNIT_LOAD_OHM
from benchtool.install.record import Device
from benchtool.install.rule import some
from benchtool.install.rules_pair import terminator_ohm
from benchtool.install.view import Trunk, View, loop_ohm_per_m

RESISTOR = 0.05
"""Tolerance of end-of-line and bias resistors (common practice)."""
COPPER = 0.03
"""By which cables differ from the solid conductor of their gauge: strands (wire tables differ by as much)."""
METER_OHM, METER_V = 0.5, 0.005
"""A meter's leads, and its last digits (common practice)."""
COLDEST_C, WARMEST_C = 0.0, 40.0
"""Where the record does not say."""
BIAS_VOLTS = (3.3, 5.0)
"""What feeds a bias where the record does not say: one of these (common practice)."""
_LEAST_OHM = 1e-4


@dataclass(frozen=True, slots=True)
class PairBands:
    """The bands of one pair, by device."""

    ohms: dict[str, Band] | Unknown
    idle: dict[str, Band] | Unknown


def pair_bands(view: View, trunk: Trunk) -> PairBands:
    """Resistance between the wires, without power, and voltage at rest, at every device of a pair."""
    why = _why_not(trunk)
    if why:
        return PairBands(Unknown(why), Unknown(why))
    site = view.record.site
    cold = COLDEST_C if site.coldest_c is None else site.coldest_c
    warm = WARMEST_C if site.warmest_c is None else site.warmest_c
    basis = [
        f"end-of-line resistors ±{RESISTOR:.0%} (common practice)",
        f"cables at {cold:g} to {warm:g} °C ±{COPPER:.0%}",
    ]
    if site.coldest_c is None or site.warmest_c is None:
        basis[-1] += ", where the record says nothing of temperatures"
    unsaid = [device.id for _, device in trunk.talkers if device.unit_load is None]
    basis.append("receivers between nothing and their unit loads" + (f"; 1 each at {some(unsaid)}" if unsaid else ""))
    low = _Pair(trunk, cold, 1 - COPPER, 1 - RESISTOR, loaded=True)
    high = _Pair(trunk, warm, 1 + COPPER, 1 + RESISTOR, loaded=False)
    below, above = low.ohms(biases=True), high.ohms(biases=False)
    meter = f"meter ±({METER:.0%} + {METER_OHM:g} ohm)"
    ohms = {}
    for name, least in below.items():
        lowest, highest = least * (1 - METER) - METER_OHM, above[name] * (1 + METER) + METER_OHM
        ohms[name] = Band(max(0.0, lowest), highest, "ohm", (*basis, meter))
    return PairBands(ohms, _idle(trunk, low, high, cold, warm, basis))


def weakest_at_rest(view: View, trunk: Trunk, names: Sequence[str], which: int) -> tuple[str, float] | Unknown:
    """Which of some devices sees the least voltage at rest, and that voltage: all as rated, cables at their warmest.

    `which`: the lower (0) or the higher (1) of what may feed a bias whose voltage is not noted.
    """
    why = _why_not(trunk)
    if why:
        return Unknown(why)
    warm = WARMEST_C if view.record.site.warmest_c is None else view.record.site.warmest_c
    volts = _Pair(trunk, warm, 1.0, 1.0, loaded=True).idle(1.0, 1.0, which)
    name = min(names, key=lambda one: volts[one])
    return name, volts[name]


def _why_not(trunk: Trunk) -> str:
    bus = trunk.bus.id
    if trunk.unclear:
        return trunk.unclear
    if trunk.bus.loop:
        return f"{bus} is closed to a ring"
    if not trunk.controller_placed:
        return f"where the controller lies on {bus}, and with which resistors, is not noted"
    unsaid = [device.id for _, device in trunk.placed if device.terminator is None and device.kind != "junction"]
    if unsaid:
        return f"whether the end-of-line resistor is on is not noted at {some(unsaid)}"
    for segment in trunk.segments:
        if segment.metres is None:
            return f"the length of the cable to {segment.device.id} is not noted"
        if segment.metres and loop_ohm_per_m(segment.cable) is None:
            return f"the cable to {segment.device.id}, or its gauge, is not noted"
    return ""


def _idle(
    trunk: Trunk, low: _Pair, high: _Pair, cold: float, warm: float, basis: Sequence[str]
) -> dict[str, Band] | Unknown:
    unsaid = [device.id for _, device in trunk.talkers if device.bias_ohm is None]
    if unsaid:
        return Unknown(f"whether there is a bias is not noted at {some(unsaid)}")
    fitted = [device for _, device in trunk.placed if device.bias_ohm]
    if not fitted:
        return Unknown(f"{trunk.bus.id} has no bias: what it reads at rest is left to its receivers")
    # How the cable's resistance moves the voltage depends on the place, so both of its extremes count.
    crossed_low = _Pair(trunk, warm, 1 + COPPER, 1 - RESISTOR, loaded=True)
    crossed_high = _Pair(trunk, cold, 1 - COPPER, 1 + RESISTOR, loaded=False)
    below = [pair.idle(1 + RESISTOR, 1 - SUPPLY, 0) for pair in (low, crossed_low)]
    above = [pair.idle(1 - RESISTOR, 1 + SUPPLY, 1) for pair in (high, crossed_high)]
    fed = [device.id for device in fitted if device.bias_volts is None]
    volts = f"the bias's supply ±{SUPPLY:.0%}"
    volts += f", {BIAS_VOLTS[0]:g} to {BIAS_VOLTS[1]:g} V at {some(fed)}, where it is not noted" if fed else ""
    told = (*basis, f"bias resistors ±{RESISTOR:.0%}; {volts} (common practice)", f"meter ±({METER:.0%} + 5 mV)")
    found = {}
    for name in below[0]:
        lowest = min(volts[name] for volts in below) * (1 - METER) - METER_V
        highest = max(volts[name] for volts in above) * (1 + METER) + METER_V
        found[name] = Band(max(0.0, lowest), highest, "V", told)
    return found


class _Pair:
    """A pair at one of its extremes."""

    def __init__(self, trunk: Trunk, celsius: float, copper: float, resistor: float, *, loaded: bool) -> None:
        self.trunk = trunk
        self.nodes: dict[str, int] = {device.id: place for place, (_, device) in enumerate(trunk.placed)}
        count = len(trunk.placed)
        self.joins: list[tuple[int, int, float]] = []
        for segment in trunk.segments:
            loop = (loop_ohm_per_m(segment.cable, celsius) or 0.0) * copper
            self.joins.append(
                (self.nodes[segment.start], self.nodes[segment.device.id], loop * (segment.metres or 0.0))
            )
        ways = {segment.device.id: segment.cable for segment in trunk.segments}
        self.terminals = dict(self.nodes)
        for _, device in trunk.placed:
            if device.stub_m:
                # A stub's end is a place of its own; its cable is taken for that of the pair there.
                cable = ways.get(device.id) or next(iter(ways.values()))
                loop = (loop_ohm_per_m(cable, celsius) or 0.0) * copper
                self.joins.append((self.nodes[device.id], count, loop * device.stub_m))
                self.terminals[device.id] = count
                count += 1
        self.count = count
        self.across = np.zeros(count)
        for _, device in trunk.placed:
            self.across[self.terminals[device.id]] += self._siemens(device, resistor, loaded)

    def _siemens(self, device: Device, resistor: float, loaded: bool) -> float:
        found = 1 / (terminator_ohm(device) * resistor) if device.terminator else 0.0
        if loaded and device.kind != "junction":
            found += (1.0 if device.unit_load is None else device.unit_load) / UNIT_LOAD_OHM
        return found

    def _matrix(self, across: NDArray[np.float64]) -> NDArray[np.float64]:
        matrix = np.diag(across)
        for one, other, ohm in self.joins:
            siemens = 1 / max(ohm, _LEAST_OHM)
            matrix[one, one] += siemens
            matrix[other, other] += siemens
            matrix[one, other] -= siemens
            matrix[other, one] -= siemens
        return matrix

    def ohms(self, *, biases: bool) -> dict[str, float]:
        """Between the wires at each device. A bias whose supply is dead joins them through both resistors."""
        across = self.across.copy()
        for _, device in self.trunk.placed:
            if biases and device.bias_ohm:
                across[self.terminals[device.id]] += 1 / (2 * device.bias_ohm * (1 - RESISTOR))
        if not across.any():
            return dict.fromkeys(self.terminals, math.inf)
        inverse = np.linalg.inv(self._matrix(across))
        return {name: float(inverse[place, place]) for name, place in self.terminals.items()}

    def idle(self, resistor: float, supply: float, which: int) -> dict[str, float]:
        """Voltage at rest at each device. `which`: the lower or the higher of what may feed a bias."""
        across, current = self.across.copy(), np.zeros(self.count)
        for _, device in self.trunk.placed:
            if device.bias_ohm:
                ohm = 2 * device.bias_ohm * resistor
                volts = (BIAS_VOLTS[which] if device.bias_volts is None else device.bias_volts) * supply
                across[self.terminals[device.id]] += 1 / ohm
                current[self.terminals[device.id]] += volts / ohm
        found = np.linalg.solve(self._matrix(across), current)
        return {name: float(found[place]) for name, place in self.terminals.items()}


def too_low_at_rest(band: Band) -> bool:
    """Whether a pair may read less at rest than receivers need."""
    return band.low < IDLE_V
