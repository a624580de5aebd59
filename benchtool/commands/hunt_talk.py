"""The conversation of a hunt: questions on lines, answers by number or value; from a terminal or a pipe."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import click

from benchtool.commands.hidden_ask import ask_hidden
from benchtool.commands.options import is_live
from benchtool.commands.site_ask import Asker
from benchtool.diagnose.hunt import Hunt
from benchtool.diagnose.hunt_better import better
from benchtool.diagnose.hunt_card import CardHunt
from benchtool.diagnose.hunt_question import Ask, HuntError, Question
from benchtool.diagnose.hunt_retune import Setting
from benchtool.diagnose.hunt_set_to import SET_TO_HERE
from benchtool.diagnose.hunt_which import ADDRESS
from benchtool.diagnose.readings import ACTIONS
from benchtool.reports.hunt_ask import (
    WIDTH,
    explained,
    in_a_row,
    keys_lines,
    prompt_of,
    question_lines,
    unrepeated,
    wrap,
)
from benchtool.reports.hunt_text import doubts, heard_of, learned_lines, standing

Listen = Callable[[Setting], Any]
"""Listens with a setting, and gives what `hear` of the hunt takes; None where nothing came of it."""
_ACTIONS = tuple(action.name for action in ACTIONS)
_WIDEST = 110
"""Longer lines are hard to read (judgement)."""
_WORDS = {
    "1": "bus",
    "2": "data",
    **dict.fromkeys(("pair", "one", "bus", "ab", "a", "b", "a/b", "+/-", "rs485", "rs-485", "485", "osdp"), "bus"),
    **dict.fromkeys(("data", "two", "lines", "d0", "d1", "d0/d1", "d0d1", "wiegand"), "data"),
}
"""What people type for how a reader is wired."""


def width() -> int:
    """Columns to write in: those of the terminal less one; 79 into a file or a pipe."""
    if not sys.stdout.isatty():
        return WIDTH
    return min(shutil.get_terminal_size().columns - 1, _WIDEST)


def say(lines: Sequence[str]) -> None:
    """Print lines."""
    click.echo("\n".join(lines))


def tell(text: str) -> None:
    """Print a sentence, under the question that stands."""
    say(wrap(text, "   ", width=width()))


def wired(asker: Asker) -> str | None:
    """How the reader is wired: `bus` or `data`; None where the person leaves."""
    say(
        [
            "",
            *wrap("How is the reader wired to its controller?", width=width()),
            *wrap("one pair of data wires (A and B, + and -), shared with others", "   1  ", width=width()),
            *wrap("two data lines of its own (D0 and D1, data 0 and data 1)", "   2  ", width=width()),
            *in_a_row(("1 or pair", "2 or data", "? how", ". leave"), width()),
        ]
    )
    while True:
        try:
            text = asker.ask("   1-2 > ", ("pair", "data")).strip()
        except (EOFError, KeyboardInterrupt):
            return None
        if text == ".":
            return None
        if text.lower() in _WORDS:
            return _WORDS[text.lower()]
        if text and text != "?":
            tell(unrepeated(f"{text[:40]!r} is none of the answers: 1 pair, 2 data; . leaves.", text))
        tell(
            "Look at the reader's terminals: A and B, or + and -, are a pair (1); D0 and D1, mostly the green and the "
            "white wire, are data lines (2)."
        )


def talk(hunt: Hunt | CardHunt, asker: Asker, listen: Listen | None, keep: Callable[[], None]) -> bool:
    """Ask until the hunt is over (True), or the person leaves or stops answering (False). `keep` saves it, each time
    that something was answered or taken back: a terminal that is closed takes nothing with it.
    """
    while True:
        question = hunt.next_question()
        if question is None:
            return True
        if not _answered(hunt, question, asker, listen):
            return False
        keep()


def at_terminal() -> bool:
    """Whether somebody sits there, and answers do not come out of a pipe."""
    return sys.stdin.isatty() and sys.stdout.isatty()


def taken_back(hunt: Hunt | CardHunt, asker: Asker) -> bool:
    """Ask once a hunt is over whether its last answer stands; True where it was taken back. From a pipe: never."""
    if not hunt.answers or not at_terminal():
        return False
    say([""])
    while True:
        try:
            text = asker.ask("   Enter ends; < takes the last answer back > ").strip()
        except (EOFError, KeyboardInterrupt):
            return False
        if text in ("", "."):
            return False
        if text == "<":
            last = hunt.back()
            tell(f"Taken back: {'nothing' if last is None else last.name}.")
            return True
        tell(unrepeated(f"{text[:40]!r}: the hunt is over; Enter or <.", text))


def _answered(hunt: Hunt | CardHunt, question: Question, asker: Asker, listen: Listen | None) -> bool:
    """Ask until the question is answered or gone back on; False where the person leaves."""
    if question.name == "listen" and not (is_live(hunt.tap) or hunt.tap.startswith("sim:")):
        told = f"Let benchtool take in what was recorded: {hunt.tap}"
        question = replace(question, text=told, how="It is taken in whole; nothing has to be connected.", caution="")
    base = question.name.partition("@")[0] + "@" * ("@" in question.name)
    listens_again = listen is not None and base in _ACTIONS
    words = [word for word, _ in question.choices]
    keys = keys_lines(question, width(), ("l: listen again",) if listens_again else ())
    say([*question_lines(len(hunt.answers) + 1, question, width()), *keys])
    while True:
        try:
            ask = ask_hidden(prompt_of(question)) if question.secret else asker.ask(prompt_of(question), words)
        except (EOFError, KeyboardInterrupt):
            return False
        text = ask.strip()
        if text == ".":
            return False
        if text == "?":
            say([*explained(question, width()), *keys])
        elif text == "=":
            say(standing(hunt))
        elif text == "<":
            last = hunt.back()
            tell(f"Taken back: {last.name}." if last is not None else "This is the first question.")
            if last is not None:
                return True
        elif _took(hunt, question, text, listen, listens_again=listens_again):
            return True


def _took(hunt: Hunt | CardHunt, question: Question, text: str, listen: Listen | None, *, listens_again: bool) -> bool:
    before = hunt.shares()
    try:
        if question.ask is Ask.LISTEN and text.lower() in ("", "l"):
            heard = _heard(listen, hunt.setting if isinstance(hunt, Hunt) else Setting())
            if heard is None:
                return False
            hunt.hear(heard)
        elif listens_again and text.lower() == "l":
            if not isinstance(hunt, Hunt):
                return False
            now = hunt.setting
            heard = _heard(listen, now._replace(turned=not now.turned) if question.name == "swap-clip" else now)
            if heard is None:
                return False
            address = question.name.partition("@")[2]
            gone = int(address) if question.name.startswith("unplug@") else None
            word = "better" if better(hunt.observed, heard, gone) else "same"
            tell(f"Heard: {'it got better' if word == 'better' else 'no better'}.")
            hunt.take(word)
        else:
            hunt.take("" if question.ask is not Ask.CHOICE and text.lower() in ("s", "skip") else text)
    except HuntError as error:
        tell(unrepeated(str(error), text))
        return False
    if question.name in (ADDRESS.name, SET_TO_HERE):
        tell("Noted." if hunt.answers[-1].text else "Left as it is.")
    elif hunt.answers[-1].text:
        if question.secret:
            tell(f"Compared: {hunt.answers[-1].text}.")
        say(learned_lines(before, hunt.shares(), width()))
    else:
        tell("Left out: nothing is concluded from that.")
    if isinstance(hunt, Hunt) and question.name in (doubt := doubts(hunt)):
        tell(f"{doubt[question.name]}: < takes it back.")
    if isinstance(hunt, Hunt) and question.ask is Ask.LISTEN and (said := heard_of(hunt)):
        tell(said)
    return True


def _heard(listen: Listen | None, setting: Setting) -> Any:
    if listen is None:
        tell("There is no TAP to listen at: s goes on without; or leave, and --resume with a TAP.")
        return None
    try:
        return listen(setting)
    except KeyboardInterrupt:
        tell("Listening was broken off, and nothing is taken of it.")
        return None
