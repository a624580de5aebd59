"""The rules of an RS-485 pair as calculations: bias, termination reading, unit loads, length against rate, stubs.

Sheet sections 1.1 to 1.8; the source of each rule stands with it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchtool.install.worked import Figure, Worked
from benchtool.wire.cable import LIGHT_M_PER_S
from benchtool.wire.pair import Cable, Pair
from benchtool.wire.parts import Terminator

UNIT_LOAD_OHM = 12_000.0
MOST_UNIT_LOADS = 32.0
IDLE_V = 0.2
LONGEST_M = 1200.0
_NO_CABLE = "The cable's resistance is left out: on a long pair the far end gets less (--metres with --awg or --mm2)."


def parallel(*ohms: float) -> float:
    """Resistances side by side; infinite ones count for nothing."""
    siemens = sum(1 / ohm for ohm in ohms)
    return 1 / siemens if siemens else math.inf


def idle_bias(volts: float, pull_ohm: float, terminators_ohm: Sequence[float], unit_loads: float) -> Worked:
    """Idle voltage of a pair with a pull-up and a pull-down of `pull_ohm` each at one place."""
    load = parallel(*terminators_ohm, UNIT_LOAD_OHM / unit_loads if unit_loads else math.inf)
    idle = volts if math.isinf(load) else volts * load / (2 * pull_ohm + load)
    inputs = (
        Figure("V", volts, "V"),
        Figure("R_bias", pull_ohm, "ohm each"),
        Figure("R_load", load, "ohm, terminators and receivers side by side"),
    )
    return Worked(
        Figure("idle", idle, "V"),
        "idle = V · R_load / (2 · R_bias + R_load)",
        inputs,
        "series circuit; receivers of 12 kohm a unit load and ±200 mV thresholds by TIA-485",
        Figure("least", IDLE_V, "V"),
        idle >= IDLE_V,
        ("Receivers with a built-in offset read an idle pair rightly without bias.", _NO_CABLE),
    )


def idle_bias_along(
    volts: float, pull_ohm: float, terminators_ohm: Sequence[float], unit_loads: float, loop_ohm: float
) -> Worked:
    """Idle voltage at the far end of a pair that is biased at its near one.

    `terminators_ohm`: near, far; all unit loads are taken for the far end's. `loop_ohm`: both conductors. ValueError
    for more than two terminators.
    """
    beside, load, share = _along(terminators_ohm, unit_loads, loop_ohm)
    near = volts if math.isinf(load) else volts * load / (2 * pull_ohm + load)
    inputs = (
        Figure("V", volts, "V"),
        Figure("R_bias", pull_ohm, "ohm each"),
        Figure("near", near, "V, where the bias is"),
        Figure("R_loop", loop_ohm, "ohm, both conductors of the cable"),
        Figure("R_far", beside, "ohm, far terminator and receivers side by side"),
    )
    return Worked(
        Figure("idle", near * share, "V, at the far end"),
        "near = V · R_load / (2 · R_bias + R_load), with R_load = R_near beside (R_loop + R_far);"
        " idle = near · R_far / (R_loop + R_far)",
        inputs,
        "series circuit; receivers of 12 kohm a unit load and ±200 mV thresholds by TIA-485",
        Figure("least", IDLE_V, "V"),
        near * share >= IDLE_V,
        ("All receivers are taken for the far end's. With a built-in offset they need no bias.",),
    )


def greatest_bias_along(
    volts: float, terminators_ohm: Sequence[float], unit_loads: float, loop_ohm: float, idle_v: float = IDLE_V
) -> Worked:
    """The largest bias resistors, each, at the near end that still give `idle_v` at the far one.

    As `idle_bias_along`; ValueError where no resistor does.
    """
    beside, load, share = _along(terminators_ohm, unit_loads, loop_ohm)
    if math.isinf(load):
        raise ValueError("without any load, every bias gives the full voltage")
    near = idle_v / share
    if not 0 < near < volts:
        raise ValueError(f"no bias of {volts:g} V at one end gives {1000 * idle_v:g} mV at the other")
    inputs = (
        Figure("V", volts, "V"),
        Figure("idle", idle_v, "V, at the far end"),
        Figure("near", near, "V, where the bias is"),
        Figure("R_loop", loop_ohm, "ohm, both conductors of the cable"),
        Figure("R_far", beside, "ohm, far terminator and receivers side by side"),
    )
    return Worked(
        Figure("R_bias", (volts / near * load - load) / 2, "ohm each, at the most"),
        "R_bias = (V / near · R_load − R_load) / 2, with near = idle · (R_loop + R_far) / R_far"
        " and R_load = R_near beside (R_loop + R_far)",
        inputs,
        "series circuit; ±200 mV thresholds by TIA-485",
    )


def _along(terminators_ohm: Sequence[float], unit_loads: float, loop_ohm: float) -> tuple[float, float, float]:
    """What lies across the far end, what loads the bias in all, and the share of its voltage that gets to the end."""
    if len(terminators_ohm) > 2:
        raise ValueError("a pair has two ends: at most two terminators, the one at the bias first")
    near, far = terminators_ohm[:1], terminators_ohm[1:]
    beside = parallel(*far, UNIT_LOAD_OHM / unit_loads if unit_loads else math.inf)
    load = parallel(*near, loop_ohm + beside)
    return beside, load, 1.0 if math.isinf(beside) else beside / (loop_ohm + beside)


def greatest_bias(volts: float, terminators_ohm: Sequence[float], unit_loads: float, idle_v: float = IDLE_V) -> Worked:
    """The largest bias resistors, each, that still give `idle_v`. ValueError where no resistor does."""
    load = parallel(*terminators_ohm, UNIT_LOAD_OHM / unit_loads if unit_loads else math.inf)
    if math.isinf(load):
        raise ValueError("without any load, every bias gives the full voltage")
    if not 0 < idle_v < volts:
        raise ValueError("the idle voltage wanted lies between 0 and the bias supply's")
    each = (volts / idle_v * load - load) / 2
    inputs = (Figure("V", volts, "V"), Figure("idle", idle_v, "V"), Figure("R_load", load, "ohm"))
    return Worked(
        Figure("R_bias", each, "ohm each, at the most"),
        "R_bias = (V / idle · R_load − R_load) / 2",
        inputs,
        "series circuit; ±200 mV thresholds by TIA-485",
        notes=(_NO_CABLE,),
    )


def reading(length_m: float, loop_ohm_per_m: float, terminators: Sequence[tuple[float, float]], at_m: float) -> Worked:
    """What a meter reads between the wires at `at_m`, unpowered. Terminators are (place in metres, ohm).

    ValueError for a place that is not on the pair.
    """
    cable = Cable(loop_ohm_per_m=loop_ohm_per_m)
    pair = Pair(cable, length_m, (), tuple(Terminator(place, ohm) for place, ohm in terminators))
    if not 0 <= at_m <= length_m:
        raise ValueError(f"{at_m:g} m is not on a pair of {length_m:g} m")
    ohms = pair.resistance_ohm(at_m)
    inputs = (
        Figure("length", length_m, "m"),
        Figure("loop", loop_ohm_per_m * 1000, "ohm/km, both conductors"),
        *(Figure(f"terminator at {place:g} m", ohm, "ohm") for place, ohm in terminators),
    )
    return Worked(
        Figure("reading", ohms, "ohm"),
        "each terminator in series with the loop resistance to it, all side by side",
        inputs,
        "direct-current network",
        notes=("The bus must be without power. Inputs and biases that are joined through a dead supply lower it.",),
    )


def unit_loads(loads: Sequence[float], bias_pairs_ohm: Sequence[float] = ()) -> Worked:
    """Unit loads on a pair; a bias of `R` each loads it as its two resistors in series do."""
    receivers = sum(loads)
    biases = sum(UNIT_LOAD_OHM / (2 * ohm) for ohm in bias_pairs_ohm)
    total = receivers + biases
    return Worked(
        Figure("sum", total, "unit loads"),
        "sum = receivers + 12 kohm / (2 · R_bias) for each bias",
        (Figure("receivers", receivers, "unit loads"), Figure("bias", biases, "unit loads")),
        "32 unit loads of 12 kohm by TIA-485; bias counted as a load by the Modbus serial line guide",
        Figure("most", MOST_UNIT_LOADS, "unit loads"),
        total <= MOST_UNIT_LOADS,
    )


def longest_at(baud: int) -> Worked:
    """How long a pair may be at a rate: 10⁸ over the rate, at most 1200 m. A rule of thumb, on the careful side."""
    metres = min(LONGEST_M, 1e8 / baud)
    return Worked(
        Figure("length", metres, "m"),
        "length = 100 000 000 / rate, at most 1200 m",
        (Figure("rate", float(baud), "bit/s"),),
        "product rule of equipment manuals; 1200 m by TIA-422-B's guide curve",
    )


def longest_stub(rise_ns: float, velocity: float = 0.66) -> Worked:
    """How long a stub may be: a tenth of the edge's way in its rise time."""
    metres = 0.1 * rise_ns * 1e-9 * velocity * LIGHT_M_PER_S
    return Worked(
        Figure("stub", metres, "m"),
        "stub = 0.1 · t_rise · v · c",
        (Figure("t_rise", rise_ns, "ns, 10 to 90 %"), Figure("v", velocity, "of the speed of light")),
        "stub rule of transceiver data sheets",
    )
