"""Faults as options of a scenario. Each changes what is wired, set or fitted; the line model does the rest."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from benchtool.simulate.scenario import DeviceSpec, Scenario, ScenarioError

Options = Mapping[str, str]


def _number(options: Options, key: str, default: float) -> float:
    text = options.get(key)
    if text is None:
        return default
    try:
        return float(text)
    except ValueError:
        raise ScenarioError(f"{key}={text}: a number is wanted") from None


def _place(scenario: Scenario, options: Options) -> DeviceSpec:
    if "at" not in options:
        return scenario.devices[-1]
    return scenario.device_at(int(_number(options, "at", 0)))


def _change(scenario: Scenario, changed: DeviceSpec) -> Scenario:
    devices = tuple(changed if device.name == changed.name else device for device in scenario.devices)
    return replace(scenario, devices=devices)


def _reversed_at_tap(scenario: Scenario, options: Options) -> Scenario:
    return replace(scenario, tap=replace(scenario.tap, reversed_pair=True))


def _reversed_at_device(scenario: Scenario, options: Options) -> Scenario:
    return _change(scenario, replace(_place(scenario, options), reversed_pair=True))


def _silent(scenario: Scenario, options: Options) -> Scenario:
    return _change(scenario, replace(_place(scenario, options), answers=False))


def _terminator_missing(scenario: Scenario, options: Options) -> Scenario:
    which = options.get("which", "both")
    ordered = sorted(scenario.terminators, key=lambda row: row.position_m)
    if which == "both":
        return replace(scenario, terminators=())
    if which in ("near", "far"):
        return replace(scenario, terminators=tuple(ordered[1:] if which == "near" else ordered[:-1]))
    raise ScenarioError(f"which={which}: near, far or both is wanted")


def _noise(scenario: Scenario, options: Options) -> Scenario:
    level = _number(options, "level", 0.6)
    if level < 0:
        raise ScenarioError(f"level={level:g}: volts rms, 0 or more")
    return replace(scenario, line=replace(scenario.line, noise_v=level))


def _baud_wrong(scenario: Scenario, options: Options) -> Scenario:
    if scenario.tap.baud is not None and scenario.tap.baud != scenario.line.baud:
        return scenario
    return replace(scenario, tap=replace(scenario.tap, baud=scenario.line.baud * 2))


def _healthy(scenario: Scenario, options: Options) -> Scenario:
    return scenario


FAULTS: dict[str, tuple[Callable[[Scenario, Options], Scenario], str]] = {
    "healthy": (_healthy, "nothing wrong"),
    "pair-reversed-at-tap": (_reversed_at_tap, "our own clip's two leads are swapped"),
    "pair-reversed-at-device": (_reversed_at_device, "the pair is swapped at one device; at=ADDRESS"),
    "terminator-missing": (_terminator_missing, "terminators taken off; which=near, far or both"),
    "noise": (_noise, "noise between the wires; level=VOLTS rms"),
    "baud-wrong": (_baud_wrong, "our receiver set to twice the bus's rate, or to --baud"),
    "device-silent": (_silent, "one device hears but never answers; at=ADDRESS"),
}
"""identifier: (what changes the scenario, one line of help)."""


def apply(scenario: Scenario, kinds: str | None, options: Options) -> Scenario:
    """The scenario with the faults in `kinds` (comma-separated; None: the scenario's own) applied in order."""
    if kinds is None:
        kinds = scenario.fault or "healthy"
        options = {**scenario.fault_options, **options}
    for kind in (part.strip() for part in kinds.split(",")):
        if kind not in FAULTS:
            raise ScenarioError(f"no fault '{kind}'; there are: {', '.join(FAULTS)}")
        scenario = FAULTS[kind][0](scenario, options)
    return scenario
