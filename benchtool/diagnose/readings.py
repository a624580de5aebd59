"""What was measured by hand: a multimeter's readings, figures of a waveform, what an action brought.

Each kind says how it is taken, what it costs in time, and how far two readings of one thing may lie apart. Ohms are
compared by their logarithm, everything else as it is.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field

UNPOWERED = (
    "Take power off the whole bus first, and warn the users: doors may unlock or stay locked. Escape routes must stay "
    "open; follow local codes, and leave mains work to licensed people."
)
STOPPED = "While polling is stopped, doors may not answer: warn the users, and start it again."
LIVE = "Devices stay powered for this: touch nothing but the signal terminals, and keep off mains parts."
EARTH = (
    "Use one hand and insulated probes, and look at AC volts as well. Tens of volts, or AC, can be an earth fault: "
    "touch nothing more, and call an electrician. Do not join the two commons."
)
SUPPLY = "The supply is live: touch its terminals with the probes only, and leave mains parts to licensed people."
DOORS = "A released lock opens a door. Keep escape routes clear, and people informed."

MOST_OHM = 1e6
"""What counts as open."""
_MOST_METER_OHM = 1e9
"""More than handheld meters show (common practice): a slip of the finger, never a reading."""
_LEADS_OHM = 0.3
"""What leads and contacts add or leave open (common practice)."""
MOST_ADDRESS = 255
_MOST_VOLTS = 1000.0
"""More is a slip of the finger: no such voltage belongs near a bus."""


_DANGEROUS_V = 50.0
"""More than any extra-low voltage supply of these devices has (common practice: 12 or 24 V)."""


class ReadingError(ValueError):
    """A reading that cannot be taken as given; one line with the mend."""


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of reading."""

    name: str
    unit: str
    how: str
    """What to do, in words; `{place}` stands for the device."""
    minutes: float
    """About how long it takes somebody who is there already (a judgement)."""
    relative: float
    """Standard deviation: this share of the reading …"""
    absolute: float
    """… and this much, in the unit (ohms: as a share too, see `scale`)."""
    caution: str = ""
    at_device: bool = False
    power_off: bool = False
    scope: bool = False

    def scale(self, value: float) -> float:
        """The reading on the scale that it is compared on."""
        if self.unit == "ohm":
            return math.log10(min(MOST_OHM, max(0.1, value)))
        return value

    def spread(self, value: float) -> float:
        """Standard deviation on that scale."""
        if self.unit == "ohm":
            return math.hypot(self.relative, _LEADS_OHM / max(_LEADS_OHM, value)) / math.log(10)
        return math.hypot(self.relative * value, self.absolute)


def _ohms(name: str, how: str, minutes: float = 8.0, *, at_device: bool = False) -> Kind:
    return Kind(name, "ohm", how, minutes, 0.08, 0.0, UNPOWERED, at_device, power_off=True)


def _volts(
    name: str, how: str, minutes: float, absolute: float, caution: str = LIVE, *, at_device: bool = False
) -> Kind:
    return Kind(name, "V", how, minutes, 0.05, absolute, caution, at_device)


METER: tuple[Kind, ...] = (
    _ohms(
        "ab-ohms",
        "With power off, measure ohms between the two data wires at the controller's end of the pair",
    ),
    _ohms(
        "ab-ohms-far",
        "With power off, measure ohms between the two data wires at the far end of the pair",
        10.0,
    ),
    _ohms(
        "a-ground-ohms",
        "With power off, measure ohms from the data wire on our + lead to the common wire (0 V) at the controller",
    ),
    _ohms(
        "b-ground-ohms",
        "With power off, measure ohms from the data wire on our - lead to the common wire (0 V) at the controller",
    ),
    _volts(
        "ab-idle",
        "Where we are clipped on, bus powered and polling stopped, measure DC volts: red probe on our + lead, black "
        "probe on our - lead",
        2.0,
        0.01,
        f"{LIVE} {STOPPED}",
    ),
    _volts(
        "a-idle",
        "Where we are clipped on, polling stopped, measure DC volts: red probe on our + lead, black probe on the "
        "common wire",
        1.0,
        0.15,
        f"{LIVE} {STOPPED}",
    ),
    _volts(
        "b-idle",
        "Where we are clipped on, polling stopped, measure DC volts: red probe on our - lead, black probe on the "
        "common wire",
        1.0,
        0.15,
        f"{LIVE} {STOPPED}",
    ),
    _volts(
        "ab-idle@",
        "At {place}, bus powered and polling stopped, measure DC volts: red probe on its A terminal, black on its "
        "B terminal (A: the terminal that is positive at devices that work, whichever wire is in it)",
        5.0,
        0.01,
        f"{LIVE} {STOPPED}",
        at_device=True,
    ),
    _volts(
        "supply@",
        "At {place}, if it is a 12 or 24 V device, measure its supply at its own terminals while a card is held to it "
        "or the lock is released",
        5.0,
        0.4,
        f"{SUPPLY} {DOORS}",
        at_device=True,
    ),
    _volts(
        "ground-volts@",
        "Measure DC volts between the common wire at {place} and the common wire at the controller (a long lead, or "
        "the 0 V core of the cable)",
        6.0,
        0.3,
        EARTH,
        at_device=True,
    ),
)


