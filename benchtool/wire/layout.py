"""Where the parts of a pair are joined: the trunk's joints, the stubs' ends, and the places where a conductor is open.

Every joint has two terminals, one on each wire. The trunk is a row of joints; a stub is a run of its own.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from benchtool.wire.dc import Run
from benchtool.wire.parts import Break, Node


class Cut(NamedTuple):
    """A place of the trunk where one wire or both end; `near` is the joint towards 0 m."""

    near: int
    far: int
    a_open: bool
    b_open: bool


class Layout(NamedTuple):
    """`joints` of them, by number from 0. `trunk` tells which one the parts at a position are on."""

    joints: int
    runs: tuple[Run, ...]
    cuts: tuple[Cut, ...]
    trunk: dict[float, int]
    nodes: dict[str, int]

    def reached(self, root: int) -> list[int]:
        """The joints that both wires join to `root`, in rising order."""
        found = {root}
        waiting = [root]
        while waiting:
            here = waiting.pop()
            for run in self.runs:
                other = run.end if run.start == here else run.start if run.end == here else here
                if other not in found:
                    found.add(other)
                    waiting.append(other)
        return sorted(found)


def lay_out(length_m: float, positions: Iterable[float], nodes: Iterable[Node], breaks: Iterable[Break]) -> Layout:
    """Joints for parts at `positions`, for connected nodes and for breaks, on a trunk of `length_m`.

    A part just where a break is stays on the side of 0 m, at the trunk's very end on the other: so every break cuts
    something off.
    """
    connected = [node for node in nodes if node.connected]
    opened: dict[float, tuple[bool, bool]] = {}
    for one in breaks:
        a_open, b_open = opened.get(one.position_m, (False, False))
        opened[one.position_m] = (a_open or one.wire != "b", b_open or one.wire != "a")
    places = sorted({0.0, length_m, *positions, *opened, *(node.position_m for node in connected)})
    runs: list[Run] = []
    cuts: list[Cut] = []
    trunk: dict[float, int] = {}
    count = 0
    before: tuple[int, float] | None = None
    for place in places:
        near = count
        count += 1
        if before is not None:
            runs.append(Run(before[0], near, place - before[1]))
        far = near
        if place in opened:
            far = count
            count += 1
            cuts.append(Cut(near, far, *opened[place]))
        trunk[place] = far if place == length_m and length_m > 0 else near
        before = (far, place)
    joints: dict[str, int] = {}
    for node in connected:
        joints[node.name] = trunk[node.position_m]
        if node.stub_m > 0:
            joints[node.name] = count
            runs.append(Run(trunk[node.position_m], count, node.stub_m))
            count += 1
    return Layout(count, tuple(runs), tuple(cuts), trunk, joints)
