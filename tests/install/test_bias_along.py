"""A bias that is enough where it is fitted may be too little behind the cable: against the circuit worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from benchtool.install.checks import check
from benchtool.install.load import load
from benchtool.install.pair_rules import greatest_bias_along, idle_bias_along
from benchtool.install.rules_levels import RULES

BIAS = [rule for rule in RULES if rule.id == "bias-enough"]


def site(metres: float, pull: float = 560, celsius: float = 20) -> str:
    """A pair of two devices, a bias and a resistor at the first, a resistor at the second; AWG24."""
    return f"""schema = 1
[site]
name = "Depot"
warmest_c = {celsius}
[[cable]]
id = "pair"
awg = 24
[[controller]]
id = "c"
[[bus]]
id = "b"
cable = "pair"
controller = "c"
[[bus.device]]
id = "head"
kind = "controller"
controller = "c"
terminator = true
unit_load = 0
bias_ohm = {pull}
bias_volts = 5
[[bus.device]]
id = "far"
kind = "interface"
metres = {metres}
terminator = true
unit_load = 0
bias_ohm = 0
"""


def test_the_far_end_gets_less_by_the_cables_resistance() -> None:
    """120 ohm beside (120 + loop) load the bias; the far end gets its share of that. AWG24: 84.2 ohm/km (sheet 1.6)."""
    loop = 2 * 84.21 * 0.84
    load_ohm = 120 * (120 + loop) / (240 + loop)
    near = 5 * load_ohm / (1120 + load_ohm)
    far = near * 120 / (120 + loop)
    assert near > 0.2 > far
    (finding,) = check(load(site(840)), BIAS).findings
    assert "at far" in finding.said.sentence
    assert finding.said.figure is not None
    assert finding.said.figure.value == pytest.approx(far, rel=1e-3)


def test_warm_cables_take_more() -> None:
    cold, warm = (check(load(site(840, celsius=celsius)), BIAS).findings[0].said.figure for celsius in (20, 60))
    assert cold is not None
    assert warm is not None
    assert warm.value < cold.value


def test_a_short_pair_keeps_the_rule_and_an_unknown_cable_is_told() -> None:
    """Sheet 1.7: 560 ohm, two 120 ohm, 5 V: 254 mV."""
    assert check(load(site(10)), BIAS).kept
    told = check(load(site(10).replace("awg = 24", "")), BIAS)
    assert not told.kept
    assert "gauge, is not noted" in told.unchecked[0].said.sentence


def test_a_bias_fed_from_nobody_knows_what_is_judged_at_both_voltages() -> None:
    """390 ohm, 840 m: far 226 mV from 5 V and 149 mV from 3.3 V; with 560 ohm neither is enough."""
    told = check(load(site(840, pull=390).replace("bias_volts = 5\n", "")), BIAS)
    assert not told.findings
    assert told.unchecked
    (finding,) = check(load(site(840).replace("bias_volts = 5\n", "")), BIAS).findings
    assert finding.said.figure is not None


def test_only_receivers_that_need_a_bias_count() -> None:
    assert check(load(site(840) + "receiver_offset = true\n"), BIAS).kept


def test_too_little_even_without_the_cable_is_found_whatever_its_length() -> None:
    assert check(load(site(840, pull=1000).replace("awg = 24", "")), BIAS).findings


@pytest.mark.parametrize(("near", "far", "loads"), [((120.0,), (120.0,), 0.0), ((120.0,), (100.0,), 8.0)])
def test_the_sum_agrees_with_the_circuit(near: tuple[float, ...], far: tuple[float, ...], loads: float) -> None:
    """Both nodes by conductances (Kirchhoff), solved as two equations."""
    loop, pull, volts = 150.0, 560.0, 5.0
    matrix = [
        [1 / (2 * pull) + 1 / near[0] + 1 / loop, -1 / loop],
        [-1 / loop, 1 / far[0] + loads / 12_000 + 1 / loop],
    ]
    at_far = float(np.linalg.solve(matrix, [volts / (2 * pull), 0.0])[1])
    worked = idle_bias_along(volts, pull, (*near, *far), loads, loop)
    assert worked.result.value == pytest.approx(at_far)
    each = greatest_bias_along(volts, (*near, *far), loads, loop).result.value
    assert idle_bias_along(volts, each, (*near, *far), loads, loop).result.value == pytest.approx(0.2)


def test_two_ends_at_the_most() -> None:
    with pytest.raises(ValueError, match="two ends"):
        idle_bias_along(5, 560, (120, 120, 120), 0, 1)
