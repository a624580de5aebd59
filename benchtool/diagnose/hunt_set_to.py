"""A reader that is set to another address than the list's: to which, whether that one answers, and what to do.

The bus tells which addresses answer, so that the reader may be heard under its wrong one. A wrong address is no second
device with the same one.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from benchtool.diagnose.hunt_question import Answer, Ask, Question
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.readings import HERE, LIVE, Seen

SET_TO = "set-to@"
_SETTINGS = "settings@"
_MINUTES = 0.5
_MOST_LISTED = 12


def _set_otherwise(observed: Observed) -> Seen | None:
    """The reader that was found to be set to another address."""
    told = [one for one in observed.by_hand.seen if one.sight == _SETTINGS and one.answer == "address"]
    return told[-1] if told else None


def set_to_question(observed: Observed, done: Collection[str]) -> Question | None:
    """To which address it is set, once it was found to be another; None where that is not so, or was asked."""
    seen = _set_otherwise(observed)
    if seen is None:
        return None
    place = HERE if seen.address is None else str(seen.address)
    name = f"{SET_TO}{place}"
    if name in done:
        return None
    which = "the reader that you stand before" if seen.address is None else f"the reader listed at address {place}"
    return Question(
        name,
        Ask.VALUE,
        f"To which address is {which} set?",
        how="Read it off its switches, its label or its configuration. Enter alone if it cannot be told.",
        minutes=_MINUTES,
    )


def _answering(observed: Observed) -> list[int]:
    return sorted({one.address for one in observed.addresses if one.answered or one.unasked})


def set_to_words(observed: Observed, answers: Sequence[Answer]) -> str:
    """What to say of a reader that is set to another address; empty where none was found."""
    seen = _set_otherwise(observed)
    if seen is None:
        return ""
    listed = "" if seen.address is None else f", not to {seen.address}"
    told = [one.text for one in answers if one.name.startswith(SET_TO) and one.text]
    heard = _answering(observed)
    if told:
        at = int(told[-1])
        said = f"The reader is set to address {at}{listed}: that is why it does not answer at its own."
        rows = [one for one in observed.addresses if one.address == at]
        if at in heard:
            answered, asked = sum(one.answered for one in rows), sum(one.requests for one in rows)
            unasked = sum(one.unasked for one in rows)
            count = f"{answered} of {asked} requests" if asked else f"{unasked} times unasked"
            return f"{said} Address {at} answers on this bus ({count}): it, or another reader that belongs there."
        if observed.symptoms is not None:
            asked = sum(one.requests for one in rows)
            return f"{said} Nobody asks address {at}." if not asked else f"{said} Address {at} is asked, and silent."
        return said
    said = f"The reader is set to another address{listed}: that is why it does not answer at its own."
    if heard:
        names = ", ".join(map(str, heard[:_MOST_LISTED])) + (", …" if len(heard) > _MOST_LISTED else "")
        return f"{said} On this bus these addresses answer: {names}; if it is set to one of them, it is heard there."
    return said


def set_to_todo(observed: Observed) -> tuple[str, ...]:
    """What to do about it; nothing where no reader is set to another address."""
    seen = _set_otherwise(observed)
    if seen is None:
        return ()
    right = "the address that the site's list gives it" if seen.address is None else f"address {seen.address}"
    return (
        f"Caution: {LIVE} Its door may not answer meanwhile: warn the users.",
        f"Set the reader to {right} (switches, or its configuration), restart it if it wants that, and listen again. "
        "Or let whoever configures the controller list it at the address that it has, if no other reader is there.",
    )
