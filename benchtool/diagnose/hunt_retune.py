"""Our own clip, rate or format was found wrong: listening again with it put right, so that the hunt goes on.

What was told and measured by the wrong clip or setting is read over: red on our + lead is black once the leads are
swapped.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import NamedTuple

from benchtool.capture.settings import CharFormat
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.hunt_question import Answer, Ask, Question
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.readings import LIVE

OWN = (Cause.REVERSED_AT_TAP, Cause.BAUD_WRONG, Cause.FORMAT_WRONG)
"""Causes at our own tap."""
TURNED, RATE, FORMAT = "listen-turned", "listen-rate", "listen-format"
AGAIN = (TURNED, RATE, FORMAT)
"""As answers keep it; each is asked for once."""
_AS_8N1 = "read as sent in 8N1"
_MINUTES = 1.0
_SAFE = f"{LIVE} benchtool listens only; it sends nothing."
_OTHER_LEAD = {
    "a-idle": "b-idle",
    "b-idle": "a-idle",
    "a-ground-ohms": "b-ground-ohms",
    "b-ground-ohms": "a-ground-ohms",
}
_VOID = {TURNED: ("swap-clip",), RATE: ("rate-set",), FORMAT: ("rate-set",)}
"""What was answered of the clip or setting that is no more."""


class Setting(NamedTuple):
    """How to listen."""

    turned: bool = False
    """With our two leads the other way round than at first."""
    baud: int | None = None
    """None: as at first."""
    format: str | None = None
    find: bool = False
    """Rate and format are to be found by listening."""


def format_found(observed: Observed) -> str | None:
    """The bus's character format, where frames prove it to be another one than ours, or line errors tell it."""
    if observed.sender_format and observed.sender_format != observed.format:
        return observed.sender_format
    as_8n1 = observed.format != "8N1" and any(text.startswith(_AS_8N1) for text, _ in observed.told.values())
    return "8N1" if as_8n1 else None


def setting_of(answers: Iterable[Answer]) -> Setting:
    """How the last listening was done."""
    found = Setting()
    for one in answers:
        if not one.text:
            continue
        if one.name == TURNED:
            found = found._replace(turned=True)
        elif one.name in AGAIN:
            baud, _, form = one.text.partition(" ")
            found = found._replace(baud=int(baud), format=form)
    return found


def is_setting(text: str) -> bool:
    """Whether it is a rate and a format, as `kept` tells them."""
    baud, _, form = text.partition(" ")
    try:
        CharFormat.parse(form)
    except ValueError:
        return False
    return baud.isascii() and baud.isdigit() and len(baud) < 9 and int(baud) > 0


def kept(name: str, heard: Observed) -> str:
    """What is kept of a listening at another setting."""
    return "heard" if name == TURNED else f"{heard.baud} {heard.format}"


def wanted(name: str, observed: Observed, answers: Iterable[Answer]) -> Setting:
    """How to listen for a question of `AGAIN`; as before for any other."""
    now = setting_of(answers)
    if name == TURNED:
        return now._replace(turned=not now.turned)
    if name == RATE:
        rate = observed.sender_baud
        return now._replace(find=True) if rate is None else now._replace(baud=rate)
    if name == FORMAT:
        form = format_found(observed)
        return now._replace(find=True) if form is None else now._replace(format=form)
    return now


def listen_again(leader: Cause, observed: Observed, done: Collection[str]) -> Question | None:
    """The question that puts our own clip or setting right; None where it is not that, or was asked."""
    if leader is Cause.REVERSED_AT_TAP:
        name = TURNED
        text = "Our clip is the wrong way round. Swap its two leads, and let benchtool listen again."
        how = "Nothing else is touched. The hunt goes on with what is heard then."
    elif leader is Cause.BAUD_WRONG:
        name, rate = RATE, observed.sender_baud
        text = (
            f"Our receiver is set to {observed.baud} bit/s, the bus to another rate. Let benchtool find it, and listen."
        )
        if rate is not None:
            text = (
                f"The bus runs at {rate} bit/s, our receiver at {observed.baud}. Let benchtool listen again at {rate}."
            )
        how = "Nothing has to be touched. The hunt goes on with what is heard then."
    elif leader is Cause.FORMAT_WRONG:
        name, form = FORMAT, format_found(observed)
        text = (
            f"Our receiver is set to {observed.format}, the bus to another format. Let benchtool find it, and listen."
        )
        if form is not None:
            text = f"The bus runs in {form}, our receiver in {observed.format}. Let benchtool listen again in {form}."
        how = "Nothing has to be touched. The hunt goes on with what is heard then."
    else:
        return None
    return None if name in done else Question(name, Ask.LISTEN, text, how=how, caution=_SAFE, minutes=_MINUTES)


def read_over(answers: Iterable[Answer]) -> tuple[Answer, ...]:
    """The answers as they hold for our clip and setting as they are now."""
    found: list[Answer] = []
    for one in answers:
        if one.name in AGAIN and one.text:
            found = [_through(other, one.name) for other in found if other.name not in _VOID[one.name]]
        found.append(one)
    return tuple(found)


def _through(answer: Answer, again: str) -> Answer:
    if again != TURNED or not answer.text:
        return answer
    if answer.name == "ab-idle":
        bare = answer.text.replace("\u2212", "-").strip()
        return Answer(answer.name, bare[1:] if bare.startswith("-") else f"-{bare.removeprefix('+')}")
    return Answer(_OTHER_LEAD.get(answer.name, answer.name), answer.text)


def again_words(answer: Answer) -> str:
    """What was done, for people."""
    if answer.name == TURNED:
        return "our clip's two leads were swapped, and listened again"
    return f"listened again at {answer.text}"


def mended(answers: Iterable[Answer]) -> str:
    """What was wrong with our own clip and setting, and was put right on the way; empty where nothing was."""
    done = [one for one in answers if one.name in AGAIN and one.text]
    parts = [
        "our clip was the wrong way round (its leads are swapped now)"
        if one.name == TURNED
        else f"our {'rate' if one.name == RATE else 'format'} was wrong (we listen at {one.text} now)"
        for one in done
    ]
    return f"On the way {' and '.join(parts)}: what is told here was heard after that." if parts else ""
