"""What a multimeter and a pair of eyes find on a simulated bus: the line model's direct current, and what is fitted.

What no scenario holds is settled by the seed (judgements, common practice): what a dead supply leaves between its
rails, the supply of a device that is silent, and a meter's own error.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping
from dataclasses import replace

from benchtool.simulate.build import build_pair
from benchtool.simulate.scenario import TAP
from benchtool.simulate.specs import DeviceSpec, Scenario, ScenarioError
from benchtool.wire.pair import Pair
from benchtool.wire.parts import Node

_OPEN_OHM = 1e6
"""A meter shows more than this as open."""
_DEAD_SUPPLY_OHM = (3e2, 3e4)
_SUPPLY_V = 12.0
_DARK = 0.5
"""Share of silent devices that are without power."""
_NOT_ENDS = 0.02
"""A terminator further from an end than this share of the pair is not at the end."""
_LONG_STUB_M, _FAR_STUB_M = 3.0, 20.0
_MANY_LOADS = 32.0
_SOUND_LOADS, _NO_LOADS = 1.0, 1e-9
HALF = 0.5
_DEAD, _WELL = 0.1, 0.8
"""Who answers less often than the one seems dead, and less often than the other works at times only (judgements)."""

KINDS = (
    "ab-ohms",
    "ab-ohms-far",
    "a-ground-ohms",
    "b-ground-ohms",
    "ab-idle",
    "a-idle",
    "b-idle",
    "ab-idle@",
    "supply@",
    "ground-volts@",
)
"""What can be measured; those with an `@` at a device."""


def without_power(device: DeviceSpec, seed: int) -> bool:
    """Whether a silent device is silent because it has no supply."""
    silent = not device.answers
    return silent and random.Random(f"{seed} power {device.name}").random() < _DARK


def supply_v(device: DeviceSpec, seed: int) -> float:
    """At a device's terminals under load, volts."""
    draw = random.Random(f"{seed} supply {device.name}")
    if without_power(device, seed):
        return draw.choice((0.0, _SUPPLY_V * draw.uniform(0.08, 0.6)))
    if device.reset_every_s or device.reset_by_load:
        return _SUPPLY_V * draw.uniform(0.4, 0.8)
    return _SUPPLY_V * draw.uniform(0.96, 1.12)


def meter(line: Scenario, kind: str, address: int | None, seed: int) -> float:
    """A reading of one of `KINDS` in its unit, with the meter's error; ScenarioError for a device that is not there.

    More than a megohm is given as a megohm.
    """
    draw = random.Random(f"{seed} meter {kind} {address}")
    if kind.endswith(("ohms", "-far")):
        value = _ohms(line, kind, seed)
        return min(_OPEN_OHM, value * (1 + draw.gauss(0, 0.01)) + abs(draw.gauss(0, 0.2)))
    return _volts(line, kind, address, seed) * (1 + draw.gauss(0, 0.01)) + draw.gauss(0, 0.003)


def _ohms(line: Scenario, kind: str, seed: int) -> float:
    loads = any(one.unit_loads > _SOUND_LOADS for one in line.devices)
    pair = _unpowered(build_pair(line)) if loads else build_pair(line)
    draw = random.Random(f"{seed} dead supply")
    dead = math.exp(draw.uniform(*map(math.log, _DEAD_SUPPLY_OHM)))
    if kind == "ab-ohms":
        return pair.resistance_ohm(0.0, inputs=loads, dead_supply_ohm=dead)
    if kind == "ab-ohms-far":
        return pair.resistance_ohm(line.line.length_m, inputs=loads, dead_supply_ohm=dead)
    lead = kind[0]
    wire = {"a": "b", "b": "a"}[lead] if line.tap.reversed_pair else lead
    return pair.ground_ohm(0.0, wire, inputs=loads, dead_supply_ohm=dead)


def _unpowered(pair: Pair) -> Pair:
    """What of every input's load is left with the power off: all beyond a unit load.

    A sound receiver is one unit load at most, and off it usually reads far above that (sheet 1.8). What is beyond it is
    no receiver: a bias set, a leaky input, a protection part that broke down. These are resistances, powered or not.
    """

    def left(node: Node) -> Node:
        loads = max(_NO_LOADS, node.receiver.unit_loads - _SOUND_LOADS)
        return replace(node, receiver=replace(node.receiver, unit_loads=loads))

    return replace(pair, nodes=tuple(left(node) for node in pair.nodes))


