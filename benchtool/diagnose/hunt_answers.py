"""What was answered in a hunt, whatever it hunts on: gone back on, and read from a saved one."""

from __future__ import annotations

import json
from abc import ABC, abstractmethod
from typing import Any

from benchtool.diagnose.hunt_question import Answer, HuntError, Question

_MOST_ANSWERS = 500
FOUND = 0.75
"""From here on a cause counts as found."""


class Conversation(ABC):
    """The answers so far. `listens`: whether there is a tap, or a source of card reads, to listen at."""

    def __init__(self, tap: str = "", *, listens: bool = True) -> None:
        self.tap = tap
        self.listens = listens
        self.answers: tuple[Answer, ...] = ()

    def back(self) -> Answer | None:
        """Take the last answer back; None where there was none."""
        if not self.answers:
            return None
        last = self.answers[-1]
        self._became(self.answers[:-1])
        return last

    @abstractmethod
    def shares(self) -> dict[str, float]:
        """The causes' probabilities as they are shown now, by name."""

    @abstractmethod
    def without(self, left_out: Answer) -> dict[str, float]:
        """The same if one thing had not been answered."""

    def _became(self, answers: tuple[Answer, ...]) -> None:
        self.answers = answers


def listened(answers: tuple[Answer, ...]) -> bool:
    """Whether listening is among them, and brought something."""
    return any(one.name == "listen" and one.text for one in answers)


def chosen(question: Question, text: str) -> str:
    """Which answer of a list is meant: by number, word, or the beginning of one word alone."""
    words = [word for word, _ in question.choices]
    if text.isascii() and text.isdigit() and 1 <= int(text[:4]) <= len(words):
        return words[int(text[:4]) - 1]
    meant = [word for word in words if word == text.lower()] or [
        word for word in words if word.startswith(text.lower())
    ]
    if len(meant) == 1:
        return meant[0]
    listed = ", ".join(f"{number} {word}" for number, word in enumerate(words, 1))
    raise HuntError(f"{text[:40]!r} is none of the answers: {listed}; or Enter if it cannot be told")


def saved_hunt(text: str, key: str, version: int) -> tuple[dict[str, Any], str, tuple[Answer, ...]]:
    """The object of a saved hunt, its tap and its answers; HuntError says what is wrong with it."""
    try:
        held: Any = json.loads(text)
    except (ValueError, RecursionError):
        raise HuntError("it is no JSON, or it is cut short") from None
    if not isinstance(held, dict) or key not in held:
        raise HuntError("it is another kind of file")
    if held[key] != version:
        raise HuntError("it was saved by another version of benchtool: begin anew")
    tap, rows = held.get("tap"), held.get("answers")
    if not isinstance(tap, str):
        raise HuntError("it does not say at which tap")
    if not isinstance(rows, list) or not all(_is_answer(row) for row in rows):
        raise HuntError("its answers are missing or no pairs of texts")
    answers = tuple(Answer(name, word) for name, word in rows[:_MOST_ANSWERS])
    return held, "".join(one for one in tap if one.isprintable()), answers


def _is_answer(row: object) -> bool:
    return isinstance(row, list) and len(row) == 2 and all(isinstance(one, str) for one in row)
