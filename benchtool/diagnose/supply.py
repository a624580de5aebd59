"""A device's supply as it was measured at its own terminals: whether it is too low, and what to do about it."""

from __future__ import annotations

from collections.abc import Iterable

from benchtool.diagnose.readings import Reading

LEAST_SUPPLY_V = 10.8
"""Below this a 12 V device may not work (common practice); a 24 V device even less."""
_NONE_V = 1.0


def no_supply(one: Reading) -> bool:
    """Whether what was measured at a device is no supply at all."""
    return abs(one.value) < _NONE_V


def low_supply(readings: Iterable[Reading]) -> Reading | None:
    """The lowest supply measured at a device that is too low for it; None where none is."""
    low = [one for one in readings if one.kind == "supply@" and abs(one.value) < LEAST_SUPPLY_V]
    return min(low, key=lambda one: abs(one.value), default=None)


def supply_words(reading: Reading) -> tuple[str, str]:
    """What a supply that is too low is, and what to do about it."""
    at = "the reader" if reading.address is None else f"address {reading.address}"
    if no_supply(reading):
        said = f"No supply arrives at {at}: {reading.value:g} V was measured there."
        where = "its fuse, its power supply's output, the supply cores and their terminals"
    else:
        said = (
            f"The supply at {at} is low: {reading.value:g} V was measured there, and a 12 V device usually wants "
            f"{LEAST_SUPPLY_V:g} V or more (common practice)."
        )
        where = "the power supply's output and load, then the length and section of the supply cores, and their joints"
    do = f"Follow the supply from {at} back: {where}. The mains side is for an electrician."
    return said, do
