"""What a meter or a scope shows at a simulated reader's lines, from the same circuit that carries its pulses."""

from __future__ import annotations

import math
import random
from dataclasses import replace

from benchtool.simulate.card_reader import Output
from benchtool.simulate.card_setup import CardSetup
from benchtool.wire.card_line import Low

OPEN_OHM = 1e6
"""A meter shows more than this as open."""
_LOAD_OHM = 10_000.0
_READER_OFF_OHM = (20e3, 1e6)
"""What a reader without power leaves between a data line and its 0 V (judgement)."""
_CABLE_JOINT_OHM = 200.0
"""More than this in series is a bad joint in the cable; less is the reader's own protective resistor."""


def card_meter(setup: CardSetup, draw: random.Random) -> dict[str, float]:
    """True readings by the names of `--meter`: volts and ohms, `OPEN_OHM` for open; without the meter's own error."""
    found: dict[str, float] = {}
    rests_low = setup.output is Output.INVERTED and setup.powered
    ground_ohm = min(OPEN_OHM, setup.ground_ohm)
    for number, name in ((0, "d0"), (1, "d1")):
        line = replace(setup.lines[number], ground_v=setup.ground_v)
        found[f"{name}-idle"] = line.steady_v(pulled=rests_low)
        found[f"{name}-loaded"] = line.steady_v(pulled=rests_low, load_ohm=_LOAD_OHM)
        found[f"{name}-traffic"] = found[f"{name}-idle"]
        silent = not setup.powered or (setup.output is Output.SERIAL and not setup.serial_pair and number == 1)
        if not silent and not rests_low:
            [lowest] = line.volts([Low(0.0, setup.timing.width_s)], [setup.timing.width_s])
            found[f"{name}-traffic"] = lowest
        if setup.disturbed.hum:
            found[f"{name}-traffic"] = draw.uniform(-0.3, 2.0)
        off_ohm = math.exp(draw.uniform(*map(math.log, _READER_OFF_OHM)))
        reached_ohm = line.series_ohm + off_ohm + ground_ohm
        found[f"{name}-ground-ohms"] = _together(line.leak_ohm, reached_ohm)
        joint_ohm = line.joint_ohm if line.joint_ohm > _CABLE_JOINT_OHM else 0.0
        loop_ohm = line.length_m * line.ohm_per_m + joint_ohm + ground_ohm
        found[f"{name}-loop-ohms"] = _together(line.leak_ohm, loop_ohm)
    found["ground-shift"] = setup.ground_v
    found["supply"] = max(0.0, setup.supply_v - (setup.ground_v if math.isfinite(setup.ground_ohm) else 0.0))
    return found


def _together(one_ohm: float, other_ohm: float) -> float:
    return 1 / (1 / max(0.05, one_ohm) + 1 / max(0.05, other_ohm) + 1 / OPEN_OHM)
