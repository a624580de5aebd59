"""Which reader a hunt is about: asked first, and once more where what was heard does not go with what was told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from benchtool.diagnose.hunt_question import Answer, Ask, Question
from benchtool.diagnose.hunt_reader import ENOUGH, LIVES, elsewhere
from benchtool.diagnose.hunt_set_to import SET_TO_HERE, which_here
from benchtool.diagnose.hunt_subject import row_of
from benchtool.diagnose.observed import Observed

ADDRESS = Question(
    "address",
    Ask.VALUE,
    "Which address has the reader that does not work?",
    how="Off the site's list, the controller's screen or the reader's label. If several are dead, take the first of "
    "them along the cable. Enter alone if nobody knows.",
    minutes=0.5,
)


def which_reader(observed: Observed, address: int | None, answers: Sequence[Answer]) -> Question | None:
    """The question which reader it is, where what was heard leaves that open; None where it does not, or was asked.

    Without an address, where all that are asked answer: the reader that one stands before may have one that nobody
    asks. Where several never answer: which of them. A told address that answers while another never does: it may be the
    other one.
    """
    told = sum(one.name == ADDRESS.name for one in answers)
    if address is None:
        dead = _silent(observed)
        if len(dead) > 1 and told == 1:
            names = ", ".join(map(str, dead))
            text = f"Several addresses never answer: {names}. Which of them has the reader that you stand before?"
            return replace(ADDRESS, text=text)
        nobody = any(one.sight == "who-is-dead" and one.answer == "none" for one in observed.by_hand.seen)
        asked = any(one.name == SET_TO_HERE for one in answers)
        return which_here(observed) if _all_answer(observed) and not (nobody or asked) else None
    other, row = elsewhere(observed, address), row_of(observed, address)
    if other is None or row is None or told != 1:
        return None
    text = (
        f"Address {address} answers: {row.answered} of {row.requests} requests. Address {other.address} never does: "
        f"{other.answered} of {other.requests}. Which address has the reader that does not work?"
    )
    how = f"Compare its switches or label with the site's list. Enter alone: {address} is right."
    return replace(ADDRESS, text=text, how=how)


def looked_at(observed: Observed, answers: Sequence[Answer]) -> int | None:
    """Of several that never answer, where no address was told: the first that something was answered of; else None."""
    dead = _silent(observed)
    for one in answers:
        place = one.name.partition("@")[2]
        if one.text and len(dead) > 1 and place.isdigit() and int(place) in dead:
            return int(place)
    return None


def _silent(observed: Observed) -> list[int]:
    return sorted({one.address for one in observed.addresses if one.never_answers})


def _all_answer(observed: Observed) -> bool:
    """Whether enough was asked, and every address that is asked answers practically each time."""
    rows = [one for one in observed.addresses if one.requests]
    return sum(one.requests for one in rows) >= ENOUGH and all(one.answered >= LIVES * one.requests for one in rows)
