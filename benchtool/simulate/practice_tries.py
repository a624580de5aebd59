"""What somebody who tries something changes on a simulated bus: leads swapped, a device unplugged, a lower rate."""

from __future__ import annotations

from dataclasses import replace

from benchtool.simulate.specs import DeviceSpec, Scenario, ScenarioError

TRIES = ("swap-clip", "swap-wires@", "unplug@", "lower-baud")
"""What can be tried; those with an `@` at a device."""
_SLOWER = 4
_LEAST_BAUD = 300


def changed(line: Scenario, action: str, address: int | None) -> Scenario:
    """The bus with the action done; ScenarioError for another action, or a device that is not there."""
    if action == "swap-clip":
        return replace(line, tap=replace(line.tap, reversed_pair=not line.tap.reversed_pair))
    if action == "lower-baud":
        devices = tuple(replace(one, baud=_slower(one.baud)) for one in line.devices)
        tap = replace(line.tap, baud=_slower(line.tap.baud))
        spec = replace(line.line, baud=max(_LEAST_BAUD, line.line.baud // _SLOWER))
        return replace(line, line=spec, devices=devices, tap=tap)
    if action not in TRIES:
        raise ScenarioError(f"{action}: there are {', '.join(TRIES)}")
    if address is None:
        raise ScenarioError(f"{action}: say at which address")
    there = line.device_at(address)
    if action == "swap-wires@":
        swapped = replace(there, reversed_pair=not there.reversed_pair)
        return replace(line, devices=tuple(swapped if one is there else one for one in line.devices))
    left = tuple(one for one in line.devices if one is not there)
    return replace(line, devices=left or (_absent(there),))


def _absent(device: DeviceSpec) -> DeviceSpec:
    """The only device, unplugged: asked, and silent."""
    return replace(device, answers=False, stub_m=0.0, unit_loads=0.01, ground_v=0.0, hold_ms=0.005)


def _slower(baud: int | None) -> int | None:
    return None if baud is None else max(_LEAST_BAUD, baud // _SLOWER)
