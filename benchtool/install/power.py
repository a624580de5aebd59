"""Power: network ports by their class, and how long a battery lasts.

Classes: sheet section 7 (IEEE 802.3 af, at, bt by secondary tables).
"""

from __future__ import annotations

from typing import NamedTuple

from benchtool.install.worked import Figure, Worked

USABLE = 0.8
"""Share of a lead battery's rated capacity to reckon with: age, cold and a quick discharge take the rest
(common practice, no published source)."""


class PortClass(NamedTuple):
    """What a class of network power gives. Watts."""

    port_w: float
    """At the port."""
    device_w: float
    """At the device, behind 100 m of cable."""
    type: int


CLASSES: dict[int, PortClass] = {
    0: PortClass(15.4, 12.95, 1),
    1: PortClass(4.0, 3.84, 1),
    2: PortClass(7.0, 6.49, 1),
    3: PortClass(15.4, 12.95, 1),
    4: PortClass(30.0, 25.5, 2),
    5: PortClass(45.0, 40.0, 3),
    6: PortClass(60.0, 51.0, 3),
    7: PortClass(75.0, 62.0, 4),
    8: PortClass(90.0, 71.3, 4),
}


def network_power(poe_class: int, needed_w: float) -> Worked:
    """Whether a device that needs so many watts can be fed by a port of a class. KeyError for an unknown class."""
    port = CLASSES[poe_class]
    fits = needed_w <= port.device_w
    return Worked(
        Figure("needed", needed_w, "W"),
        "needed ≤ what the class leaves at the device",
        (Figure("class", poe_class), Figure("at the port", port.port_w, "W")),
        "IEEE 802.3 (af, at, bt) power classes",
        Figure("at the device", port.device_w, "W"),
        fits,
        () if fits else (_more(needed_w),),
    )


def _more(needed_w: float) -> str:
    least = least_class(needed_w)
    return "No class feeds so much." if least is None else f"The lowest class that feeds so much is class {least}."


def least_class(needed_w: float) -> int | None:
    """The lowest class that feeds so many watts, class 0 aside; None where none does."""
    return next((number for number, port in CLASSES.items() if number and needed_w <= port.device_w), None)


def battery(capacity_ah: float, amps: float, usable: float = USABLE, wanted_h: float | None = None) -> Worked:
    """How long a battery feeds a steady load. ValueError where nothing is drawn."""
    if amps <= 0:
        raise ValueError("a load above 0 A is wanted")
    hours = capacity_ah * usable / amps
    return Worked(
        Figure("lasts", hours, "h"),
        "lasts = capacity · usable share / load",
        (Figure("capacity", capacity_ah, "Ah"), Figure("usable share", usable), Figure("load", amps, "A")),
        "charge over current; the usable share is common practice, no published source",
        None if wanted_h is None else Figure("wanted", wanted_h, "h"),
        None if wanted_h is None else hours >= wanted_h,
        ("The maker's discharge table is better. Batteries lose capacity with age and in the cold.",),
    )
