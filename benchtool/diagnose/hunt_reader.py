"""What counts for the reader that a hunt is about, and what is asked of it before anything else is weighed.

What was seen, measured and heard at another dead device tells of that device, not of this one. A reading that cannot be
beside what was heard (a short while all answer) counts for nothing until it is taken again. Judgements of this project.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import replace

from benchtool.diagnose.finding import Cause, Finding
from benchtool.diagnose.hunt_subject import heard_dead, row_of
from benchtool.diagnose.lean import MOST_HEARD, MOST_LOG, Lean
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.places import LEAST_REQUESTS, AtAddress, segment
from benchtool.diagnose.readings import HERE, ByHand
from benchtool.diagnose.state import State, mostly_damaged
from benchtool.diagnose.summaries import summary
from benchtool.diagnose.supply import LEAST_SUPPLY_V, no_supply

LEAST_IDLE_V = 0.2
"""The idle pair is held above it (sheet 1.1)."""
LIVES = 0.95
"""A device lives that answers so many of its requests."""
ENOUGH = 20
"""Fewer requests do not show who answers (judgement)."""
_SHORT_OHM = 7.0
"""Over so little nobody talks: the current of 1.5 V in 54 ohm leaves no 0.2 V for a receiver there (sheet 1.1)."""
_AFTER_REPLIES = 0.5
"""So many of the stray octets right after a reply's end look like a second one that answers too."""


def others_silent(observed: Observed, address: int | None) -> tuple[AtAddress, ...]:
    """The other devices that never answer, where the named one was heard to fail; each has its own cause."""
    if heard_dead(observed, address) is None:
        return ()
    return tuple(
        one for one in observed.addresses if one.address != address and one.never_answers and one.silent > one.damaged
    )


def of_reader(observed: Observed, address: int | None) -> Observed:
    """What counts for the named reader: without what is of other silent devices, and without impossible readings."""
    slips = contradicted(observed)
    for name in slips:
        observed = replace(observed, by_hand=observed.by_hand.without(name))
    if seen_at(observed, "still-answers@", address) == "yes" and address is not None:
        # It was seen here: that counts spread over the addresses made too little of it.
        asked = [one for one in observed.addresses if one.requests]
        said = f"address {address} is where it was seen that two have one address"
        lean = Lean(Cause.ADDRESS_DUPLICATE, min(MOST_LOG, math.log(max(1, len(asked)))), said, heard=True)
        observed = replace(observed, leans=(*observed.leans, lean))
    row = heard_dead(observed, address)
    if row is None:
        return observed
    others = {one.address for one in others_silent(observed, address)}
    hand = observed.by_hand
    kept = ByHand(
        tuple(one for one in hand.readings if one.address not in others),
        tuple(one for one in hand.tried if one.address not in others),
        hand.scope,
        tuple(one for one in hand.seen if one.address not in others),
    )
    told = {
        name: said
        for name, said in observed.told.items()
        if not any(said[0].startswith(f"address {one}:") for one in others)
    }
    leans = observed.leans
    if row.never_answers and row.silent > row.damaged:
        said = f"address {row.address}: none of {row.requests} requests answered: no sound bus does that to a device"
        leans = (*leans, Lean(Cause.HEALTHY, -MOST_HEARD, said, heard=True))
    return replace(
        observed,
        by_hand=kept,
        told=told,
        addresses=tuple(one for one in observed.addresses if one.address not in others),
        leans=leans,
    )


def contradicted(observed: Observed) -> dict[str, str]:
    """Readings, by name, that cannot be beside what was heard, each with why; they are not counted."""
    rows = [one for one in observed.addresses if one.requests]
    asked, answered = sum(one.requests for one in rows), sum(one.answered for one in rows)
    found: dict[str, str] = {}
    for one in observed.by_hand.readings:
        if asked >= ENOUGH and answered >= LIVES * asked:
            said = f"{answered} of {asked} requests were answered"
            if one.kind in ("ab-ohms", "ab-ohms-far") and one.value < _SHORT_OHM:
                found[one.name] = f"{said}, and nobody talks over such a short"
            elif one.kind == "ab-idle" and one.value < -LEAST_IDLE_V:
                found[one.name] = f"{said} and heard the right way round: the probes were swapped, or the sign is wrong"
        row = row_of(observed, one.address) if one.kind == "supply@" else None
        lives = row is not None and row.requests >= ENOUGH and row.answered >= LIVES * row.requests
        if row is not None and lives and no_supply(one):
            found[one.name] = f"address {one.address} answered {row.answered} of {row.requests} requests: it is fed"
    return found


