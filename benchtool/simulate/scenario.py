"""Scenarios: invented installations as data files, and the options that a `sim:` address adds to them.

A scenario says where things are, how long the pair is, what is fitted, who polls whom, and which cards are held up
when. The file format is documented in docs/scenarios.md.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

from benchtool.capture.settings import CharFormat, LineSettings

_T = TypeVar("_T")


class ScenarioError(ValueError):
    """A scenario or an option of a `sim:` address is wrong; the text is one line with the mend."""


@dataclass(frozen=True, slots=True)
class CardEvent:
    """A card held to a reader."""

    at_s: float
    format: str
    card_number: int
    site_code: int | None = None
    granted: bool = True


@dataclass(frozen=True, slots=True)
class KeyEvent:
    """Keys typed at a keypad; OSDP characters, `#` and `*` allowed."""

    at_s: float
    keys: str


@dataclass(frozen=True, slots=True)
class InputEvent:
    """The state of a device's inputs changes: one 0 or 1 an input."""

    at_s: float
    inputs: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class DeviceSpec:
    """A device on the pair that is polled."""

    name: str
    address: int
    position_m: float
    kind: str = "reader"
    reply_ms: float = 3.0
    answers: bool = True
    reversed_pair: bool = False
    cards: tuple[CardEvent, ...] = ()
    keys: tuple[KeyEvent, ...] = ()
    inputs: tuple[InputEvent, ...] = ()


@dataclass(frozen=True, slots=True)
class ControllerSpec:
    """Who polls."""

    name: str
    position_m: float = 0.0
    protocol: str = "osdp"
    poll_gap_ms: float = 50.0
    check: str = "crc"


@dataclass(frozen=True, slots=True)
class LineSpec:
    """The pair: rate, length, copper, what is fitted, and the noise on it (volts rms, differential)."""

    baud: int = 9600
    format: str = "8N1"
    length_m: float = 100.0
    loop_ohm_per_m: float = 0.1684
    velocity: float = 0.66
    driver_ohm: float = 50.0
    noise_v: float = 0.0
    impulses_per_s: float = 0.0
    impulse_v: float = 0.0
    impulse_us: float = 0.0

    @property
    def settings(self) -> LineSettings:
        """Rate and character format as the devices are set."""
        return LineSettings(self.baud, CharFormat.parse(self.format))


@dataclass(frozen=True, slots=True)
class TerminatorSpec:
    """A resistor across the pair."""

    position_m: float
    ohm: float = 120.0


@dataclass(frozen=True, slots=True)
class BiasSpec:
    """A pull-up on the wire that is positive when idle and a pull-down on the other, `pull_ohm` each."""

    position_m: float
    pull_ohm: float = 560.0
    supply_v: float = 5.0


@dataclass(frozen=True, slots=True)
class TapSpec:
    """Where benchtool's adapter is clipped on."""

    position_m: float = 0.0
    reversed_pair: bool = False
    baud: int | None = None
    format: str | None = None


@dataclass(frozen=True, slots=True)
class Scenario:
    """An invented installation."""

    title: str
    about: str
    controller: ControllerSpec
    devices: tuple[DeviceSpec, ...]
    line: LineSpec = LineSpec()
    terminators: tuple[TerminatorSpec, ...] = ()
    biases: tuple[BiasSpec, ...] = ()
    tap: TapSpec = TapSpec()
    duration_s: float = 20.0
    seed: int = 1
    fault: str | None = None
    """The fault that the scenario has when no `fault=` option is given; None when it is sound."""
    fault_options: Mapping[str, str] = field(default_factory=dict)

    def device_at(self, address: int) -> DeviceSpec:
        """The device with that address; ScenarioError names those there are."""
        for device in self.devices:
            if device.address == address:
                return device
        known = ", ".join(str(device.address) for device in self.devices)
        raise ScenarioError(f"no device at address {address} in this scenario; there are {known}")


_FOLDER = resources.files("benchtool.simulate") / "scenarios"


def names() -> list[str]:
    """The scenarios that come with benchtool."""
    return sorted(entry.name[:-5] for entry in _FOLDER.iterdir() if entry.name.endswith(".toml"))


