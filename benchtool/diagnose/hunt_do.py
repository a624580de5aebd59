"""What to do at the end of a hunt where its own readings say more than the advice for the cause.

Our own clip or setting comes before the reader; a supply that was measured comes before the device it feeds; and
where nothing was answered, nothing is known. The least supply of a 12 V device: common practice, as in `steps`.
"""

from __future__ import annotations

import shlex

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.hunt import Hunt
from benchtool.diagnose.hunt_answers import Conversation
from benchtool.diagnose.hunt_reader import LEAST_IDLE_V, measured_at, seen_at
from benchtool.diagnose.hunt_retune import OWN, format_found
from benchtool.diagnose.hunt_set_to import SET_TO_HERE
from benchtool.diagnose.readings import DOORS, LIVE, SUPPLY, UNPOWERED
from benchtool.diagnose.supply import LEAST_SUPPLY_V

_NOT_ASKED = ("address", SET_TO_HERE)
"""What is told, but is no evidence."""


def nothing_known(hunt: Conversation) -> bool:
    """Whether no question was answered that says anything of a cause."""
    return not any(one.text for one in hunt.answers if one.name not in _NOT_ASKED)


def own_setting(hunt: Hunt) -> bool:
    """Whether what was heard came through a wrong clip or setting of ours, so that it says nothing of the reader."""
    return hunt.observed.symptoms is not None and hunt.state.leader in OWN


def not_yet(hunt: Hunt) -> str:
    """What to say of the dead reader where our own clip or setting is wrong."""
    which = "keeps the reader dead" if hunt.address is None else f"keeps the reader at address {hunt.address} dead"
    return (
        f"What {which} is not known yet, and nothing is ruled out: what was heard came through this. Mend this first, "
        "then hunt again."
    )


def mend_first(hunt: Hunt) -> tuple[str, ...]:
    """How to put our own clip or setting right, with the command that hunts again."""
    observed, leader = hunt.observed, hunt.state.leader
    again = f"benchtool hunt {shlex.quote(hunt.tap)}"
    anew = "A recording cannot be listened to at another setting: record anew."
    if leader is Cause.REVERSED_AT_TAP:
        return ("Swap our clip's two leads.", f"Then hunt again: {again}")
    if leader is Cause.BAUD_WRONG:
        rate = observed.sender_baud
        if rate is None:
            return ("Read the rate off the controller's settings.", f"Then hunt again: {again} --baud RATE", anew)
        return (f"Hunt again at the rate found: {again} --baud {rate}", anew)
    form = format_found(observed)
    if form is not None:
        return (f"Hunt again with the format found: {again} --format {form}", anew)
    return ("Read parity and stop bits off the controller's settings.", f"Then hunt again: {again} --format 8E1", anew)


def replace_last(hunt: Hunt, place: str) -> tuple[str, ...]:
    """What to do about a silent device at a place (`address 4`): what was not found good yet, and only then replace it.

    Its settings come first: they cost nothing, and a device that is set wrong is as silent as a dead one.
    """
    counted, address = hunt.counted, _address_of(place)
    supply, idle = measured_at(counted, "supply@", address), measured_at(counted, "ab-idle@", address)
    swapped = any(one.action == "swap-wires@" and one.address == address for one in counted.by_hand.tried)
    todo, good = [], []
    if seen_at(counted, "settings@", address) == "listed":
        good.append("its settings")
    else:
        todo.append("Look how the device is set: address and bit rate, against the list (switches, label, settings).")
    if supply is not None and abs(supply) >= LEAST_SUPPLY_V:
        good.append(f"its supply ({supply:g} V)")
    else:
        todo += [f"Caution: {SUPPLY} {DOORS}", "Measure the device's supply at its own terminals."]
    if swapped or (idle is not None and idle > LEAST_IDLE_V):
        good.append("its data wires")
    else:
        todo += [f"Caution: {LIVE}", "Look at its data wires: the right way round, and tight in their terminals."]
    said = f"Found good already: {', '.join(good)}. " if good else ""
    last = "Only then replace the device." if todo else "Replace the device."
    return (*todo, f"Caution: {UNPOWERED}", said + last)


def clock_last(hunt: Hunt, place: str, advised: tuple[str, ...]) -> tuple[str, ...]:
    """The same for a device whose clock is off: another rate or format set there looks alike."""
    if seen_at(hunt.counted, "settings@", _address_of(place)) == "listed":
        return advised
    return ("Look how the device is set: bit rate and format, against the list (switches, label, settings).", *advised)


def _address_of(place: str) -> int | None:
    """The address of a finding's place; None for the reader that one stands before."""
    number = place.removeprefix("address ")
    return int(number) if number.isdigit() else None
