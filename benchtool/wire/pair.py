"""An RS-485 pair: cable, nodes, terminators, bias; the voltage at any node at any instant.

Everything is linear while one driver is on, so a transmission is the sum of its edges' step responses on top of the
direct-current levels. Facts: sheet sections 1.1 to 1.8.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchtool.wire import dc
from benchtool.wire.cable import Cable
from benchtool.wire.layout import Layout, lay_out
from benchtool.wire.levels import Fitted, Level
from benchtool.wire.parts import FAILSAFE, WIRES, Bias, Break, Driver, Leak, Node, Noise, Receiver, Short, Terminator
from benchtool.wire.response import Floats, Network, StepResponse, plain_edge, step_responses
from benchtool.wire.signal import Signal

__all__ = [
    "FAILSAFE",
    "Bias",
    "Break",
    "Cable",
    "Driver",
    "Leak",
    "Level",
    "Node",
    "Noise",
    "Pair",
    "Receiver",
    "Short",
    "StepResponse",
    "Terminator",
    "Transfer",
]


_RELEASE_POINTS = 4096
_LEAST_SWING_V = 1e-6


class Transfer(NamedTuple):
    """How one driver is seen at one node, as that node's leads give it. Volts."""

    idle: float
    mark: float
    """Steady level while the driver drives mark."""
    shape: StepResponse
    """An edge of the driver that ends on 1 V."""
    edge: StepResponse
    """One step of the driver from space to mark."""
    release: StepResponse
    """The driver letting go of the pair while at mark."""
    drop: float
    """Steady voltage across the driver's own resistance at mark, signed as the listener's leads see it."""


