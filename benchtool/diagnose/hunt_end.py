"""The end of a hunt: the cause, or what is left; what is ruled out; whom to call; and what each answer taught."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchtool.diagnose import draws
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.hunt import Hunt
from benchtool.diagnose.hunt_answers import FOUND, Conversation
from benchtool.diagnose.hunt_do import own_setting
from benchtool.diagnose.hunt_question import Answer
from benchtool.diagnose.hunt_reader import contradicted
from benchtool.diagnose.hunt_set_to import set_to_todo
from benchtool.diagnose.hunt_silence import nobody_polls
from benchtool.diagnose.hunt_subject import SILENT_FAULTS
from benchtool.diagnose.model import INDEX, all_sets
from benchtool.diagnose.priors import PRIORS
from benchtool.diagnose.state import believed
from benchtool.diagnose.supply import low_supply

RULED_OUT = 0.005
"""A cause less probable than this, and several times less than before anything was known, is ruled out, if the
evidence is as many times less likely with it beside what was found than without it."""
_TIMES_LESS = 4.0
LEFT = 0.05
"""From here on a cause is still possible."""
_IN_PLAY = 0.01
"""Sets of causes from this probability on have to explain the readings."""
_ODD = 4.0
"""A reading so many of a meter's errors off every worked line is odd (judgement: a meter's own slip is rarely so far
off, and lines are many)."""
_WEIGHTY = 0.3
"""An answer that changes the odds of the leading cause by less than this (log10: a factor of two) is not told."""
_SHOWS = 0.01
"""Nor one that changes its probability by less than this."""
_MOST_WEIGHED = 4
_HARDLY = 1e-4
_MOVED = 0.05
_MOST_TOLD = 3

INSTALLER = "whoever laid the cable: wires, joints, terminators and bias are theirs"
SUPPLIER = "the supplier of the device, for a replacement"
CONFIGURES = "whoever configures the controller: addresses, rates and polling are set there"
ELECTRICIAN = "an electrician: supplies, earths and loads on mains are for licensed people"
NOBODY = "nobody yet: it is our own clip or setting"

CALLS: dict[Cause, str] = {
    **dict.fromkeys(
        (
            Cause.REVERSED_AT_DEVICE,
            Cause.CONDUCTOR_OPEN,
            Cause.PAIR_SHORTED,
            Cause.CONDUCTOR_TO_GROUND,
            *SILENT_FAULTS,
        ),
        INSTALLER,
    ),
    **dict.fromkeys(
        (
            Cause.GROUND_OFFSET,
            Cause.NOISE_BROADBAND,
            Cause.NOISE_IMPULSIVE,
            Cause.NOISE_MAINS,
            Cause.DEVICE_RESETTING,
        ),
        ELECTRICIAN,
    ),
    **dict.fromkeys(
        (Cause.CLOCK_OFF, Cause.DEVICE_SILENT, Cause.DRIVER_HELD_LATE, Cause.SEQUENCE_FAULTS, Cause.DEVICE_SLOW),
        SUPPLIER,
    ),
    **dict.fromkeys((Cause.ADDRESS_DUPLICATE, Cause.TWO_CONTROLLERS, Cause.NONE_OF_THESE), CONFIGURES),
    **dict.fromkeys((Cause.REVERSED_AT_TAP, Cause.BAUD_WRONG, Cause.FORMAT_WRONG), NOBODY),
    Cause.HEALTHY: "nobody, while all is well",
}
"""Whom to call where the person cannot mend it (common practice)."""


@dataclass(frozen=True, slots=True)
class Ending:
    """How a hunt ended."""

    found: bool
    """Whether one cause, or none at all, stands out."""
    causes: tuple[tuple[Cause, float], ...]
    """What is left, most probable first, as shown."""
    ruled_out: tuple[Cause, ...]
    call: tuple[str, ...]


def ending(hunt: Hunt) -> Ending:
    """Of where a hunt stands."""
    state = hunt.state
    ranked = sorted(state.shown.items(), key=lambda item: -item[1])
    left = [(cause, share) for cause, share in ranked if share >= LEFT or cause in state.group]
    left = left or ranked[:1]
    named = {cause for cause, _ in left}
    out = () if own_setting(hunt) or nobody_polls(hunt.observed) else _ruled_out(hunt, named)
    found = ranked[0][1] >= FOUND and not state.group
    # Two can be found at once.
    call = [CALLS[cause] for cause, share in left if not found or share >= FOUND]
    if (hunt.unexplained or hunt.confirmed) and beyond(hunt):
        call = [CONFIGURES, *(CALLS[cause] for cause, share in left if share >= FOUND and cause is not Cause.HEALTHY)]
    if nobody_polls(hunt.observed):
        call = [ELECTRICIAN, CONFIGURES]
    elif own_setting(hunt):
        call = [NOBODY]
    elif hunt.state.leader in (Cause.BAUD_WRONG, Cause.FORMAT_WRONG):
        call = [CONFIGURES]  # it is a device that is set otherwise: nothing of ours is clipped on
    if hunt.unasked and beyond(hunt):
        call = [CONFIGURES, *(CALLS[cause] for cause, share in left if share >= FOUND and cause is not Cause.HEALTHY)]
    if set_to_todo(hunt.observed, hunt.address):
        call = [CONFIGURES]
    if low_supply(hunt.counted.by_hand.readings) is not None:
        call = [ELECTRICIAN, *(one for one in call if one not in (SUPPLIER, CALLS[Cause.HEALTHY]))]
    return Ending(found, tuple(left), out, tuple(dict.fromkeys(call)))


def _ruled_out(hunt: Hunt, named: Collection[Cause]) -> tuple[Cause, ...]:
    """Causes that evidence speaks against by itself. What is only explained away by the leader is not among them: it
    can be there beside it, and nothing was measured that would show it.
    """
    belief = hunt.state.belief
    # Octets that are right say little of what can be there while every octet is right: meter and eyes do.
    by_hand = believed(replace(hunt.counted, symptoms=None))
    present, total = belief.present(), sum(PRIORS.values())
    rows = {frozenset(members): row for row, members in enumerate(all_sets().members)}
    # Beside each cause that is left, which accounts for what was seen; in its place where the two cannot meet.
    left = [frozenset({one} & INDEX.keys()) for one in named]
    out = []
    for cause, share in present.items():
        if cause in named or cause in (Cause.HEALTHY, Cause.NONE_OF_THESE) or share >= RULED_OUT:
            continue
        alone = rows[frozenset((cause,))]
        pairs = ((rows[one], rows.get(one | {cause}, alone)) for one in left)
        logs = (by_hand if cause in SILENT_FAULTS else belief).log_likelihood
        falls = min(float(logs[without] - logs[row]) for without, row in pairs)
        if falls >= math.log(_TIMES_LESS) and share * _TIMES_LESS < PRIORS[cause] / total:
            out.append(cause)
    return tuple(sorted(out, key=lambda cause: -PRIORS[cause]))


def beyond(hunt: Hunt) -> str:
    """What to say of a reader that is told to be dead and is heard to live; empty where that is not so."""
    rows = [one for one in hunt.observed.addresses if one.address == hunt.address and one.requests]
    if not hunt.unexplained and not hunt.confirmed and not (hunt.unasked and not own_setting(hunt)):
        lives = bool(rows) and rows[0].answered >= _LIVES * rows[0].requests
        where = hunt.state.at.get(hunt.state.leader, {})
        if not (lives and where) or where.get(rows[0].address, 0.0) >= _HERE:
            return ""
        told = f"{rows[0].answered} of {rows[0].requests} requests to it were answered"
        return f"But it was address {hunt.address} that was told to be dead, and {told}: is it the right address?"
    if not rows:
        return (
            f"But nobody asks address {hunt.address}: the controller does not list it, or the reader has another "
            "address. Look there first."
        )
    if hunt.state.leader not in (Cause.HEALTHY, *SILENT_FAULTS) and not hunt.confirmed:
        return ""
    return (
        f"But a reader at address {hunt.address} is told to be dead, and on the bus it lives: {rows[0].answered} of "
        f"{rows[0].requests} requests to it were answered. Look beyond the bus: whether the card is known and its "
        "format is set, whether the door is set up for this reader, the lock and its supply; or it comes and goes: "
        "listen again when it does not work."
    )


def harmless(hunt: Hunt) -> str:
    """What to say where the leading cause was seen, but nothing that was heard suffers from it; else empty."""
    if hunt.state.leader not in SILENT_FAULTS or not hunt.heard_well:
        return ""
    return (
        "It was seen or measured, not heard: every exchange that was listened to went well, so that here and now it "
        "does no harm that shows. It is against the rules all the same."
    )


_LIVES, _HERE = 0.95, 0.2
"""A device lives that answers so many of its requests; a fault less probable than this there is elsewhere."""


@dataclass(frozen=True, slots=True)
class Weighed:
    """What one answer did to where it stands."""

    answer: Answer
    without: float
    """Probability of the cause if this had not been answered."""
    leader: str
    """The cause that would lead then."""


def weighed(hunt: Conversation, causes: Sequence[str]) -> dict[str, list[Weighed]]:
    """The answers that each of some causes rests on, or that speak against it, the weightiest first."""
    shares = hunt.shares()
    without = [(one, hunt.without(one)) for one in hunt.answers if one.text]
    found: dict[str, list[Weighed]] = {}
    for cause in causes:
        moves = []
        for one, others in without:
            share = others.get(cause, 0.0)
            leader = max(others, key=lambda name: others[name])
            moves.append((_log_odds(shares[cause]) - _log_odds(share), Weighed(one, share, leader)))
        moves.sort(key=lambda move: -abs(move[0]))
        told = [one for move, one in moves if abs(move) >= _WEIGHTY and abs(shares[cause] - one.without) >= _SHOWS]
        found[cause] = told[:_MOST_WEIGHED]
    return found


def _log_odds(share: float) -> float:
    share = min(max(share, _HARDLY), 1 - _HARDLY)
    return math.log10(share / (1 - share))


def odd(hunt: Hunt) -> tuple[str, ...]:
    """Readings, by name, that no worked line of a set in play comes near, or that cannot be beside what was heard: a
    slip, or something unthought of.
    """
    probability = hunt.state.belief.probability
    rows = np.flatnonzero(probability >= min(_IN_PLAY, float(probability.max())))
    strange = [one.name for one in hunt.counted.by_hand.readings if draws.load().off(one, rows) > _ODD]
    return (*contradicted(hunt.observed), *strange)


def learned(before: Mapping[str, float], after: Mapping[str, float]) -> tuple[tuple[str, float, float], ...]:
    """Which causes an answer moved: before and after, the most moved first; empty where it moved none."""
    # Data lines list no cause that is hardly possible: it counts as none.
    pairs = [(cause, before.get(cause, 0.0), after.get(cause, 0.0)) for cause in {**before, **after}]
    moves = [one for one in pairs if abs(one[2] - one[1]) >= _MOVED]
    return tuple(sorted(moves, key=lambda move: -abs(move[2] - move[1]))[:_MOST_TOLD])
