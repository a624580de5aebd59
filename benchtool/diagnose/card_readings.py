"""What is measured by hand at a reader's lines, with a multimeter or a scope: how, what it costs in time, how exactly.

All voltages are against the controller's 0 V unless the words say otherwise. What each reads on sound lines follows
from the circuit (`wire/card_line.py`), not from a table here.
"""

from __future__ import annotations

import math
import re
from typing import NamedTuple

from benchtool.diagnose.readings import MOST_OHM, Kind, ReadingError

_LIVE = "Reader and controller stay powered for this: touch nothing but the signal terminals, and keep off mains parts."
_SUPPLY = "The supply is live: touch its terminals with the probes only, and leave mains parts to licensed people."
_POWER_OFF = (
    "Take power off controller and reader first, and warn the users: a door may unlock or stay locked. Escape routes "
    "must stay open; follow local codes, and leave mains work to licensed people."
)
_DOORS = "A card that is accepted opens the door: keep it in sight, and escape routes clear."
_DANGEROUS_V = 30.0
"""No supply of a reader has more (common practice: 5 to 24 V, 28 V where a battery is charged), and no data line."""


def _volts(name: str, how: str, minutes: float, absolute: float, caution: str = _LIVE) -> Kind:
    return Kind(name, "V", how, minutes, 0.02, absolute, caution)


def _ohms(name: str, how: str, minutes: float) -> Kind:
    return Kind(name, "ohm", how, minutes, 0.08, 0.0, _POWER_OFF, power_off=True)


CARD_METER: tuple[Kind, ...] = (
    _volts("d0-idle", "No card at the reader: measure DC volts from D0 to 0 V at the controller's terminals", 1.0, 0.1),
    _volts("d1-idle", "No card at the reader: measure DC volts from D1 to 0 V at the controller's terminals", 1.0, 0.1),
    _volts(
        "d0-traffic",
        "With a scope at the controller, read the lowest voltage on D0 while a card is held to the reader (a common "
        "multimeter is too slow for pulses of 50 us)",
        5.0,
        0.1,
        f"{_LIVE} {_DOORS}",
    ),
    _volts(
        "d1-traffic",
        "With a scope at the controller, read the lowest voltage on D1 while a card is held to the reader (a common "
        "multimeter is too slow for pulses of 50 us)",
        5.0,
        0.1,
        f"{_LIVE} {_DOORS}",
    ),
    _volts(
        "d0-loaded",
        "No card at the reader: hold a 10 kOhm resistor from D0 to 0 V at the controller's terminals, and measure DC "
        "volts across it",
        3.0,
        0.1,
    ),
    _volts(
        "ground-shift",
        "Measure DC volts between the reader's 0 V and the controller's 0 V while a card is held to the reader (a long "
        "lead, or a spare core)",
        5.0,
        0.05,
        "Use one hand and insulated probes, and look at AC volts as well. Tens of volts, or AC, can be an earth fault: "
        "touch nothing more, and call an electrician.",
    ),
    _volts(
        "supply",
        "Measure the supply at the reader's own terminals while a card is held to it and the lock is released",
        4.0,
        0.2,
        f"{_SUPPLY} {_DOORS}",
    ),
    _ohms(
        "d0-ground-ohms",
        "With power off and D0 taken off the controller, measure ohms from the D0 core to 0 V",
        7.0,
    ),
    _ohms(
        "d1-ground-ohms",
        "With power off and D1 taken off the controller, measure ohms from the D1 core to 0 V",
        7.0,
    ),
    _ohms(
        "d0-loop-ohms",
        "With power off, join the D0 and 0 V cores at the reader (reader taken off), and measure ohms between them at "
        "the controller (controller taken off)",
        12.0,
    ),
    _ohms(
        "d1-loop-ohms",
        "With power off, join the D1 and 0 V cores at the reader (reader taken off), and measure ohms between them at "
        "the controller (controller taken off)",
        12.0,
    ),
)
"""Everything that can be given, in the order of `--meter` help."""

_KINDS = {kind.name: kind for kind in CARD_METER}
_NUMBER = re.compile(r"\s*([+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+))\s*([kKmM]?)\s*(ohms?|\u03a9|\u2126|V|v)?\s*\Z")


class CardMeterReading(NamedTuple):
    """One reading."""

    kind: str
    value: float
    """Volts or ohms; `MOST_OHM` for open."""

    def text(self) -> str:
        """For people."""
        kind = _KINDS[self.kind]
        if kind.unit == "ohm" and self.value >= MOST_OHM:
            return f"{self.kind} open"
        return f"{self.kind} {self.value:.4g} {kind.unit}"


def card_kind(name: str) -> Kind:
    """The kind by name; KeyError if there is none."""
    return _KINDS[name]


def parse_card_reading(text: str) -> CardMeterReading:
    """`d0-idle=4.9`, `ground-shift=120m`, `d0-ground-ohms=open`; ReadingError, one line with the mend."""
    name, equals, value = text.partition("=")
    name = name.strip().lower()
    if not equals:
        raise ReadingError(f"{name!r}: a reading looks like d0-idle=4.9 or d0-ground-ohms=open")
    kind = _KINDS.get(name)
    if kind is None:
        raise ReadingError(f"{name}: no such reading at the data lines; there are {', '.join(_KINDS)}")
    if value.strip().lower() in ("open", "ol", "inf"):
        if kind.unit != "ohm":
            raise ReadingError(f"{name}: only ohms can be open; give volts as a number")
        return CardMeterReading(name, MOST_OHM)
    match = _NUMBER.match(value.replace("\u2212", "-"))  # a minus sign pasted from a text
    if match is None:
        raise ReadingError(f"{name}: a number is wanted after =, such as 4.9, 120m or 47k")
    given = "V" if match[3] in ("v", "V") else "ohm" if match[3] else kind.unit
    if given != kind.unit:
        raise ReadingError(f"{name} is in {kind.unit}, not {given}")
    number = float(match[1].replace(",", ".")) * {"": 1.0, "k": 1e3, "K": 1e3, "M": 1e6, "m": 1e-3}[match[2]]
    if kind.unit == "ohm" and not 0 <= number < math.inf:
        raise ReadingError(f"{name}: 0 ohm or more is wanted; open, if the meter shows that it is")
    if kind.unit == "V" and abs(number) > _DANGEROUS_V:
        raise ReadingError(
            f"{name}: if that is volts, STOP, touch nothing: such a voltage does not belong on a reader's lines and "
            "may be mains; keep others away, have the supply switched off and looked at by licensed people"
        )
    return CardMeterReading(name, min(number, MOST_OHM) if kind.unit == "ohm" else number)
