"""What a multimeter reads on a worked line, through the direct-current network, with a meter's own errors.

What no scenario holds is drawn as it is met (judgements, common practice): 12 V devices and some of 24 V, droop under
load where a device resets, dead supplies that are nearly a short or nearly open, inputs that still load a dead bus, and
commons that the bias is not joined to.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.readings import MOST_OHM
from benchtool.simulate.build import build_pair
from benchtool.simulate.scenario import TAP
from benchtool.simulate.specs import DeviceSpec, Scenario
from benchtool.train.lines import Generator, log_uniform
from benchtool.train.scope import scope_readings
from benchtool.wire.pair import Pair

_SAME_COMMON = 0.75
"""Share of buses whose bias, inputs and supplies are joined to the common that the meter's lead is held to."""
_LOW_SUPPLY, _OPEN_SUPPLY = 0.4, 0.3
"""Shares of dead supplies that leave little, or nothing, between their rails; the rest lie between."""
_DEAD_INPUTS, _LESS_INPUTS = 0.25, 0.35
"""Shares of buses whose inputs load it when off as they do when on, or less; those of the rest do not: off,
inputs usually read far above their load (sheet 1.8)."""
_LEAST_DEAD = 0.02
"""What is left of an input's load where it loads less when off, at least."""
_HIGH_SUPPLY = 0.15
"""Share of buses with 24 V devices."""


def readings(
    line: Scenario, causes: Sequence[Cause], address: int | None, rng: Generator, *, scope: bool = True
) -> dict[str, float]:
    """All readings that could be taken, by kind; `@other` is left out where there is no other device."""
    pair = build_pair(line)
    idle = pair.levels({})
    at: dict[int, DeviceSpec] = {}
    for device in line.devices:
        at.setdefault(device.address, device)
    that = address if address is not None else int(rng.choice(list(at)))
    others = [one for one in at if one != that]
    found = _dead(pair, line, rng)
    tap = idle[TAP]
    volts = {
        "ab-idle": tap.difference_v,
        "a-idle": tap.common_v + tap.difference_v / 2,
        "b-idle": tap.common_v - tap.difference_v / 2,
    }
    supply_v = 24.0 if rng.random() < _HIGH_SUPPLY else 12.0
    for place, one in (("that", that), ("other", int(rng.choice(others)) if others else None)):
        if one is not None:
            volts[f"ab-idle@{place}"] = idle[at[one].name].difference_v
            volts[f"ground-volts@{place}"] = at[one].ground_v + float(rng.normal(0, 0.2 if rng.random() < 0.7 else 1.0))
            volts[f"supply@{place}"] = supply_v * _supply(causes, place == "that", rng)
    for name, value in volts.items():
        found[name] = value * (1 + float(rng.normal(0, 0.01))) + float(rng.normal(0, 0.005))
    if scope:
        found |= scope_readings(pair, line, causes, address, rng)
    return found


def _dead(pair: Pair, line: Scenario, rng: Generator) -> dict[str, float]:
    """Ohms with the power off."""
    share = rng.random()
    supply = math.inf
    if share < _LOW_SUPPLY:
        supply = log_uniform(rng, 1, 300)
    elif share < 1 - _OPEN_SUPPLY:
        supply = log_uniform(rng, 300, 30_000)
    share = rng.random()
    inputs = bool(share < _DEAD_INPUTS + _LESS_INPUTS)
    if inputs and share >= _DEAD_INPUTS:
        pair = _loading_less(pair, log_uniform(rng.spawn(1)[0], _LEAST_DEAD, 1))
    # What leaks to ground leaks to shield and earth as well: it is read whatever common the bias is joined to.
    grounded = pair if rng.random() < _SAME_COMMON else replace(pair, biases=())
    joined = grounded is pair
    wires = ("b", "a") if line.tap.reversed_pair else ("a", "b")
    found = {
        name: pair.resistance_ohm(position, inputs=inputs, dead_supply_ohm=supply)
        for name, position in (("ab-ohms", 0.0), ("ab-ohms-far", line.line.length_m))
    } | {
        f"{lead}-ground-ohms": grounded.ground_ohm(0.0, wire, inputs=inputs and joined, dead_supply_ohm=supply)
        for lead, wire in zip("ab", wires, strict=True)
    }
    return {
        name: min(MOST_OHM, value * (1 + float(rng.normal(0, 0.01))) + abs(float(rng.normal(0, 0.2))))
        for name, value in found.items()
    }


def _loading_less(pair: Pair, part: float) -> Pair:
    """The pair with every input's load taken times `part`."""
    nodes = tuple(
        replace(node, receiver=replace(node.receiver, unit_loads=part * node.receiver.unit_loads))
        for node in pair.nodes
    )
    return replace(pair, nodes=nodes)


def _supply(causes: Sequence[Cause], that: bool, rng: Generator) -> float:
    """Voltage at a device's terminals under load, as a share of what it should be."""
    if that and Cause.DEVICE_RESETTING in causes:
        return float(rng.uniform(0.37, 0.86))
    if that and Cause.DEVICE_SILENT in causes and rng.random() < 0.5:
        return float(rng.choice([0.0, rng.uniform(0.08, 0.75)]))
    return float(rng.uniform(0.93, 1.15))
