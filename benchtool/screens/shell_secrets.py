"""Which words of a line may hold a card, a key or a PIN: they go into no history file, and into the log as `***`.

A word is shown only where its parameter is known to hold no such thing: by its type, or by its name in the lists below.
What is not in them and what looks like a card is hidden; of a line that is no command at all, what a note would lose,
and numbers in a row. Output that may show cards is left out of the log.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import click

from benchtool.reports.secret_words import MASK, masked_note
from benchtool.screens.shell_tree import FILES, TAPS, Meaning
from benchtool.screens.shell_words import quoted

_PLAIN_TYPES = frozenset(
    {
        "boolean",
        "choice",
        "duration",
        "format",
        "rate",
        "time",
        "float",
        "float range",
        "integer",
        "integer range",
        "datetime",
    }
)
"""Types of parameters whose values are settings and measurements."""
_PATHS = frozenset({"path", "filename", "file", "directory"})
_NAMES_OF_THINGS = (
    TAPS
    | FILES
    | {"captures", "csv_file", "file", "list_file", "plot", "resume", "script", "exercise", "still", "by", "maps"}
)
"""Parameters that hold an address, a file or a word: shown, unless that looks like a card or a key."""
_NAMES = frozenset(
    {
        "only",
        "bus_id",
        "order",
        "meter",
        "tried",
        "expect",
        "format_name",
        "columns",
        "time_unit",
        "addresses",
        "bauds",
        "entry",
        "field",
        "start",
        "kind",
        "paper",
        "ends",
        "devices",
        "biases",
        "name",
        "level",
        "date",
        "day",
        "separator",
    }
)
"""Parameters of free text that hold settings, readings or names."""
_NAMED_VALUES = frozenset({"meter", "tried"})
"""Those of them that are a name, `=`, and a value: a number alone is none."""
_NOTED: dict[tuple[str, ...], frozenset[str]] = {
    ("site", "set"): frozenset({"value"}),
    ("site", "import"): frozenset({"fills"}),
}
"""Parameters that hold any field of a record: shown where a note would be."""
_SECRET: dict[tuple[str, ...], frozenset[str]] = {
    ("card",): frozenset({"value", "printed", "keys", "site", "number", "fields"}),
    ("simulate", "card"): frozenset({"value", "site", "number"}),
    ("simulate",): frozenset({"actions"}),
    ("reads",): frozenset({"printed"}),
}
"""Parameters that hold secrets whatever their type and name."""
_SHOWS: dict[tuple[str, ...], frozenset[str]] = {
    ("listen",): frozenset({"show_octets", "as_json"}),
    ("simulate",): frozenset({"as_json"}),
}
"""Flags that let a command print octets or values with cards in them, besides those of every command below."""
_SHOWS_ALWAYS = frozenset({"show_cards", "show_secrets"})
_ALL_SHOWN = frozenset({("card",)})
"""Commands whose answer is the card they were given."""

_DIGITS = re.compile(r"[0-9A-Fa-f][0-9A-Fa-f ,:;/_.#*-]*")
_SHORT_ROW = re.compile(r"(?<![0-9])[0-9]+(?:[ ,;]+[0-9]+)+")
"""Numbers in a row, as a site code and a card's number are typed."""
_PIN = re.compile(r"[?&](keys|pin|number|card)=", re.IGNORECASE)
_NO_OPTION = re.compile(r"--[a-z]+(?:-[a-z]+)*")
"""A mistyped option: letters alone."""
_RATE_DIGITS = 7
"""A bit rate of more digits is possible, and so is a card in its place."""
_LEAST = 4
"""So many digits make a PIN: fewer are an address or a count."""


@dataclass(frozen=True, slots=True)
class Judged:
    """What may be shown of a line."""

    line: str
    """The line with `***` for what may be secret."""
    hidden: tuple[str, ...]
    """The words that may be."""
    output_hidden: bool
    """Whether what the command prints may show a card."""
    is_command: bool = True

    @property
    def harmless(self) -> bool:
        """Whether the line may go into the history file as it is."""
        return self.is_command and not self.hidden


