"""A bias that is enough where it is fitted may be too little behind the cable: against the circuit worked by hand."""

from __future__ import annotations

import pytest

from benchtool.install.checks import check
from benchtool.install.load import load
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