@dataclass(frozen=True, slots=True)
class Action:
    """Something to try; it brings a change for the better or not."""

    name: str
    how: str
    minutes: float
    expect: tuple[str, str]
    """What it means if it gets better, and if it does not."""
    caution: str = ""
    at_device: bool = False


ACTIONS: tuple[Action, ...] = (
    Action(
        "swap-clip",
        "Swap the two leads of our own clip, and listen again for 20 seconds",
        1.0,
        ("frames come sound: our clip was reversed; nothing on the bus needs touching", "no change: put them back"),
        LIVE,
    ),
    Action(
        "swap-wires@",
        "Swap the two data wires at {place} only, and listen again for 20 seconds",
        6.0,
        ("it answers now: they were reversed; leave it so, correct the drawing", "still silent: put them back"),
        LIVE,
        at_device=True,
    ),
    Action(
        "unplug@",
        "Unplug the bus from {place}, and listen again for 20 seconds",
        6.0,
        ("the rest is well now: that device or its cable spoils the bus", "no change: plug it in again"),
        f"{LIVE} Its door may not answer meanwhile: warn the users.",
        at_device=True,
    ),
    Action(
        "lower-baud",
        "Set controller, devices and benchtool to a quarter of the bit rate, and listen again",
        25.0,
        ("errors gone: reflections or too long a line for the rate", "errors stay: noise, a bad joint or a bad driver"),
        "While rates differ, doors may not answer: do it when the building is not in use.",
    ),
)

_KINDS = {kind.name: kind for kind in METER}
_ACTIONS = {action.name: action for action in ACTIONS}
_AT = re.compile(r"(?P<kind>[a-z-]+)(?:@(?P<address>[0-9]{1,3}))?\Z")
_NUMBER = re.compile(
    r"\s*([+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?)\s*([kKmM]?)\s*(ohms?|\u03a9|\u2126|V|v)?\s*\Z"
)


HERE = "here"
"""In place of an address: the reader that one stands before."""