def _volts(line: Scenario, kind: str, address: int | None, seed: int) -> float:
    if kind.endswith("@"):
        if address is None:
            raise ScenarioError(f"{kind}: say at which address")
        device = line.device_at(address)
        if kind == "supply@":
            return supply_v(device, seed)
        if kind == "ground-volts@":
            return device.ground_v + random.Random(f"{seed} ground {device.name}").gauss(0, 0.2)
        return build_pair(line).levels({})[device.name].difference_v
    here = build_pair(line).levels({})[TAP]
    half = here.difference_v / 2
    return {"ab-idle": here.difference_v, "a-idle": here.common_v + half, "b-idle": here.common_v - half}[kind]


Answering = Callable[[], Mapping[int, float]]
"""How often each address answers, 0 to 1; worked out only where it matters. An address left out never does."""


def look(line: Scenario, sight: str, address: int | None, seed: int, answering: Answering) -> str:
    """What eyes and ears find: the word of an answer, or empty where a simulated bus cannot tell.

    ScenarioError for a device that is not there.
    """
    if sight.endswith("@"):
        if address is None:
            raise ScenarioError(f"{sight}: say at which address")
        return _at_device(line, sight, address, seed)
    if sight == "who-is-dead":
        return _who(line, answering())
    if sight == "controller":
        return "both" if any(share >= HALF for share in answering().values()) else "asks"
    if sight == "controller-power":
        return "lit"  # it polls on every simulated bus
    if sight == "rate-set":
        tap, baud = line.tap, line.line.baud
        rate = (tap.baud or baud) != baud
        return "rate" if rate else "format" if (tap.format or line.line.format) != line.line.format else "same"
    if sight == "controllers":
        return "one" if line.second_controller is None else "more"
    if sight == "terminators":
        return _terminators(line)
    if sight == "end-boxes":
        return ("neither", "one", "both")[sum(_ends(line))]
    if sight == "branches":
        longest = max(one.stub_m for one in line.devices)
        if longest > _FAR_STUB_M:
            return "far"
        return "long" if longest > _LONG_STUB_M else "short" if longest else "chain"
    if sight == "how-many":
        return "many" if sum(one.unit_loads for one in line.devices) > _MANY_LOADS else "few"
    if sight == "when":
        return _when(line)
    if sight == "quiet":
        noisy = (line.line.impulses_per_s and line.line.impulse_v) or (line.line.mains_hz and line.line.mains_v)
        return "stops" if noisy else "stays"
    return ""


def _at_device(line: Scenario, sight: str, address: int, seed: int) -> str:
    device = line.device_at(address)
    twins = sum(one.address == address for one in line.devices)
    if sight == "reader@":
        if device.reset_every_s or device.reset_by_load:
            return "restarts"
        return "dark" if without_power(device, seed) else "beeps"
    if sight == "settings@":
        other = (device.baud or line.line.baud, device.format or line.line.format)
        return "twice" if twins > 1 else "listed" if other == (line.line.baud, line.line.format) else "rate"
    if sight == "still-answers@":
        return "yes" if twins > 1 else "no"
    return ""


def _who(line: Scenario, answering: Mapping[int, float]) -> str:
    """By how often each answers: a device that is heard in part works at times, and is not dead."""
    shares = [answering.get(address, 0.0) for address in {one.address for one in line.devices}]
    dead = sum(share < _DEAD for share in shares)
    if not dead:
        return "at-times" if _restless(line) or min(shares) < _WELL else "none"
    return "all" if dead == len(shares) else "one" if dead == 1 else "several"


def _restless(line: Scenario) -> bool:
    spec = line.line
    noisy = spec.noise_v > 0.1 or spec.impulses_per_s > 0 or spec.mains_hz > 0
    return noisy or any(one.reset_every_s or one.reset_by_load for one in line.devices)


def _when(line: Scenario) -> str:
    if any(one.reset_by_load for one in line.devices):
        return "loads"
    return "chance" if any(one.reset_every_s for one in line.devices) or line.line.impulses_per_s else "always"


def _ends(line: Scenario) -> tuple[bool, bool]:
    """Whether a terminator is at the near end, and at the far one."""
    slack, far = _NOT_ENDS * line.line.length_m, line.line.length_m
    places = [one.position_m for one in line.terminators]
    return any(place <= slack for place in places), any(place >= far - slack for place in places)


def _terminators(line: Scenario) -> str:
    count = len(line.terminators)
    if count != 2:
        return "none" if not count else "one" if count == 1 else "more"
    return "ends" if all(_ends(line)) else "elsewhere"
