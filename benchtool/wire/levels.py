"""Steady voltages of both wires against ground, whoever drives: contention, broken and grounded wires, ground offset.

Two conductors, each with half the loop resistance. A driver is two sources of opposite sign behind half its output
resistance each. An input joins each wire to its own ground with 12 kilohm a unit load (sheet section 1.2), and the
wires to each other with 24: together 12 between the wires.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from benchtool.wire.cable import Cable
from benchtool.wire.dc import Circuit
from benchtool.wire.layout import Layout
from benchtool.wire.parts import Bias, Leak, Node, Short, Terminator


class Level(NamedTuple):
    """What a node's leads show: their difference, and their middle against the node's own 0 V. Volts."""

    difference_v: float
    common_v: float


class Fitted(NamedTuple):
    """All that conducts, beside the drivers."""

    cable: Cable
    layout: Layout
    nodes: tuple[Node, ...]
    terminators: tuple[Terminator, ...]
    biases: tuple[Bias, ...]
    shorts: tuple[Short, ...]
    leaks: tuple[Leak, ...]

    def circuit(self, *, inputs: bool = True, powered: bool = True, dead_supply_ohm: float = math.inf) -> Circuit:
        """Terminal `2 * joint` is wire a, the next wire b.

        Unpowered, a bias has its pull-down; its pull-up goes to ground through `dead_supply_ohm`.
        """
        layout = self.layout
        circuit = Circuit(2 * layout.joints)
        for run in layout.runs:
            for wire in (0, 1):
                circuit.join(2 * run.start + wire, 2 * run.end + wire, run.length_m * self.cable.loop_ohm_per_m / 2)
        for cut in layout.cuts:
            for wire, is_open in enumerate((cut.a_open, cut.b_open)):
                if not is_open:
                    circuit.join(2 * cut.near + wire, 2 * cut.far + wire, 0.0)
        across: Iterable[Terminator | Short] = (*self.terminators, *self.shorts)
        for part in across:
            at = 2 * layout.trunk[part.position_m]
            circuit.join(at, at + 1, part.ohm)
        for bias in self.biases:
            at = 2 * layout.trunk[bias.position_m]
            circuit.source(at + 1, 0.0, bias.pull_ohm)
            if powered:
                circuit.source(at, bias.supply_v, bias.pull_ohm)
            elif math.isfinite(dead_supply_ohm):
                circuit.source(at, 0.0, bias.pull_ohm + dead_supply_ohm)
        for leak in self.leaks:
            circuit.source(2 * layout.trunk[leak.position_m] + (leak.wire == "b"), leak.ground_v, leak.ohm)
        for node in self.nodes if inputs else ():
            if node.connected:
                at = 2 * layout.nodes[node.name]
                each = node.receiver.input_ohm
                circuit.source(at, node.ground_v, each)
                circuit.source(at + 1, node.ground_v, each)
                circuit.join(at, at + 1, 2 * each)
        return circuit

    def levels(self, driving: Mapping[str, bool]) -> dict[str, Level]:
        """The level at every node while some drive: True is mark. A node that is not connected shows 0."""
        circuit = self.circuit()
        for node in self.nodes:
            if node.connected and node.name in driving:
                at = 2 * self.layout.nodes[node.name]
                driver = node.driver
                half = driver.open_volts / 2 if driving[node.name] != node.reversed_pair else -driver.open_volts / 2
                middle = node.ground_v + driver.common_v
                circuit.source(at, middle + half, driver.output_ohm / 2)
                circuit.source(at + 1, middle - half, driver.output_ohm / 2)
        volts = circuit.volts()
        result: dict[str, Level] = {}
        for node in self.nodes:
            if not node.connected:
                result[node.name] = Level(0.0, 0.0)
                continue
            at = 2 * self.layout.nodes[node.name]
            difference = volts[at] - volts[at + 1]
            result[node.name] = Level(
                -difference if node.reversed_pair else difference, (volts[at] + volts[at + 1]) / 2 - node.ground_v
            )
        return result