def _named(kind: str, address: int | None) -> str:
    place = HERE if kind.endswith("@") else ""
    return f"{kind}{place if address is None else address}"


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading: `kind` with an `@` at its end is of the device at `address`."""

    kind: str
    value: float
    address: int | None = None

    @property
    def name(self) -> str:
        """As it is typed: `ab-idle@5`; `supply@here` of a reader whose address nobody knows."""
        return _named(self.kind, self.address)

    def text(self) -> str:
        """For people."""
        kind = _KINDS.get(self.kind)
        if kind is None:
            return f"{self.name} {self.value:.4g}"
        if kind.unit == "ohm" and self.value >= MOST_OHM:
            return f"{self.name} open"
        return f"{self.name} {self.value:.4g} {kind.unit}"


@dataclass(frozen=True, slots=True)
class Tried:
    """What an action brought."""

    action: str
    better: bool
    address: int | None = None

    @property
    def name(self) -> str:
        """As it is typed, without the outcome."""
        return self.action if self.address is None else f"{self.action}{self.address}"


@dataclass(frozen=True, slots=True)
class Seen:
    """What a person saw or looked up (`sights`): `sight` with an `@` at its end is of the device at `address`."""

    sight: str
    answer: str
    address: int | None = None

    @property
    def name(self) -> str:
        """As it is kept: `reader@4`; `reader@here` of a reader whose address nobody knows."""
        return _named(self.sight, self.address)


@dataclass(frozen=True, slots=True)
class ByHand:
    """Everything that was measured and tried."""

    readings: tuple[Reading, ...] = ()
    tried: tuple[Tried, ...] = ()
    scope: dict[str, float] = field(default_factory=dict)
    """Figures of a waveform by name."""
    seen: tuple[Seen, ...] = ()

    def __add__(self, other: ByHand) -> ByHand:
        """Both; of a reading taken twice the later one counts."""
        readings = {reading.name: reading for reading in (*self.readings, *other.readings)}
        tried = {one.name: one for one in (*self.tried, *other.tried)}
        seen = {one.name: one for one in (*self.seen, *other.seen)}
        scope = {**self.scope, **other.scope}
        return ByHand(tuple(readings.values()), tuple(tried.values()), scope, tuple(seen.values()))

    def without(self, name: str) -> ByHand:
        """The same without the reading or action of that name (`ab-idle@5`)."""
        readings = tuple(one for one in self.readings if one.name != name)
        return ByHand(readings, tuple(one for one in self.tried if one.name != name), self.scope, self.seen)


def kind_of(name: str) -> Kind:
    """The kind by name; KeyError if there is none."""
    return _KINDS[name]


def action_of(name: str) -> Action:
    """The action by name; KeyError if there is none."""
    return _ACTIONS[name]


def parse_reading(text: str) -> Reading:
    """`ab-ohms=61`, `ab-idle@5=-0.23`, `ab-ohms=open`, `a-ground-ohms=120k`; ReadingError with the mend."""
    name, equals, value = text.partition("=")
    kind, address = _place(name.strip(), equals, _KINDS, "reading", "ab-ohms=61 or ab-idle@5=0.24")
    if value.strip().lower() in ("open", "ol", "inf"):
        if _KINDS[kind].unit != "ohm":
            raise ReadingError(f"{text}: only ohms can be open; give volts as a number")
        return Reading(kind, MOST_OHM, address)
    match = _NUMBER.match(value.replace("\u2212", "-"))  # a minus sign pasted from a text
    if match is None:
        instead = f", not '{value.strip()}'" if value.strip() else ""
        raise ReadingError(f"{name.strip()}: a number is wanted, such as 61, 0.24 or 120k{instead}")
    unit = _KINDS[kind].unit
    given = "V" if match[3] in ("v", "V") else "ohm" if match[3] else unit
    if given != unit:
        raise ReadingError(f"{text}: {kind.removesuffix('@')} is in {unit}, not {given}")
    factor = {"": 1.0, "k": 1e3, "K": 1e3, "M": 1e6, "m": 1e-3}[match[2]]
    number = float(match[1].replace(",", ".")) * factor
    if unit == "ohm" and not 0 <= number <= _MOST_METER_OHM:
        raise ReadingError(f"{text}: 0 ohm or more is wanted; open, if the meter shows that it is")
    if unit == "V" and _DANGEROUS_V < abs(number) <= 1000:
        raise ReadingError(
            f"{text}: STOP, touch nothing: such a voltage does not belong on a bus and may be mains; keep others away, "
            "have the supply switched off and looked at by licensed people"
        )
    if unit == "V" and not abs(number) <= _MOST_VOLTS:
        raise ReadingError(f"{text}: volts are wanted, such as 0.24 or 240m")
    return Reading(kind, min(number, MOST_OHM) if unit == "ohm" else number, address)


def parse_tried(text: str) -> Tried:
    """`swap-clip=better`, `unplug@5=same`; ReadingError with the mend."""
    name, equals, value = text.partition("=")
    action, address = _place(name.strip(), equals, _ACTIONS, "action", "swap-clip=better or unplug@5=same")
    word = value.strip().lower()
    if word not in ("better", "same"):
        raise ReadingError(f"{text}: better or same is wanted after =")
    return Tried(action, word == "better", address)


def _place(
    name: str, equals: str, known: dict[str, Kind] | dict[str, Action], what: str, example: str
) -> tuple[str, int | None]:
    match = _AT.match(name.lower())
    if match is None or not equals:
        raise ReadingError(f"{name!r}: {'an' if what[0] in 'aeiou' else 'a'} {what} looks like {example}")
    kind = match["kind"]
    if match["address"] is None:
        if kind in known:
            return kind, None
        if f"{kind}@" in known:
            raise ReadingError(f"{name}: say at which address, such as {kind}@5")
    elif f"{kind}@" in known:
        if int(match["address"]) > MOST_ADDRESS:
            raise ReadingError(f"{name}: addresses go up to {MOST_ADDRESS}")
        return f"{kind}@", int(match["address"])
    elif kind in known:
        raise ReadingError(f"{name}: {kind} is not of one device; leave out @{match['address']}")
    names = ", ".join(one.replace("@", "@ADDRESS") for one in known)
    raise ReadingError(f"{name}: no such {what}; there are {names}")
