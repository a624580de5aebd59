"""What a scenario consists of, field by field, with the range of each: the schema that the loader and docs follow.

Address ranges are the protocols' (sheet 5.1 and 3.1); all others, where nothing is published, are wide enough for any
installation. The file format is documented in docs/scenarios.md.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Annotated, NamedTuple

from benchtool.capture.settings import CharFormat, LineSettings


class ScenarioError(ValueError):
    """A scenario or an option of a `sim:` address is wrong; the text is one line with the mend."""


def meant(word: str, known: Iterable[str], else_are: str) -> str:
    """The mend for a name that is none: the one nearest to it, else all, after the words `else_are`."""
    names = tuple(known)
    near = get_close_matches(word.lower(), names, 1)
    return f"did you mean {near[0]}?" if near else f"{else_are} {', '.join(names)}"


class Range(NamedTuple):
    """The least and greatest value of a number, or length of a text or list; both allowed."""

    least: float
    most: float


class OneOf(NamedTuple):
    """The words that a text may be."""

    words: tuple[str, ...]


PROTOCOLS = {"osdp": Range(0, 126), "modbus-rtu": Range(1, 247)}
"""Protocol of a pair: addresses that a device can have (sheet 5.1 and 3.1)."""

DEVICE_SEQUENCES = ("sound", "stale", "forgets", "zero")
"""What an OSDP device does with sequence numbers, now and then: right; the reply before again under its old number;
forget the number and refuse the next; always 0."""
CONTROLLER_SEQUENCES = ("sound", "skips", "repeats", "zero")
"""What an OSDP controller does: right; leaves a number out now and then; uses one twice for two commands; always 0."""
MOST_SEED = 999_999_999
_WIDEST = 10**12
"""More than any card format carries; the format itself sets the limit."""

Seconds = Annotated[float, Range(0, 1_000_000)]
Metres = Annotated[float, Range(0, 5_000)]
Name = Annotated[str, Range(1, 80)]
FormatName = Annotated[str, Range(3, 5)]
Volts = Annotated[float, Range(-100, 100)]
Milliseconds = Annotated[float, Range(0, 10_000)]
ClockError = Annotated[float, Range(-0.2, 0.2)]
WireName = Annotated[str, OneOf(("a", "b", "both"))]
"""`a` is the wire that is positive when idle."""
Threshold = Annotated[float, Range(-0.175, 0.175)]


@dataclass(frozen=True, slots=True)
class CardEvent:
    """A card held to a reader."""

    at_s: Seconds
    format: str
    """A name from docs/card-formats.md, as `26-bit`."""
    card_number: Annotated[int, Range(0, _WIDEST)]
    site_code: Annotated[int, Range(0, _WIDEST)] | None = None
    granted: bool = True


@dataclass(frozen=True, slots=True)
class KeyEvent:
    """Keys typed at a keypad of twelve: 0 to 9, `#` for enter, `*` for clear."""

    at_s: Seconds
    keys: Annotated[str, Range(1, 40)]


@dataclass(frozen=True, slots=True)
class InputEvent:
    """The state of a device's inputs changes: one 0 or 1 an input."""

    at_s: Seconds
    inputs: Annotated[tuple[int, ...], Range(1, 16)]


@dataclass(frozen=True, slots=True)
class DeviceSpec:
    """A device on the pair that is polled."""

    name: Name
    address: Annotated[int, Range(0, 247)]
    position_m: Metres
    kind: Annotated[str, OneOf(("reader", "keypad", "interface"))] = "reader"
    reply_ms: Annotated[float, Range(0, 10_000)] = 3.0
    answers: bool = True
    reversed_pair: bool = False
    baud: Annotated[int, Range(50, 20_000_000)] | None = None
    format: FormatName | None = None
    clock_error: ClockError = 0.0
    hold_ms: Milliseconds = 0.005
    stub_m: Annotated[float, Range(0, 1_000)] = 0.0
    unit_loads: Annotated[float, Range(0.01, 10_000)] = 1.0
    ground_v: Volts = 0.0
    threshold_v: Threshold | None = None
    reset_every_s: Annotated[float, Range(0, 1_000_000)] = 0.0
    reset_by_load: bool = False
    reset_s: Annotated[float, Range(0.001, 1_000)] = 1.5
    sequence: Annotated[str, OneOf(DEVICE_SEQUENCES)] = "sound"
    sequence_every: Annotated[int, Range(1, 1_000_000)] = 12
    secure: bool = False
    cards: tuple[CardEvent, ...] = ()
    keys: tuple[KeyEvent, ...] = ()
    inputs: tuple[InputEvent, ...] = ()


