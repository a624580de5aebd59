"""What every fault needs: reading its options, finding its place, changing one device of a scenario."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from benchtool.simulate.specs import DeviceSpec, Scenario, ScenarioError

Options = Mapping[str, str]
"""What was said about a fault, unread: name of the option, its text."""
MOST_METRES = 5_000.0


@dataclass(frozen=True, slots=True)
class Fault:
    """A kind of fault: what it changes, one line of help, and the options that it takes."""

    change: Callable[[Scenario, Options], Scenario]
    about: str
    takes: tuple[str, ...] = ()


def number(options: Options, key: str, default: float, least: float, most: float, unit: str) -> float:
    """An option's number, `default` where it is not given; ScenarioError outside `least` … `most`."""
    text = options.get(key)
    if text is None:
        return default
    try:
        value = float(text)
    except ValueError:
        raise ScenarioError(f"{key}={text}: a number is wanted") from None
    if not least <= value <= most:
        raise ScenarioError(f"{key}={text}: {unit}, {least:g} to {most:g}, are wanted")
    return value


def whole(options: Options, key: str, default: int, least: int, most: int, unit: str) -> int:
    """The same for a whole number."""
    value = number(options, key, default, least, most, unit)
    if not float(value).is_integer():
        raise ScenarioError(f"{key}={options[key]}: a whole number is wanted")
    return int(value)


def word(options: Options, key: str, words: tuple[str, ...], default: str) -> str:
    """One of `words`."""
    text = options.get(key, default)
    if text not in words:
        raise ScenarioError(f"{key}={text}: {', '.join(words[:-1])} or {words[-1]} is wanted")
    return text


def device(scenario: Scenario, options: Options) -> DeviceSpec:
    """The device at the address `at`; the last device where it is not given."""
    if "at" not in options:
        return scenario.devices[-1]
    text = options["at"]
    try:
        address = float(text)
    except ValueError:
        raise ScenarioError(f"at={text}: a number is wanted") from None
    if not address.is_integer():
        raise ScenarioError(f"at={text}: a device address is a whole number")
    return scenario.device_at(int(address))


def with_device(scenario: Scenario, changed: DeviceSpec) -> Scenario:
    """The scenario with the device of that name changed."""
    devices = tuple(changed if one.name == changed.name else one for one in scenario.devices)
    return replace(scenario, devices=devices)


def at_metres(scenario: Scenario, options: Options, default: float) -> float:
    """The place `metres` on the pair."""
    return number(options, "metres", default, 0, scenario.line.length_m, "metres along the pair")


def segment_m(scenario: Scenario, options: Options) -> float:
    """The place `metres`, or else the middle of the cable between the device `at` and the part before it."""
    if "metres" in options:
        return at_metres(scenario, options, 0)
    place = device(scenario, options).position_m
    others = [scenario.controller.position_m, *(one.position_m for one in scenario.devices)]
    before = max((other for other in others if other < place), default=place)
    return (before + place) / 2
