"""Practice installations: a simulated bus with a hidden fault, drawn by level and seed."""

from __future__ import annotations

import random
from dataclasses import dataclass

from benchtool.simulate import faults, scenario
from benchtool.simulate.specs import Scenario

_LOUD = (
    "pair-reversed-at-tap",
    "device-silent",
    "pair-shorted",
    "baud-wrong",
    "conductor-open",
    "device-resetting",
)
_PLAIN = (
    "pair-reversed-at-device",
    "address-duplicate",
    "noise-impulsive",
    "bias-missing",
    "conductor-to-ground",
    "format-wrong",
    "terminator-missing-both",
    "device-slow",
)
_HARD = (
    "terminator-missing-one",
    "terminator-excess",
    "ground-offset",
    "noise-broadband",
    "noise-mains",
    "two-controllers",
    "sequence-faults",
    "driver-held-late",
    "bias-weak",
)
_SLY = (
    "terminator-misplaced",
    "stub-too-long",
    "bus-overloaded",
    "line-too-long-for-rate",
    "bias-weak",
    "healthy",
)
LEVELS: dict[int, tuple[str, ...]] = {
    1: _LOUD,
    2: (*_PLAIN, *_LOUD[1:5:3]),
    3: (*_HARD, "clock-off", *_PLAIN[1:2]),
    4: (*_SLY, *_HARD[:2], "terminator-missing-both"),
}
"""Faults by how hard they are to find: loud ones first, at last those that leave no mark in octets, or no fault."""
TITLES = {
    1: "loud faults: listening tells most of it",
    2: "everyday faults: a meter is needed now and then",
    3: "faults that look alike: measure what splits them",
    4: "faults that leave hardly a mark, or none at all",
}
_GIVEN_AWAY = "device-silent"
"""What `benchtool demo` shows, and the tutorial explains: the first installation of a level is another."""
_FAST = {"terminator-misplaced", "stub-too-long", "line-too-long-for-rate"}
"""Faults that only a long, fast pair shows (docs/hunt.md, How good)."""


@dataclass(frozen=True, slots=True)
class Hidden:
    """A practice installation and what is wrong with it."""

    level: int
    seed: int
    base: str
    """The scenario's name."""
    fault: str
    """The cause's name."""
    options: dict[str, str]
    line: Scenario
    """The bus as it runs, with the fault."""

    @property
    def tap(self) -> str:
        """The address that shows the same bus to every other command."""
        options = "".join(f"&{key}={value}" for key, value in self.options.items())
        return f"sim:{self.base}?fault={self.fault}{options}&seed={self.seed}"


def hide(level: int, seed: int) -> Hidden:
    """The installation of a level and seed; always the same for the same two."""
    draw = random.Random(f"practice {level} {seed}")
    fault = draw.choice(LEVELS[level])
    if seed == 1 and fault == _GIVEN_AWAY:
        fault = draw.choice([one for one in LEVELS[level] if one != _GIVEN_AWAY])
    return hidden(fault, level, seed, draw)


def hidden(fault: str, level: int, seed: int, draw: random.Random) -> Hidden:
    """An installation with a chosen fault, at a device where the fault has one."""
    bases = ["longline"] if fault in _FAST else ["demo"]
    if fault == "terminator-missing-one":
        bases.append("longline")
    if fault not in ("sequence-faults", "device-resetting") and fault not in _FAST:
        bases.append("modbus")
    base = draw.choice(bases)
    loaded = scenario.load(base)
    options: dict[str, str] = {}
    if "at" in faults.FAULTS[fault].takes and fault not in ("baud-wrong", "format-wrong", "driver-held-late"):
        options["at"] = str(draw.choice(loaded.devices).address)
    return Hidden(level, seed, base, fault, options, faults.apply(loaded, fault, options))
