"""A reader set to another address, rate or format than the list's, or asked by nobody: what that is, and what to do.

The bus tells which addresses answer, so that the reader may be heard under its wrong one. A wrong address is no second
device with the same one.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from benchtool.diagnose.hunt_question import Answer, Ask, Question
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.readings import DOORS, HERE, LIVE, Seen

SET_TO = "set-to@"
SET_TO_HERE = f"{SET_TO}{HERE}"
_SETTINGS = "settings@"
_MINUTES = 0.5
_MOST_LISTED = 12
_SPOILT = 0.5
"""Two that answer at one address spoil so many of its replies at least."""


def set_otherwise(observed: Observed, address: int | None) -> Seen | None:
    """The reader hunted for, where it was found to be set to another address, rate or format; `address`: as told."""
    told = [one for one in observed.by_hand.seen if one.sight == _SETTINGS and one.answer in ("address", "rate")]
    told = [one for one in told if address is None or one.address in (None, address)]
    return told[-1] if told else None


def set_to_question(seen: Seen, done: Collection[str]) -> Question | None:
    """To which address it is set, once it was found to be another; None where that is not so, or was asked."""
    place = HERE if seen.address is None else str(seen.address)
    name = f"{SET_TO}{place}"
    if seen.answer != "address" or name in done:
        return None
    which = "the reader that you stand before" if seen.address is None else f"the reader listed at address {place}"
    return Question(
        name,
        Ask.VALUE,
        f"To which address is {which} set?",
        how="Read it off its switches, its label or its configuration. Enter alone if it cannot be told.",
        minutes=_MINUTES,
    )


def which_here(observed: Observed) -> Question:
    """To which address a reader is set whose address nobody told, where all that is asked answers."""
    names = _named(sorted({one.address for one in observed.addresses if one.requests}))
    return Question(
        SET_TO_HERE,
        Ask.VALUE,
        f"Every address that is asked answers: {names}. To which address is the reader that you stand before set?",
        how="Read it off its switches, its label or its configuration. A reader with an address that nobody asks is "
        "not entered at the controller. Enter alone if it cannot be told.",
        minutes=_MINUTES,
    )


def _named(addresses: Sequence[int]) -> str:
    return ", ".join(map(str, addresses[:_MOST_LISTED])) + (", …" if len(addresses) > _MOST_LISTED else "")


def _answering(observed: Observed) -> list[int]:
    return sorted({one.address for one in observed.addresses if one.answered or one.unasked})


def set_to_words(observed: Observed, answers: Sequence[Answer], address: int | None) -> str:
    """What to say of a reader that is set to another address, rate or format; empty where none was found."""
    seen = set_otherwise(observed, address)
    if seen is None:
        return ""
    if seen.answer == "rate":
        which = "The reader" if seen.address is None else f"The reader at address {seen.address}"
        return f"{which} is set to another rate or format than the list's: that is why it does not answer."
    listed = "" if seen.address is None else f", not to {seen.address}"
    # The address that it should have is no other one: which it has is not known then.
    told = [one.text for one in answers if one.name.startswith(SET_TO) and one.text and one.text != str(seen.address)]
    heard = _answering(observed)
    if told:
        at = int(told[-1])
        said = f"The reader is set to address {at}{listed}: that is why it does not answer at its own."
        rows = [one for one in observed.addresses if one.address == at]
        asked, damaged = sum(one.requests for one in rows), sum(one.damaged for one in rows)
        if damaged and damaged >= _SPOILT * asked:
            return (
                f"{said} Of {asked} replies from address {at} {damaged} come damaged: two answer there at once, this "
                "reader and the one that belongs there."
            )
        if at in heard:
            answered, unasked = sum(one.answered for one in rows), sum(one.unasked for one in rows)
            count = f"{answered} of {asked} requests" if asked else f"{unasked} times unasked"
            return f"{said} Address {at} answers on this bus ({count}): it, or another reader that belongs there."
        if observed.symptoms is not None:
            return f"{said} Nobody asks address {at}." if not asked else f"{said} Address {at} is asked, and silent."
        return said
    said = f"The reader is set to another address{listed}: that is why it does not answer at its own."
    if heard:
        names = _named(heard)
        return f"{said} On this bus these addresses answer: {names}; if it is set to one of them, it is heard there."
    return said


def set_to_todo(observed: Observed, address: int | None) -> tuple[str, ...]:
    """What to do about it; nothing where no reader is set otherwise."""
    seen = set_otherwise(observed, address)
    if seen is None:
        return ()
    warned = f"Caution: {LIVE} Its door may not answer meanwhile: warn the users."
    if seen.answer == "rate":
        return (
            warned,
            "Set the reader to the rate and format of the bus (switches, or its configuration), restart it if it wants "
            "that, and listen again.",
        )
    right = "the address that the site's list gives it" if seen.address is None else f"address {seen.address}"
    return (
        warned,
        f"Set the reader to {right} (switches, or its configuration), restart it if it wants that, and listen again. "
        "Or let whoever configures the controller list it at the address that it has, if no other reader is there.",
    )


def unasked_todo(address: int) -> tuple[str, ...]:
    """What to do about an address that nobody asks."""
    return (
        f"See in the controller's configuration whether address {address} is entered on this bus and switched on; "
        "enter it if not.",
        f"Look whether the reader is set to address {address} at all (switches, label, configuration): if it is set to "
        "one that is asked already, give it one of its own.",
        "Then hunt again: the controller asks it then, and it can be heard.",
    )


def lives_todo(address: int) -> tuple[str, ...]:
    """What to do about a reader that is told to be dead, and answers on the bus."""
    return (
        "Leave the bus alone. See in the controller whether the card is known, its format is set, and the door is set "
        f"up for the reader at address {address}.",
        f"Caution: {DOORS}",
        "See whether the lock and its supply work: release it from the controller.",
        "If it comes and goes, listen again when it does not work.",
    )
