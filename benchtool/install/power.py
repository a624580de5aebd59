"""Power: network ports by their class, and how long a battery lasts.

Classes: sheet section 7 (IEEE 802.3 af, at, bt by secondary tables).
"""

from __future__ import annotations

from typing import NamedTuple

from benchtool.install.worked import Figure, Worked

USABLE = 0.8
"""Share of a lead battery's rated capacity to reckon with: age and a quick discharge take the rest
(common practice, no published source)."""
IN_THE_COLD = ((-15.0, 0.65), (0.0, 0.85), (25.0, 1.0))
"""Share of its capacity that a sealed lead battery gives at so many °C, discharged over many hours: as battery makers'
data sheets have it (from memory; the reference sheets have no table). Nothing is known here of colder ones."""


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


def share_at(celsius: float) -> float:
    """Share of a lead battery's capacity at a temperature, between the points of `IN_THE_COLD`.

    Colder than the coldest point: the share there, which is the most that can be left.
    """
    low, below = IN_THE_COLD[0]
    if celsius <= low:
        return below
    for high, above in IN_THE_COLD[1:]:
        if celsius <= high:
            return below + (above - below) * (celsius - low) / (high - low)
        low, below = high, above
    return below


def battery(
    capacity_ah: float,
    amps: float,
    usable: float = USABLE,
    wanted_h: float | None = None,
    celsius: float | None = None,
) -> Worked:
    """How long a battery feeds a steady load; at 25 °C if not said. ValueError where nothing is drawn."""
    if amps <= 0:
        raise ValueError("a load above 0 A is wanted")
    left = 1.0 if celsius is None else share_at(celsius)
    hours = capacity_ah * usable * left / amps
    inputs: tuple[Figure, ...]
    inputs = (Figure("capacity", capacity_ah, "Ah"), Figure("usable share", usable), Figure("load", amps, "A"))
    notes = "The maker's discharge table is better. Batteries lose capacity with age and in the cold."
    cold = ""
    if celsius is not None:
        inputs = (*inputs, Figure("left in the cold", left, f"at {celsius:g} °C"))
        notes = "The maker's discharge table is better. Batteries lose capacity with age."
        cold = ", share in the cold by battery makers' data sheets (from memory)"
    return Worked(
        Figure("lasts", hours, "h"),
        "lasts = capacity · usable share" + (" · left in the cold" if cold else "") + " / load",
        inputs,
        "charge over current; the usable share is common practice, no published source" + cold,
        None if wanted_h is None else Figure("wanted", wanted_h, "h"),
        None if wanted_h is None else hours >= wanted_h,
        (notes,),
    )
