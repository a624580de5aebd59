"""A bus on which nobody polls, because its controller is dark: no cause of the catalogue, but the end of a hunt.

Nothing can be said of the reader until the controller lives; what to do first is its supply (common practice).
"""

from __future__ import annotations

from benchtool.diagnose.observed import Observed

POWER, _LAMPS = "controller-power", "controller"
"""Sights: where nothing was heard the first is asked for first, since silence mostly means that nobody talks."""


def _seen(observed: Observed, sight: str) -> str:
    """The last answer to a sight; empty where there is none."""
    told = [one.answer for one in observed.by_hand.seen if one.sight == sight]
    return told[-1] if told else ""


def nobody_polls(observed: Observed) -> bool:
    """Whether the controller was found dark, and nothing was heard that says otherwise."""
    if observed.octets:
        return False
    power = _seen(observed, POWER)
    return power == "dark" or (power == "lit" and _seen(observed, _LAMPS) == "dark")


def silence_words(observed: Observed) -> str:
    """What to say of it."""
    heard = "and nothing was heard on the bus" if observed.symptoms is not None else "and nothing was listened to"
    if _seen(observed, POWER) == "dark":
        return (
            f"The controller is silent: it has no light, or no supply at its terminals, {heard}. While nobody polls, "
            "no reader on this bus works, and nothing can be told of the reader itself."
        )
    return (
        f"The controller is silent: it has its supply, but the lamps of its bus port are dark, {heard}. It polls "
        "nobody: the port is off, or no device is listed on it. Nothing can be told of the reader itself."
    )


def silence_todo(observed: Observed, again: str) -> tuple[str, ...]:
    """What to do about it; `again`: the command that hunts again."""
    if _seen(observed, POWER) == "dark":
        first: tuple[str, ...] = (
            "Measure DC volts at the controller's own supply terminals, and follow the supply back: the terminals, the "
            "fuse, the battery, the power supply's output. The mains side is for an electrician.",
            "With its supply right and still no light, the controller itself is dead: its supplier.",
        )
    else:
        first = (
            "See in the controller's configuration that this bus port is switched on, and that the readers are listed "
            "on it; if they are, restart the controller after warning the users.",
        )
    return (*first, f"When it polls, hunt again: {again}")