def looks_secret(word: str) -> bool:
    """Whether a word is made of digits as a card's number, a key or a PIN is."""
    if _PIN.search(word):
        return True
    return _DIGITS.fullmatch(word) is not None and sum(letter.isdigit() for letter in word) >= _LEAST


def judge(words: Sequence[str], meaning: Meaning) -> Judged:
    """What may be shown of the words, which mean this to the commands."""
    if meaning.command is None:
        return _mistyped(words)
    shown = list(words)
    hidden: list[str] = []
    for one in meaning.given:
        if one.is_name or _harmless(meaning.names, one.parameter, one.text) or _NO_OPTION.fullmatch(words[one.place]):
            continue
        hidden.append(one.text)
        before = words[one.place][: len(words[one.place]) - len(one.text)]
        # Of a word that is nobody's value nothing is known: not even whether it is an option.
        shown[one.place] = (before if one.parameter is not None else "") + MASK
    flags = _SHOWS_ALWAYS | _SHOWS.get(meaning.names, frozenset())
    shows = any(one.is_name and one.parameter is not None and one.parameter.name in flags for one in meaning.given)
    line = " ".join(word if word.endswith(MASK) else quoted(word) for word in shown)
    return Judged(line, tuple(hidden), shows or (meaning.names in _ALL_SHOWN and bool(hidden)))


def _mistyped(words: Sequence[str]) -> Judged:
    """A line that is no command may be a note, or a command with a card in it: numbers that may be one are hidden."""
    shown = [MASK if looks_secret(word) else quoted(word) for word in words]
    line = _SHORT_ROW.sub(MASK, masked_note(" ".join(shown))[0])
    kept = line.split()
    return Judged(line, tuple(word for word in words if quoted(word) not in kept), False, is_command=False)


def _harmless(names: tuple[str, ...], parameter: click.Parameter | None, text: str) -> bool:
    if parameter is None or parameter.name in _SECRET.get(names, frozenset()):
        return False
    if parameter.name in _NOTED.get(names, frozenset()):
        return not looks_secret(text) and not masked_note(text)[1]
    kind = parameter.type.name
    if kind in _PLAIN_TYPES:
        return _converts(parameter, text) and not (kind == "rate" and len(text) > _RATE_DIGITS)
    if kind in _PATHS or parameter.name in _NAMES_OF_THINGS:
        return not looks_secret(text) and not (looks_secret(Path(text).stem) and not _is_there(text))
    if parameter.name in _NAMED_VALUES and "=" not in text and looks_secret(text):
        return False
    return parameter.name in _NAMES and not _long_digits(text)


def _converts(parameter: click.Parameter, text: str) -> bool:
    """Whether the value is one: a number typed where a choice is wanted may be a card."""
    try:
        parameter.type.convert(text, parameter, None)
    except (click.UsageError, ValueError, TypeError):
        return False
    return True


def _is_there(name: str) -> bool:
    """Whether a file of that name is there: what it is called is no secret then."""
    try:
        return Path(name).exists()
    except (OSError, ValueError):
        return False


def _long_digits(text: str) -> bool:
    """Whether a setting holds more digits in a row than settings do."""
    return re.search(r"[0-9A-Fa-f]{8,}", text) is not None and looks_secret(text)


class Scrubber:
    """Takes what was typed as secret out of lines that are printed, should a command repeat it."""

    def __init__(self, hidden: Sequence[str]) -> None:
        self._pieces: set[str] = set()
        self._found: re.Pattern[str] | None = None
        for word in hidden:
            self.hide(word)

    def hide(self, word: str) -> None:
        """Take this out, too: whole, and each number in it. Words of its own without a figure, as `keys`, stay."""
        parts = [part for part in re.split(r"[^0-9A-Za-z]+", word) if any(map(str.isdigit, part))]
        parts += [word, *re.findall(r"[0-9]+", word)]
        self._pieces |= {form for part in parts for form in (part, part.lstrip("0")) if len(form) >= _LEAST}
        longest_first = sorted(self._pieces, key=len, reverse=True)
        self._found = re.compile("|".join(map(re.escape, longest_first)), re.IGNORECASE) if self._pieces else None

    def __call__(self, line: str) -> str:
        """The line without them."""
        return line if self._found is None else self._found.sub(MASK, line)