def load(name: str) -> Scenario:
    """Load a scenario by its name, or a `.toml` file by its path; ScenarioError says what is wrong."""
    if name.endswith(".toml"):
        try:
            text = Path(name).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            reason = getattr(error, "strerror", None) or "it is not UTF-8 text"
            raise ScenarioError(f"cannot read scenario {name}: {reason}") from None
    else:
        entry = _FOLDER / f"{name}.toml"
        if name not in names():
            raise ScenarioError(
                f"no scenario '{name}'; there are: {', '.join(names())} (or give a path ending in .toml)"
            )
        text = entry.read_text(encoding="utf-8")
    try:
        return parse(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise ScenarioError(f"scenario {name} is not TOML: {error}") from None


def parse(data: Mapping[str, Any]) -> Scenario:
    """Make a scenario of the parsed TOML; ScenarioError names the table and key that is wrong."""
    left = dict(data)
    fault = dict(left.pop("fault", {}))
    try:
        devices = tuple(_device(row) for row in left.pop("device", []))
        scenario = Scenario(
            title=str(left.pop("title")),
            about=str(left.pop("about", "")),
            controller=_make(ControllerSpec, left.pop("controller"), "controller"),
            devices=devices,
            line=_make(LineSpec, left.pop("line", {}), "line"),
            terminators=tuple(_make(TerminatorSpec, row, "terminator") for row in left.pop("terminator", [])),
            biases=tuple(_make(BiasSpec, row, "bias") for row in left.pop("bias", [])),
            tap=_make(TapSpec, left.pop("tap", {}), "tap"),
            duration_s=float(left.pop("duration_s", 20.0)),
            seed=int(left.pop("seed", 1)),
            fault=fault.pop("kind", None),
            fault_options={key: str(value) for key, value in fault.items()},
        )
    except KeyError as error:
        raise ScenarioError(f"the scenario lacks {error.args[0]!r}") from None
    except (TypeError, ValueError) as error:
        raise ScenarioError(f"the scenario is wrong: {error}") from None
    if left:
        raise ScenarioError(f"the scenario has unknown keys: {', '.join(sorted(left))}")
    _check(scenario)
    return scenario


def _device(row: Mapping[str, Any]) -> DeviceSpec:
    left = dict(row)
    cards = tuple(_make(CardEvent, event, "device.cards") for event in left.pop("cards", []))
    keys = tuple(_make(KeyEvent, event, "device.keys") for event in left.pop("keys", []))
    inputs = tuple(
        InputEvent(float(event["at_s"]), tuple(int(value) for value in event["inputs"]))
        for event in left.pop("inputs", [])
    )
    return _make(DeviceSpec, {**left, "cards": cards, "keys": keys, "inputs": inputs}, "device")


def _make(kind: type[_T], row: Mapping[str, Any], where: str) -> _T:
    known = {entry.name for entry in fields(kind)}  # type: ignore[arg-type]  # every kind given here is a dataclass
    unknown = sorted(set(row) - known)
    if unknown:
        raise ScenarioError(f"unknown key {unknown[0]!r} in [{where}]; known are {', '.join(sorted(known))}")
    return kind(**row)


def _check(scenario: Scenario) -> None:
    length = scenario.line.length_m
    places = [
        (scenario.controller.name, scenario.controller.position_m),
        ("the tap", scenario.tap.position_m),
        *((device.name, device.position_m) for device in scenario.devices),
        *(("a terminator", row.position_m) for row in scenario.terminators),
        *(("a bias", row.position_m) for row in scenario.biases),
    ]
    for name, position in places:
        if not 0 <= position <= length:
            raise ScenarioError(f"{name} lies at {position:g} m, but the pair is {length:g} m long")
    try:
        _ = scenario.line.settings
        if scenario.tap.format is not None:
            CharFormat.parse(scenario.tap.format)
    except ValueError as error:
        raise ScenarioError(str(error)) from None
    if scenario.controller.protocol not in ("osdp", "modbus-rtu"):
        raise ScenarioError(f"protocol is osdp or modbus-rtu, not {scenario.controller.protocol!r}")
    if not scenario.devices:
        raise ScenarioError("the scenario lacks a [[device]]")
