"""Plain words beside each name of practice: what a learner reads who sees `ab-idle` for the first time."""

from __future__ import annotations

from benchtool.diagnose.card_readings import CARD_METER
from benchtool.diagnose.readings import ACTIONS, METER, MOST_OHM
from benchtool.diagnose.sights_known import SIGHTS

_SHORT: dict[str, str] = {
    "listen": "the probe on both lines, a card held to the reader",
    "ab-ohms": "ohms between the data wires at the controller",
    "ab-ohms-far": "ohms between the data wires at the far end",
    "a-ground-ohms": "ohms from the wire on our + lead to 0 V",
    "b-ground-ohms": "ohms from the wire on our - lead to 0 V",
    "ab-idle": "volts between the data wires while nobody talks",
    "a-idle": "volts from the wire on our + lead to 0 V, idle",
    "b-idle": "volts from the wire on our - lead to 0 V, idle",
    "ab-idle@": "volts between the data wires at one device, idle",
    "supply@": "volts of a device's supply, at its own terminals",
    "ground-volts@": "volts between a device's 0 V and the controller's",
    "d0-idle": "volts on D0, no card at the reader",
    "d1-idle": "volts on D1, no card at the reader",
    "d0-traffic": "lowest volts on D0 while a card is read, by scope",
    "d1-traffic": "lowest volts on D1 while a card is read, by scope",
    "d0-loaded": "volts on D0 with 10 kOhm to 0 V, no card",
    "ground-shift": "volts between the reader's 0 V and the controller's",
    "supply": "volts of the supply, at the reader's own terminals",
    "d0-ground-ohms": "ohms from the D0 core to 0 V, controller off it",
    "d1-ground-ohms": "ohms from the D1 core to 0 V, controller off it",
    "d0-loop-ohms": "ohms there and back, D0 and 0 V joined at the reader",
    "d1-loop-ohms": "ohms there and back, D1 and 0 V joined at the reader",
    "swap-clip": "the two leads of our own clip swapped",
    "swap-wires@": "the two data wires swapped at one device",
    "unplug@": "one device taken off the bus",
    "lower-baud": "everything set to a quarter of the bit rate",
    "printed": "the reads beside the numbers printed on the cards",
    "address": "the address of the dead reader",
    "length": "the pair's length in metres",
}
_HOWS = {one.name: one.how for one in (*METER, *CARD_METER)} | {one.name: one.how for one in ACTIONS}
_ASKED = {sight.name: sight.ask for sight in SIGHTS}
_NAME, _MINUTES = 16, 7
_KILO = 999.5
_LEAST_V = 0.0005
"""Less is a meter's last digit."""


def short(name: str) -> str:
    """What a name is about, in a few words; `@` or an address behind it makes no difference."""
    base, at, _ = name.partition("@")
    kind = base + at
    said = _SHORT.get(kind) or _ASKED.get(kind) or _HOWS.get(kind, "")
    return said.format(place="the device")


def reading_words(name: str, value: float, unit: str) -> str:
    """A reading with its name, as a meter shows it: `ab-idle 0.155 V`, `d0-ground-ohms 67.7 kohm`."""
    return f"{name} {shown(value, unit)}"


def shown(value: float, unit: str) -> str:
    """What a meter of three digits shows, in `ohm` or `V`: 57.7 ohm, 67.7 kohm, open; 12.4 V, 0.155 V, 0.00 V."""
    if unit == "ohm":
        if value >= MOST_OHM:
            return "open"
        thousands = value >= _KILO
        return f"{_digits(value / 1e3 if thousands else value)} {'kohm' if thousands else 'ohm'}"
    return f"{_digits(value) if abs(value) >= _LEAST_V else '0.00'} {unit}"


def _digits(value: float) -> str:
    """Three digits, as after a range switch, and never more than three behind the point."""
    size = abs(value)
    return f"{value:.{0 if size >= 99.95 else 1 if size >= 9.995 else 2 if size >= 0.9995 else 3}f}"


def row(name: str, minutes: float, words: str | None = None) -> str:
    """A line of a list: the name as it is typed, about how long it takes, what it is."""
    return f"{name:{_NAME}}  {f'{minutes:g} min':{_MINUTES}}  {short(name) if words is None else words}"