def measured_at(observed: Observed, kind: str, address: int | None) -> float | None:
    """The last reading of a kind at a device; None where there is none."""
    told = [one.value for one in observed.by_hand.readings if one.kind == kind and one.address == address]
    return told[-1] if told else None


def seen_at(observed: Observed, sight: str, address: int | None) -> str:
    """The last answer to a sight at a device; empty where there is none."""
    told = [one.answer for one in observed.by_hand.seen if one.sight == sight and one.address == address]
    return told[-1] if told else ""


def dark_unfed(observed: Observed, done: Collection[str]) -> str | None:
    """The supply to be measured: that of a reader seen dark, before anything else is tried at it; else None."""
    for one in observed.by_hand.seen:
        if one.sight == "reader@" and one.answer == "dark":
            name = f"supply@{HERE if one.address is None else one.address}"
            if name not in done:
                return name
    return None


def first_look(observed: Observed, address: int | None, done: Collection[str]) -> str | None:
    """A look at the named reader that what was heard asks for at once, whatever else it may be; else None.

    What it does with a card, where it is silent: half a minute, and the person stands before it. Then its settings,
    where another address comes damaged: it may be set to that one. Whether it still answers unplugged, where it answers
    and something follows the replies: a second one may have its address.
    """
    row = row_of(observed, address)
    if row is None:
        return None
    spoilt = mostly_damaged(observed)
    silent = row.never_answers and row.silent > row.damaged
    if silent and f"reader@{address}" not in done:
        return f"reader@{address}"
    if silent and spoilt is not None and spoilt.address != address and f"settings@{address}" not in done:
        return f"settings@{address}"
    lives = row.answered >= LIVES * row.requests
    heard = observed.symptoms or {}
    second = row.collisions or (
        (heard.get("strays-after-reply") or 0.0) >= _AFTER_REPLIES and (heard.get("anything-wrong") or 0.0) > 0
    )
    if lives and second and f"still-answers@{address}" not in done:
        return f"still-answers@{address}"
    twice = seen_at(observed, "still-answers@", address) == "yes"
    return f"settings@{address}" if twice and f"settings@{address}" not in done else None


def before_replacing(observed: Observed, state: State, address: int | None, done: Collection[str]) -> str | None:
    """The settings to be looked at before a device is called dead or off its clock; None where that was asked, where
    it has no supply, or where another cause leads.
    """
    if state.leader not in (Cause.DEVICE_SILENT, Cause.CLOCK_OFF):
        return None
    where = state.at.get(state.leader, {})
    place = address if address is not None else max(where, key=lambda one: where[one], default=None)
    name = f"settings@{HERE if place is None else place}"
    supply = measured_at(observed, "supply@", place)
    fed = supply is None or abs(supply) >= LEAST_SUPPLY_V
    return name if fed and name not in done else None


def elsewhere(observed: Observed, address: int | None) -> AtAddress | None:
    """The address that never answers, where the one that was told does: perhaps the wrong one was told. Else None."""
    row = row_of(observed, address)
    if row is None or row.answered < LIVES * row.requests:
        return None
    dead = [one for one in observed.addresses if one.requests >= LEAST_REQUESTS and one.never_answers]
    return max(dead, key=lambda one: one.requests, default=None)


def placed_by_all(one: Finding, observed: Observed) -> Finding:
    """A finding, where a wire is open as all devices tell, not the named one alone: between which of them."""
    if one.cause is not Cause.CONDUCTOR_OPEN:
        return one
    place = segment(observed.addresses, observed.order)
    return replace(one, place=place, summary=summary(one.cause, place, observed))
