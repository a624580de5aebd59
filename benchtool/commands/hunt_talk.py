"""The conversation of a hunt: questions on lines, answers by number or value; from a terminal or a pipe."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import click

from benchtool.commands.site_ask import Asker
from benchtool.diagnose.hunt import Hunt
from benchtool.diagnose.hunt_better import better
from benchtool.diagnose.hunt_card import CardHunt
from benchtool.diagnose.hunt_question import Ask, HuntError, Question
from benchtool.diagnose.readings import ACTIONS
from benchtool.reports.hunt_text import KEYS, explained, learned_lines, prompt_of, question_lines, standing

Listen = Callable[[], Any]
"""Listens, and gives what `hear` of the hunt takes; None where nothing came of it."""
_ACTIONS = tuple(action.name for action in ACTIONS)


def say(lines: Sequence[str]) -> None:
    """Print lines."""
    click.echo("\n".join(lines))


def talk(hunt: Hunt | CardHunt, asker: Asker, listen: Listen | None) -> bool:
    """Ask until the hunt is over (True), or the person leaves or stops answering (False)."""
    say([f"Answer by number or value. {KEYS}"])
    while True:
        question = hunt.next_question()
        if question is None:
            return True
        say(question_lines(len(hunt.answers) + 1, question))
        if not _answered(hunt, question, asker, listen):
            return False


def _answered(hunt: Hunt | CardHunt, question: Question, asker: Asker, listen: Listen | None) -> bool:
    """Ask until the question is answered or gone back on; False where the person leaves."""
    listens_again = listen is not None and question.name.partition("@")[0] + "@" * ("@" in question.name) in _ACTIONS
    if listens_again:
        say(["   l  done: listen now, and compare"])
    words = [word for word, _ in question.choices]
    while True:
        try:
            text = asker.ask(prompt_of(question), words).strip()
        except (EOFError, KeyboardInterrupt):
            return False
        if text == ".":
            return False
        if text == "?":
            say(explained(question))
        elif text == "=":
            say(standing(hunt))
        elif text == "<":
            last = hunt.back()
            say([f"   Taken back: {last.name}." if last is not None else "   This is the first question."])
            if last is not None:
                return True
        elif _took(hunt, question, text, listen, listens_again=listens_again):
            return True


def _took(hunt: Hunt | CardHunt, question: Question, text: str, listen: Listen | None, *, listens_again: bool) -> bool:
    before = hunt.shares()
    try:
        if question.ask is Ask.LISTEN and text.lower() != "s":
            heard = None if listen is None else listen()
            if heard is None:
                return False
            hunt.hear(heard)
        elif listens_again and text.lower() == "l":
            heard = None if listen is None else listen()
            if heard is None or not isinstance(hunt, Hunt):
                return False
            address = question.name.partition("@")[2]
            gone = int(address) if question.name.startswith("unplug@") else None
            word = "better" if better(hunt.observed, heard, gone) else "same"
            say([f"   Heard: {'it got better' if word == 'better' else 'no better'}."])
            hunt.take(word)
        else:
            hunt.take("" if question.ask is Ask.LISTEN else text)
    except HuntError as error:
        say([f"   {error}"])
        return False
    say(learned_lines(before, hunt.shares()))
    return True
