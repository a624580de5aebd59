"""An RS-485 pair: cable, nodes, terminators, bias; the voltage at any node at any instant.

Everything is linear while one driver is on, so a transmission is the sum of its edges' step responses on top of the
direct-current levels. Facts: sheet sections 1.1 to 1.8.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchtool.wire import dc
from benchtool.wire.cable import Cable
from benchtool.wire.parts import FAILSAFE, Bias, Driver, Node, Noise, Receiver, Terminator
from benchtool.wire.response import Floats, Network, StepResponse, step_responses
from benchtool.wire.signal import Signal

__all__ = [
    "FAILSAFE",
    "Bias",
    "Cable",
    "Driver",
    "Node",
    "Noise",
    "Pair",
    "Receiver",
    "StepResponse",
    "Terminator",
    "Transfer",
]


_RELEASE_POINTS = 4096


class Transfer(NamedTuple):
    """How one driver is seen at one node, as that node's leads give it. Volts."""

    idle: float
    mark: float
    """Steady level while the driver drives mark."""
    edge: StepResponse
    """One step of the driver from space to mark."""
    release: StepResponse
    """The driver letting go of the pair while at mark."""
    drop: float
    """Steady voltage across the driver's own resistance at mark, signed as the listener's leads see it."""


@dataclass(frozen=True, slots=True)
class Pair:
    """A cable from 0 to `length_m` with what is joined to it. Node names are its keys: they must differ.

    Left out: contention of two drivers, stubs, ground offset between nodes; they come with a later issue.
    """

    cable: Cable
    length_m: float
    nodes: tuple[Node, ...]
    terminators: tuple[Terminator, ...] = ()
    biases: tuple[Bias, ...] = ()
    noise: Noise = field(default_factory=Noise)
    _kept: dict[tuple[str, str], Transfer] = field(default_factory=dict, init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if self.length_m < 0:
            raise ValueError("a pair's length cannot be negative")
        names = [node.name for node in self.nodes]
        if len(set(names)) != len(names):
            raise ValueError("two nodes of a pair have the same name")
        parts: tuple[Node | Terminator | Bias, ...] = (*self.nodes, *self.terminators, *self.biases)
        for part in parts:
            if not 0 <= part.position_m <= self.length_m:
                raise ValueError(f"position {part.position_m:g} m is not on a pair of {self.length_m:g} m")

    def node(self, name: str) -> Node:
        """The node of that name; KeyError if there is none."""
        for node in self.nodes:
            if node.name == name:
                return node
        raise KeyError(f"no node '{name}' on this pair")

    def idle_volts(self, node_name: str) -> float:
        """Differential voltage at a node with no driver enabled, as its own leads see it; 0 where it hangs free."""
        node = self.node(node_name)
        if not node.connected:
            return 0.0
        joints = self._joints()
        volts = self._levels(joints, self._siemens(joints), self._bias_amperes(joints))
        return _sign(node) * float(volts[joints.index(node.position_m)])

    def driven_volts(self, driver_node: str, at_node: str, *, mark: bool = True) -> float:
        """Steady differential voltage at a node while another (or itself) drives mark, or space."""
        seen = self.transfer(driver_node, at_node)
        return seen.mark if mark else seen.mark - float(seen.edge.volts[-1])

    def resistance_ohm(self, position_m: float, *, inputs: bool = False, supply_shorted: bool = False) -> float:
        """What a meter reads between the wires, bus unpowered; infinite where nothing joins them.

        Receivers' inputs usually read far above their rated load when off: `inputs=True` counts them all the same.
        Bias resistors join the wires only if their dead supply is a short circuit: `supply_shorted=True`.
        """
        joints = self._joints(position_m)
        siemens = self._siemens(joints, inputs=inputs, biases=supply_shorted)
        probe = np.zeros(len(joints))
        probe[joints.index(position_m)] = 1.0
        return float(self._levels(joints, siemens, probe)[joints.index(position_m)])

    def delay_s(self, one: str, other: str) -> float:
        """Travelling time of an edge between two nodes."""
        return abs(self.node(one).position_m - self.node(other).position_m) * self.cable.delay_s_per_m

    def step_response(self, driver_node: str, at_node: str) -> StepResponse:
        """Change of the voltage at a node when the driver steps from space to mark; time 0 is the edge's middle.

        Ends on the direct-current swing. Holds the delay, the loss, and every reflection from the ends, the
        terminators, the nodes' loads and the driver itself.
        """
        return self.transfer(driver_node, at_node).edge

    def volts(self, driver_node: str, at_node: str, signal: Signal, times_s: Floats) -> Floats:
        """Differential voltage at a node at any instants while a driver sends `signal`; without noise.

        Idle level until the driver is enabled (its lead time before 0), mark until the first edge, idle again after
        the driver lets go (its hold time after the signal's end). A disconnected driver leaves the pair idle.
        """
        idle = self.idle_volts(at_node)
        if not self.node(driver_node).connected or not self.node(at_node).connected:
            return np.full(len(times_s), idle)
        seen = self.transfer(driver_node, at_node)
        driver = self.node(driver_node).driver
        result = _driven(times_s, signal, seen, driver.lead_s)
        end = signal.duration_s + driver.hold_s
        after = np.flatnonzero(times_s > end + seen.release.times_s[0])
        result[after] += seen.release.at(times_s[after] - end)
        near = self.transfer(driver_node, driver_node)
        last = float(signal.times_s[-1]) if len(signal.times_s) else -driver.lead_s
        if len(after) and last + near.edge.settled_s > end:
            _silence_ringing(result, times_s, after, end, signal, near, seen, driver.lead_s)
        return result

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
        joints = self._joints()
        root = joints.index(sender.position_m)
        runs = _runs(joints)
        loads = self._siemens(joints)
        biased = self._bias_amperes(joints)
        unit = np.zeros(len(joints))
        unit[root] = 1.0
        driven = loads + unit / driver.output_ohm
        gain = self._levels(joints, driven, unit / driver.output_ohm)
        impedance = self._levels(joints, loads, unit)
        source = _sign(sender) * driver.open_volts
        idle = self._levels(joints, loads, biased)
        mark = self._levels(joints, driven, biased) + source * gain
        amperes = (source - float(mark[root])) / driver.output_ohm
        rise_s = driver.rise_ns * 1e-9
        free = Network(self.cable, len(joints), runs, loads)
        edges = step_responses(free, root, driver.output_ohm, rise_s, gain)
        releases = step_responses(free, root, None, rise_s, impedance)
        for node in self.nodes:
            if node.connected:
                at = joints.index(node.position_m)
                sign = _sign(node)
                self._kept[driver_node, node.name] = Transfer(
                    sign * float(idle[at]),
                    sign * float(mark[at]),
                    StepResponse(edges[at].times_s, edges[at].volts * (2 * sign * source)),
                    StepResponse(releases[at].times_s, releases[at].volts * (-sign * amperes)),
                    sign * amperes * driver.output_ohm,
                )

    def _joints(self, *extra_m: float) -> list[float]:
        parts: tuple[Node | Terminator | Bias, ...] = (*self.nodes, *self.terminators, *self.biases)
        return sorted({0.0, self.length_m, *extra_m, *(part.position_m for part in parts)})

    def _siemens(self, joints: list[float], *, inputs: bool = True, biases: bool = True) -> Floats:
        result = np.zeros(len(joints))
        for terminator in self.terminators:
            result[joints.index(terminator.position_m)] += 1.0 / terminator.ohm
        for bias in self.biases if biases else ():
            result[joints.index(bias.position_m)] += 1.0 / (2 * bias.pull_ohm)
        for node in self.nodes if inputs else ():
            if node.connected:
                result[joints.index(node.position_m)] += 1.0 / node.receiver.input_ohm
        return result

    def _bias_amperes(self, joints: list[float]) -> Floats:
        result = np.zeros(len(joints))
        for bias in self.biases:
            result[joints.index(bias.position_m)] += bias.supply_v / (2 * bias.pull_ohm)
        return result

    def _levels(self, joints: list[float], siemens: Floats, amperes: Floats) -> Floats:
        return dc.solve(len(joints), _runs(joints), self.cable.loop_ohm_per_m, siemens, amperes)


def _runs(joints: list[float]) -> tuple[dc.Run, ...]:
    return tuple(dc.Run(place, place + 1, joints[place + 1] - joints[place]) for place in range(len(joints) - 1))


def _sign(node: Node) -> float:
    return -1.0 if node.reversed_pair else 1.0


def _driven(times_s: Floats, signal: Signal, seen: Transfer, lead_s: float) -> Floats:
    """Volts as if the driver never let go: idle, enabled at minus `lead_s`, then the signal."""
    result = np.full(len(times_s), seen.mark)
    _add_edges(result, times_s, signal, seen.edge)
    # The edge's shape serves for the enabling too: from the idle level to mark.
    before = np.flatnonzero(times_s < seen.edge.settled_s - lead_s)
    if len(before):
        risen = seen.edge.at(times_s[before] + lead_s) / seen.edge.volts[-1]
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
    span = float(times_s[after].max()) - end
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
