"""The end of a hunt: the cause, or what is left; what is ruled out; whom to call; and what each answer taught."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.hunt_choose import State
from benchtool.diagnose.priors import PRIORS

RULED_OUT = 0.005
"""A cause less probable than this, and several times less than before anything was known, is ruled out."""
_TIMES_LESS = 4.0
FOUND = 0.75
"""From here on the cause counts as found."""
_LEFT = 0.05
_MOVED = 0.05
_MOST_TOLD = 3

INSTALLER = "whoever laid the cable: wires, joints, terminators and bias are theirs"
SUPPLIER = "the supplier of the device, for a replacement"
CONFIGURES = "whoever configures the controller: addresses, rates and polling are set there"
ELECTRICIAN = "an electrician: supplies, earths and loads on mains are for licensed people"
NOBODY = "nobody: it is our own clip or setting"

CALLS: dict[Cause, str] = {
    **dict.fromkeys(
        (
            Cause.REVERSED_AT_DEVICE,
            Cause.CONDUCTOR_OPEN,
            Cause.PAIR_SHORTED,
            Cause.CONDUCTOR_TO_GROUND,
            Cause.TERMINATOR_MISSING_ONE,
            Cause.TERMINATOR_MISSING_BOTH,
            Cause.TERMINATOR_EXCESS,
            Cause.TERMINATOR_MISPLACED,
            Cause.BIAS_MISSING,
            Cause.BIAS_WEAK,
            Cause.STUB_TOO_LONG,
            Cause.BUS_OVERLOADED,
            Cause.LINE_TOO_LONG,
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


def ending(state: State) -> Ending:
    """Of where a hunt stands."""
    ranked = sorted(state.shown.items(), key=lambda item: -item[1])
    left = [(cause, share) for cause, share in ranked if share >= _LEFT or cause in state.group]
    left = left or ranked[:1]
    present = state.belief.present()
    total = sum(PRIORS.values())
    named = {cause for cause, _ in left}
    out = tuple(
        cause
        for cause, share in present.items()
        if share < RULED_OUT
        and share * _TIMES_LESS < PRIORS[cause] / total
        and cause not in named
        and cause not in (Cause.HEALTHY, Cause.NONE_OF_THESE)
    )
    found = ranked[0][1] >= FOUND and not state.group
    calls = tuple(dict.fromkeys(CALLS[cause] for cause, _ in (left[:1] if found else left)))
    return Ending(found, tuple(left), out, calls)


def learned(before: Mapping[str, float], after: Mapping[str, float]) -> tuple[tuple[str, float, float], ...]:
    """Which causes an answer moved: before and after, the most moved first; empty where it moved none."""
    # Data lines list no cause that is hardly possible: it counts as none.
    pairs = [(cause, before.get(cause, 0.0), after.get(cause, 0.0)) for cause in {**before, **after}]
    moves = [one for one in pairs if abs(one[2] - one[1]) >= _MOVED]
    return tuple(sorted(moves, key=lambda move: -abs(move[2] - move[1]))[:_MOST_TOLD])
