"""A hunt's questions in words, as wide as the terminal: what is asked, what can be typed, what `?` tells."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence

from benchtool.diagnose.finding import helps
from benchtool.diagnose.hunt_question import Ask, Question
from benchtool.reports.secret_words import MASK, may_be_secret

WIDTH = 79
_LEAST_WIDTH = 20
KEYS = ("? how", "< back", "= so far", ". leave")
"""What can be typed at every question."""


def wrap(text: str, first: str = "", rest: str | None = None, width: int = WIDTH) -> list[str]:
    """Lines of at most `width` columns, broken between words only."""
    later = " " * len(first) if rest is None else rest
    return textwrap.wrap(
        text,
        max(width, _LEAST_WIDTH),
        initial_indent=first,
        subsequent_indent=later,
        break_long_words=False,
        break_on_hyphens=False,
    )


def in_a_row(parts: Sequence[str], width: int = WIDTH, indent: str = "   ") -> list[str]:
    """Short parts side by side, none of them broken."""
    kept = [part.replace(" ", "\0") for part in parts]
    return [line.replace("\0", " ") for line in wrap("  ".join(kept), indent, width=width)]


def question_lines(number: int, question: Question, width: int = WIDTH) -> list[str]:
    """A question as it is asked."""
    lines = ["", *wrap(question.text, f"{number}. ", width=width)]
    if question.caution:
        lines += wrap(f"Caution: {question.caution}", "   ! ", width=width)
    lines += [
        line for place, (_, says) in enumerate(question.choices, 1) for line in wrap(says, f"   {place}  ", width=width)
    ]
    return lines


def keys_lines(question: Question, width: int = WIDTH, also: Sequence[str] = ()) -> list[str]:
    """What can be typed at a question: to skip it, and the keys that always go."""
    own = ("Enter: listen now", "s: cannot") if question.ask is Ask.LISTEN else ("Enter: cannot tell",)
    return in_a_row((*also, *own, *KEYS), width)


def unrepeated(told: str, answer: str) -> str:
    """Why an answer was not taken, without the answer where that may be a card, a key or a PIN."""
    if not may_be_secret(answer):
        return told
    numbers = [word for word in answer.split() if sum(map(str.isdigit, word)) > 1]
    for form in (repr(answer[:40]), answer[:40], *numbers):
        told = re.sub(rf"(?<![0-9A-Za-z]){re.escape(form)}(?![0-9A-Za-z])", MASK, told, flags=re.IGNORECASE)
    return told


def prompt_of(question: Question) -> str:
    """What stands before the cursor."""
    if question.ask is Ask.LISTEN:
        return "   listen > "
    if question.ask is Ask.CHOICE:
        return f"   1-{len(question.choices)} > "
    return f"   {question.unit or question.name} > "


def explained(question: Question, width: int = WIDTH) -> list[str]:
    """What `?` tells."""
    lines = wrap(question.how, "   ", width=width) if question.how else []
    if question.expect:
        lines += wrap("What results would mean:", "   ", width=width)
        lines += [line for one in question.expect for line in wrap(one, "   - ", width=width)]
    if question.gain_bits:
        told = f"Asked now because it is {helps(question.gain_bits)}, in about {max(1, round(question.minutes))} min."
        lines += wrap(told, "   ", width=width)
    return lines or ["   There is no more to tell about this one."]