@dataclass(frozen=True, slots=True)
class ControllerSpec:
    """Who polls."""

    name: Name
    position_m: Metres = 0.0
    protocol: Annotated[str, OneOf(tuple(PROTOCOLS))] = "osdp"
    poll_gap_ms: Annotated[float, Range(0, 60_000)] = 50.0
    check: Annotated[str, OneOf(("crc", "checksum"))] = "crc"
    starts_s: Seconds = 0.0
    clock_error: ClockError = 0.0
    hold_ms: Milliseconds = 0.005
    ground_v: Volts = 0.0
    threshold_v: Threshold | None = None
    sequence: Annotated[str, OneOf(CONTROLLER_SEQUENCES)] = "sound"
    sequence_every: Annotated[int, Range(1, 1_000_000)] = 12


@dataclass(frozen=True, slots=True)
class LineSpec:
    """The pair: rate, length, copper, what is fitted, and the noise on it (volts rms, differential)."""

    baud: Annotated[int, Range(300, 1_000_000)] = 9600
    format: FormatName = "8N1"
    length_m: Metres = 100.0
    loop_ohm_per_m: Annotated[float, Range(0, 10)] = 0.1684
    velocity: Annotated[float, Range(0.1, 1)] = 0.66
    driver_ohm: Annotated[float, Range(1, 1_000)] = 50.0
    driver_v: Annotated[float, Range(0.1, 12)] = 5.0
    rise_ns: Annotated[float, Range(1, 1_000_000)] = 100.0
    threshold_v: Threshold = -0.125
    hysteresis_v: Annotated[float, Range(0, 0.05)] = 0.03
    noise_v: Annotated[float, Range(0, 100)] = 0.0
    impulses_per_s: Annotated[float, Range(0, 10_000)] = 0.0
    impulse_v: Annotated[float, Range(0, 1_000)] = 0.0
    impulse_us: Annotated[float, Range(0, 100_000)] = 0.0
    mains_hz: Annotated[float, Range(0, 400)] = 0.0
    mains_v: Annotated[float, Range(0, 1_000)] = 0.0
    mains_us: Annotated[float, Range(0, 10_000)] = 0.0

    @property
    def settings(self) -> LineSettings:
        """Rate and character format as the devices are set."""
        return LineSettings(self.baud, CharFormat.parse(self.format))


@dataclass(frozen=True, slots=True)
class TerminatorSpec:
    """A resistor across the pair."""

    position_m: Metres
    ohm: Annotated[float, Range(1, 1_000_000)] = 120.0


@dataclass(frozen=True, slots=True)
class BiasSpec:
    """A pull-up on the wire that is positive when idle and a pull-down on the other, `pull_ohm` each."""

    position_m: Metres
    pull_ohm: Annotated[float, Range(1, 1_000_000)] = 560.0
    supply_v: Annotated[float, Range(0, 24)] = 5.0


@dataclass(frozen=True, slots=True)
class BreakSpec:
    """A conductor that is open; `wire` says which."""

    position_m: Metres
    wire: WireName = "a"


@dataclass(frozen=True, slots=True)
class ShortSpec:
    """The two conductors touch each other."""

    position_m: Metres
    ohm: Annotated[float, Range(0.001, 1_000_000)] = 1.0


@dataclass(frozen=True, slots=True)
class LeakSpec:
    """A conductor touches ground, or something that is `ground_v` against the controller's ground."""

    position_m: Metres
    wire: Annotated[str, OneOf(("a", "b"))] = "a"
    ohm: Annotated[float, Range(0.001, 10_000_000)] = 1.0
    ground_v: Volts = 0.0


@dataclass(frozen=True, slots=True)
class TapSpec:
    """Where benchtool's adapter is clipped on."""

    position_m: Metres = 0.0
    reversed_pair: bool = False
    baud: Annotated[int, Range(50, 20_000_000)] | None = None
    format: FormatName | None = None
    threshold_v: Threshold | None = None


@dataclass(frozen=True, slots=True)
class Scenario:
    """An invented installation."""

    title: Name
    about: Annotated[str, Range(0, 1_000)]
    controller: ControllerSpec
    devices: tuple[DeviceSpec, ...]
    line: LineSpec = LineSpec()
    terminators: tuple[TerminatorSpec, ...] = ()
    biases: tuple[BiasSpec, ...] = ()
    breaks: tuple[BreakSpec, ...] = ()
    shorts: tuple[ShortSpec, ...] = ()
    leaks: tuple[LeakSpec, ...] = ()
    tap: TapSpec = TapSpec()
    second_controller: ControllerSpec | None = None
    duration_s: Seconds = 20.0
    seed: Annotated[int, Range(0, MOST_SEED)] = 1
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