@dataclass(frozen=True, slots=True)
class Pair:
    """A cable from 0 to `length_m` with what is joined to it. Node names are its keys: they must differ."""

    cable: Cable
    length_m: float
    nodes: tuple[Node, ...]
    terminators: tuple[Terminator, ...] = ()
    biases: tuple[Bias, ...] = ()
    noise: Noise = field(default_factory=Noise)
    breaks: tuple[Break, ...] = ()
    shorts: tuple[Short, ...] = ()
    leaks: tuple[Leak, ...] = ()
    _kept: dict[tuple[str, str], Transfer] = field(default_factory=dict, init=False, repr=False, compare=False)
    _steady: dict[frozenset[tuple[str, bool]], dict[str, Level]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )
    _laid: list[Layout] = field(default_factory=list, init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if self.length_m < 0:
            raise ValueError("a pair's length cannot be negative")
        names = [node.name for node in self.nodes]
        if len(set(names)) != len(names):
            raise ValueError("two nodes of a pair have the same name")
        ends = [node.position_m for node in self.nodes] + [one.position_m for one in self.breaks]
        for position_m in self._positions() + ends:
            if not 0 <= position_m <= self.length_m:
                raise ValueError(f"position {position_m:g} m is not on a pair of {self.length_m:g} m")

    def node(self, name: str) -> Node:
        """The node of that name; KeyError if there is none."""
        for node in self.nodes:
            if node.name == name:
                return node
        raise KeyError(f"no node '{name}' on this pair")

    def levels(self, driving: Mapping[str, bool]) -> dict[str, Level]:
        """Steady levels at every node, as its own leads see them, while some drive: True is mark; {} for idle.

        Any number may drive at once. KeyError for a name that is no node's. A node that is not connected shows 0 V
        and drives nothing.
        """
        for name in driving:
            self.node(name)
        key = frozenset(driving.items())
        known = self._steady.get(key)
        if known is None:
            known = self._steady[key] = self._fitted(self._layout()).levels(driving)
        return dict(known)

    def idle_volts(self, node_name: str) -> float:
        """Differential voltage at a node with no driver enabled, as its own leads see it; 0 where it hangs free."""
        self.node(node_name)
        return self.levels({})[node_name].difference_v

    def driven_volts(self, driver_node: str, at_node: str, *, mark: bool = True) -> float:
        """Steady differential voltage at a node while another (or itself) drives mark, or space."""
        seen = self.transfer(driver_node, at_node)
        return seen.mark if mark else seen.mark - float(seen.edge.volts[-1])

    def resistance_ohm(self, position_m: float, *, inputs: bool = False, dead_supply_ohm: float = math.inf) -> float:
        """What a meter reads between the wires, bus unpowered; infinite where nothing joins them.

        Receivers' inputs usually read far above their rated load when off: `inputs=True` counts them all the same.
        A bias has its pull-down; its pull-up goes to ground through `dead_supply_ohm`, what the dead supply leaves
        between its rails: 0 for a short, infinite for none.
        """
        layout = self._lay_out(position_m)
        at = 2 * layout.trunk[position_m]
        circuit = self._fitted(layout).circuit(inputs=inputs, powered=False, dead_supply_ohm=dead_supply_ohm)
        return circuit.resistance_ohm(at, at + 1)

    def ground_ohm(
        self, position_m: float, wire: str, *, inputs: bool = False, dead_supply_ohm: float = math.inf
    ) -> float:
        """What a meter reads between wire "a" or "b" and ground, bus unpowered; options as with `resistance_ohm`.

        Every node's ground counts as joined to the reference ground. ValueError for another wire.
        """
        if wire not in WIRES:
            raise ValueError(f"the wires are 'a' and 'b', not '{wire}'")
        layout = self._lay_out(position_m)
        circuit = self._fitted(layout).circuit(inputs=inputs, powered=False, dead_supply_ohm=dead_supply_ohm)
        return circuit.resistance_ohm(2 * layout.trunk[position_m] + (wire == "b"), circuit.ground)

    def delay_s(self, one: str, other: str) -> float:
        """Travelling time of an edge between two nodes, their stubs included."""
        if one == other:
            return 0.0
        first, second = self.node(one), self.node(other)
        metres = abs(first.position_m - second.position_m) + first.stub_m + second.stub_m
        return metres * self.cable.delay_s_per_m

    def step_response(self, driver_node: str, at_node: str) -> StepResponse:
        """Change of the voltage at a node when the driver steps from space to mark; time 0 is the edge's middle.

        Ends on the direct-current swing. Holds the delay, the loss, and every reflection from the ends, the
        terminators, the nodes' loads and the driver itself. Beyond a break it is the driver's edge, delayed.
        """
        return self.transfer(driver_node, at_node).edge

    def volts(
        self, driver_node: str, at_node: str, signal: Signal, times_s: Floats, *, hold_s: float | None = None
    ) -> Floats:
        """Differential voltage at a node at any instants while a driver sends `signal`; without noise.

        Idle level until the driver is enabled (its lead time before 0), mark until the first edge, idle again after
        the driver lets go (`hold_s`, or its own hold time, after the signal's end). A disconnected driver leaves the
        pair idle.
        """
        idle = self.idle_volts(at_node)
        if not self.node(driver_node).connected or not self.node(at_node).connected:
            return np.full(len(times_s), idle)
        seen = self.transfer(driver_node, at_node)
        driver = self.node(driver_node).driver
        result = _driven(times_s, signal, seen, driver.lead_s)
        end = signal.duration_s + (driver.hold_s if hold_s is None else hold_s)
        after = np.flatnonzero(times_s > end + seen.release.times_s[0])
        result[after] += seen.release.at(times_s[after] - end)
        near = self.transfer(driver_node, driver_node)
        last = float(signal.times_s[-1]) if len(signal.times_s) else -driver.lead_s
        if len(after) and last + near.edge.settled_s > end:
            _silence_ringing(result, times_s, after, end, signal, near, seen, driver.lead_s)
        return result

    def common_volts(
        self, driver_node: str, at_node: str, signal: Signal, times_s: Floats, volts: Floats | None = None
    ) -> Floats:
        """Common mode at a node, against its own 0 V, at any instants while a driver sends `signal`.

        It follows the difference between the wires (`volts`, computed if None) from the level of space to that of
        mark; reflections of the common mode itself are left out.
        """
        idle = self.levels({})[at_node]
        driver = self.node(driver_node).driver
        if not self.node(driver_node).connected or not self.node(at_node).connected:
            return np.full(len(times_s), idle.common_v)
        if volts is None:
            volts = self.volts(driver_node, at_node, signal, times_s)
        mark, space = (self.levels({driver_node: high})[at_node] for high in (True, False))
        swing = mark.difference_v - space.difference_v
        share = np.full(len(times_s), 0.5)
        if abs(swing) > _LEAST_SWING_V:
            share = np.clip((volts - space.difference_v) / swing, 0.0, 1.0)
        local = times_s - self.delay_s(driver_node, at_node)
        driven = (local >= -driver.lead_s) & (local < signal.duration_s + driver.hold_s)
        return np.where(driven, space.common_v + share * (mark.common_v - space.common_v), idle.common_v)

    def transfer(self, driver_node: str, at_node: str) -> Transfer:
        """The levels and step responses from one driver to one node, both connected (ValueError if not); kept."""
        kept = self._kept.get((driver_node, at_node))
        if kept is None:
            for name in (driver_node, at_node):
                if not self.node(name).connected:
                    raise ValueError(f"node '{name}' is not connected to the pair")
            self._compute(driver_node)
            kept = self._kept[driver_node, at_node]
        return kept

    def _compute(self, driver_node: str) -> None:
        sender = self.node(driver_node)
        driver = sender.driver
        layout = self._layout()
        reached = layout.reached(layout.nodes[driver_node])
        place = {joint: index for index, joint in enumerate(reached)}
        count = len(reached)
        runs = tuple(
            dc.Run(place[run.start], place[run.end], run.length_m) for run in layout.runs if run.start in place
        )
        root = place[layout.nodes[driver_node]]
        loads = self._siemens(layout)[reached]
        unit = np.zeros(count)
        unit[root] = 1.0
        copper = self.cable.loop_ohm_per_m
        gain = dc.solve(count, runs, copper, loads + unit / driver.output_ohm, unit / driver.output_ohm)
        impedance = dc.solve(count, runs, copper, loads, unit)
        rise_s = driver.rise_ns * 1e-9
        free = Network(self.cable, count, runs, loads)
        edges = step_responses(free, root, driver.output_ohm, rise_s, gain)
        releases = step_responses(free, root, None, rise_s, impedance)
        steady = self.levels({}), self.levels({driver_node: True}), self.levels({driver_node: False})
        drop = _sign(sender) * (driver.open_volts - steady[1][driver_node].difference_v)
        for node in self.nodes:
            if not node.connected:
                continue
            idle, mark, space = (one[node.name].difference_v for one in steady)
            at = place.get(layout.nodes[node.name])
            if at is None:
                shape = letting = plain_edge(rise_s, self.delay_s(driver_node, node.name))
            else:
                # What the wires are to each other gives the shape; both wires against ground give where it ends.
                shape = edges[at].times(1 / float(gain[at]))
                letting = releases[at].times(1 / float(impedance[at]))
            self._kept[driver_node, node.name] = Transfer(
                idle, mark, shape, shape.times(mark - space), letting.times(idle - mark), _sign(node) * drop
            )

    def _layout(self) -> Layout:
        if not self._laid:
            self._laid.append(self._lay_out())
        return self._laid[0]

    def _lay_out(self, *extra_m: float) -> Layout:
        return lay_out(self.length_m, (*self._positions(), *extra_m), self.nodes, self.breaks)

    def _positions(self) -> list[float]:
        """Of all that is joined to the trunk, but for nodes and breaks."""
        parts: tuple[Terminator | Bias | Short | Leak, ...] = (
            *self.terminators,
            *self.biases,
            *self.shorts,
            *self.leaks,
        )
        return [part.position_m for part in parts]

    def _fitted(self, layout: Layout) -> Fitted:
        return Fitted(self.cable, layout, self.nodes, self.terminators, self.biases, self.shorts, self.leaks)

    def _siemens(self, layout: Layout) -> Floats:
        """What lies across the pair at each joint."""
        result = np.zeros(layout.joints)
        across: tuple[Terminator | Short, ...] = (*self.terminators, *self.shorts)
        for part in across:
            result[layout.trunk[part.position_m]] += 1.0 / part.ohm
        for bias in self.biases:
            result[layout.trunk[bias.position_m]] += 1.0 / (2 * bias.pull_ohm)
        for node in self.nodes:
            if node.connected:
                result[layout.nodes[node.name]] += 1.0 / node.receiver.input_ohm
        return result


def _sign(node: Node) -> float:
    return -1.0 if node.reversed_pair else 1.0


def _driven(times_s: Floats, signal: Signal, seen: Transfer, lead_s: float) -> Floats:
    """Volts as if the driver never let go: idle, enabled at minus `lead_s`, then the signal."""
    result = np.full(len(times_s), seen.mark)
    _add_edges(result, times_s, signal, seen.edge)
    # The edge's shape serves for the enabling too: from the idle level to mark.
    before = np.flatnonzero(times_s < seen.edge.settled_s - lead_s)
    if len(before):
        risen = seen.shape.at(times_s[before] + lead_s)
        result[before] -= (seen.mark - seen.idle) * (1.0 - risen)
    return result


def _add_edges(result: Floats, times_s: Floats, signal: Signal, step: StepResponse) -> None:
    """Add to a mark level what a signal's edges do. Only edges that have not settled cost anything."""
    edges = signal.times_s
    steps = np.diff(signal.levels, prepend=np.int8(1)) / 2.0
    begun = np.searchsorted(edges + step.times_s[0], times_s, side="right")
    settled = np.searchsorted(edges + step.settled_s, times_s, side="right")
    result += (np.concatenate(([0.0], np.cumsum(steps))) * step.volts[-1])[settled]
    moving: NDArray[np.intp] = np.flatnonzero(begun > settled)
    place = settled[moving]
    last = begun[moving]
    while len(moving):
        result[moving] += steps[place] * step.at(times_s[moving] - edges[place])
        place = place + 1
        more = place < last
        moving, place, last = moving[more], place[more], last[more]


def _silence_ringing(
    result: Floats,
    times_s: Floats,
    after: NDArray[np.intp],
    end: float,
    signal: Signal,
    near: Transfer,
    seen: Transfer,
    lead_s: float,
) -> None:
    """Take out the driver's part in reflections that still run when it lets go.

    An opened switch is a source of minus the current that would have gone on flowing: besides the steady
    current, whose end is the release response, that of the reflections.
    """
    span = max(0.0, float(times_s[after].max()) - end)
    step = max(float(near.edge.times_s[1] - near.edge.times_s[0]), span / _RELEASE_POINTS)
    grid = np.arange(int(span / step) + 2) * step
    ringing = _driven(end + grid, signal, near, lead_s) - near.mark
    # The current falls as the driver's own voltage rises; the release holds the steady current already.
    kernel = np.diff(seen.release.at(grid), prepend=0.0)
    size = 1 << (2 * len(grid) - 1).bit_length()
    current = -ringing / near.drop
    extra = np.fft.irfft(np.fft.rfft(current, size) * np.fft.rfft(kernel, size), size)[: len(grid)]
    place = times_s[after] - end
    result[after] += np.interp(place, grid, extra, left=0.0)
