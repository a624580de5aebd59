"""What a hunt asks, and what is answered: plain data."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Ask(Enum):
    """What kind of answer is wanted."""

    CHOICE = "choice"
    """One of a few: by its number or its word."""
    VALUE = "value"
    """A number, as a meter shows it."""
    LISTEN = "listen"
    """Nothing from the person but a go-ahead: benchtool listens."""


@dataclass(frozen=True, slots=True)
class Question:
    """One thing to look at, to measure, to try, or to listen to."""

    name: str
    """As `Answer` keeps it: `reader@4`, `ab-ohms`, `swap-clip`, `listen`."""
    ask: Ask
    text: str
    choices: tuple[tuple[str, str], ...] = ()
    """For `Ask.CHOICE`: the word that is kept, and what it says."""
    how: str = ""
    """How to find out: shown for `?`."""
    expect: tuple[str, ...] = ()
    """What results would mean: shown for `?`."""
    caution: str = ""
    unit: str = ""
    """For `Ask.VALUE`: `ohm`, `V`, `m`, or empty for a bare number."""
    gain_bits: float = 0.0
    """Expected fall of the entropy over the causes."""
    minutes: float = 0.0
    secret: bool = False
    """Whether what is typed is a card's number: it is not to be shown, kept or logged."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What was answered to a question; `text` is empty where it could not be told, or was left out."""

    name: str
    text: str


class HuntError(ValueError):
    """An answer that cannot be taken, or a saved hunt that cannot be read; one line with the mend."""
