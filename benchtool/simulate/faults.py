"""Faults as options of a scenario. Each changes what is wired, set or fitted; the line model does the rest."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from benchtool.simulate.specs import DeviceSpec, Scenario, ScenarioError

Options = Mapping[str, str]

OPTIONS = ("at", "level", "which")
"""What faults take besides their names."""
_MOST_VOLTS = 100.0
_MOST_BAUD = 20_000_000


@dataclass(frozen=True, slots=True)
class Fault:
    """A kind of fault: what it changes, one line of help, and the options that it takes."""

    change: Callable[[Scenario, Options], Scenario]
    about: str
    takes: tuple[str, ...] = ()


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
    address = _number(options, "at", 0)
    if not address.is_integer():
        raise ScenarioError(f"at={options['at']}: a device address is a whole number")
    return scenario.device_at(int(address))


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
    if which not in ("near", "far", "both"):
        raise ScenarioError(f"which={which}: near, far or both is wanted")
    if not scenario.terminators:
        raise ScenarioError("this scenario has no terminator that could be missing")
    if which == "both":
        return replace(scenario, terminators=())
    ordered = sorted(scenario.terminators, key=lambda row: row.position_m)
    return replace(scenario, terminators=tuple(ordered[1:] if which == "near" else ordered[:-1]))


def _noise(scenario: Scenario, options: Options) -> Scenario:
    level = _number(options, "level", 0.6)
    if not 0 <= level <= _MOST_VOLTS:
        raise ScenarioError(f"level={options['level']}: volts rms, 0 to {_MOST_VOLTS:g}, are wanted")
    return replace(scenario, line=replace(scenario.line, noise_v=level))


def _baud_wrong(scenario: Scenario, options: Options) -> Scenario:
    if scenario.tap.baud is not None and scenario.tap.baud != scenario.line.baud:
        return scenario
    return replace(scenario, tap=replace(scenario.tap, baud=min(_MOST_BAUD, scenario.line.baud * 2)))


def _healthy(scenario: Scenario, options: Options) -> Scenario:
    return scenario


FAULTS: dict[str, Fault] = {
    "healthy": Fault(_healthy, "nothing wrong"),
    "pair-reversed-at-tap": Fault(_reversed_at_tap, "our own clip's two leads are swapped"),
    "pair-reversed-at-device": Fault(_reversed_at_device, "the pair is swapped at one device; at=ADDRESS", ("at",)),
    "terminator-missing": Fault(_terminator_missing, "terminators taken off; which=near, far or both", ("which",)),
    "noise": Fault(_noise, "noise between the wires; level=VOLTS rms", ("level",)),
    "baud-wrong": Fault(_baud_wrong, "our receiver set to twice the bus's rate, or to --baud"),
    "device-silent": Fault(_silent, "one device hears but never answers; at=ADDRESS", ("at",)),
}
"""By identifier."""


def apply(scenario: Scenario, kinds: str | None, options: Options) -> Scenario:
    """The scenario with the faults in `kinds` (comma-separated; None: the scenario's own) applied in order.

    `options` are those of faults alone. ScenarioError for an unknown fault, and for an option that none of them takes.
    """
    if kinds is None:
        kinds = "healthy"
        if scenario.fault is not None:
            kinds, options = scenario.fault, {**scenario.fault_options, **options}
    chosen = [part.strip() for part in kinds.split(",")]
    for kind in chosen:
        if kind not in FAULTS:
            raise ScenarioError(f"no fault {kind!r}; there are: {', '.join(FAULTS)}")
    for key in options:
        if not any(key in FAULTS[kind].takes for kind in chosen):
            takers = [name for name, fault in FAULTS.items() if key in fault.takes]
            right = f"it goes with fault={' or '.join(takers)}" if takers else f"known are {', '.join(OPTIONS)}"
            raise ScenarioError(f"fault={','.join(chosen)} does not take {key!r}; {right}")
    for kind in chosen:
        scenario = FAULTS[kind].change(scenario, options)
    return scenario
