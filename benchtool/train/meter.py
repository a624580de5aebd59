"""What a multimeter reads on a worked line, through the direct-current network, with a meter's own errors.

Supply voltages are no part of the line model: they are drawn as they are met (common practice: 12 V devices, droop
under load where a device resets).
"""

from __future__ import annotations

from collections.abc import Sequence

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.readings import MOST_OHM
from benchtool.simulate.build import build_pair
from benchtool.simulate.scenario import TAP
from benchtool.simulate.specs import Scenario
from benchtool.train.lines import Generator
from benchtool.train.scope import scope_readings


def readings(
    line: Scenario, causes: Sequence[Cause], address: int | None, rng: Generator, *, scope: bool = True
) -> dict[str, float]:
    """All readings that could be taken, by kind."""
    pair = build_pair(line)
    idle = pair.levels({})
    at = {device.address: device.name for device in line.devices}
    others = [one for one in at if one != address]
    that = address if address is not None else int(rng.choice(list(at)))
    other = int(rng.choice(others)) if others else that
    tap = idle[TAP]
    found = {
        "ab-ohms": _ohms(pair.resistance_ohm(0.0), rng),
        "a-ground-ohms": _ohms(pair.ground_ohm(0.0, "a"), rng),
        "b-ground-ohms": _ohms(pair.ground_ohm(0.0, "b"), rng),
        "ab-idle": tap.difference_v,
        "a-idle": tap.common_v + tap.difference_v / 2,
        "b-idle": tap.common_v - tap.difference_v / 2,
    }
    for place, one in (("that", that), ("other", other)):
        found[f"ab-idle@{place}"] = idle[at[one]].difference_v
        device = next(device for device in line.devices if device.address == one)
        found[f"ground-volts@{place}"] = device.ground_v + float(rng.normal(0, 0.15))
        found[f"supply@{place}"] = _supply(causes, place == "that", rng)
    for name, value in found.items():
        if not name.endswith("ohms"):
            found[name] = value * (1 + float(rng.normal(0, 0.01))) + float(rng.normal(0, 0.005))
    if scope:
        found |= scope_readings(pair, line, rng)
    return found


def _ohms(value: float, rng: Generator) -> float:
    return min(MOST_OHM, value * (1 + float(rng.normal(0, 0.01))) + abs(float(rng.normal(0, 0.2))))


def _supply(causes: Sequence[Cause], that: bool, rng: Generator) -> float:
    """Volts at a device's terminals under load."""
    if that and Cause.DEVICE_RESETTING in causes:
        return float(rng.uniform(4.5, 10.3))
    if that and Cause.DEVICE_SILENT in causes and rng.random() < 0.5:
        return float(rng.choice([0.0, rng.uniform(1, 9)]))
    return float(rng.uniform(11.2, 13.8))
