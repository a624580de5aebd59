"""What is set for a whole visit, and how a line that does not name it is filled in: the tap, the record, the rate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import click

from benchtool.screens.shell_tree import Meaning

SETTINGS = {
    "site": "the installation's record (a file), for commands that take --site or are about a record",
    "bus": "which bus of the record, for commands that take --bus",
    "baud": "bit rate of our receiver, for commands that listen on a line",
    "format": "data bits, parity, stop bits of our receiver, as 8N1",
    "osdp-key": "the file with the keys of OSDP secure channels",
}
"""What `set` takes besides the tap of `use`."""
_TAPS = ("tap", "source")
_LINE = ("baud", "format")
_MAKES = ("new",)
"""Sub-commands whose FILE is made: a record that is there is never theirs."""


@dataclass(slots=True)
class Visit:
    """What commands take when a line names none."""

    tap: str | None = None
    settings: dict[str, str] = field(default_factory=dict)

    def said(self) -> list[str]:
        """All that is set, in lines."""
        tap = self.tap or "none (use TAP sets one, as use sim:demo)"
        return [f"tap: {tap}", *(f"{name}: {value}" for name, value in self.settings.items())]


def filled(words: Sequence[str], meaning: Meaning, visit: Visit) -> list[str]:
    """The words with what the visit knows and they do not say."""
    if meaning.command is None or meaning.is_group or meaning.waiting is not None or _asks_for_help(meaning, words):
        return list(words)
    made = _with_record(list(words), meaning, visit)
    added: list[str] = []
    tap = next((one for one in meaning.arguments if one.name in _TAPS), None)
    own = None if tap is None else next(iter(meaning.values_of(tap)), None)
    if meaning.names[:1] == ("site",):
        # Of `site compare SITE TAP` the record is filled in first, so the tap is what is still missing.
        missing = len(meaning.arguments) - (len(_values(meaning)) + len(made) - len(words))
        if tap is not None and missing == 1 and visit.tap is not None:
            added.append(visit.tap)
            own = visit.tap
        elif tap is not None:
            own = None
    elif tap is not None and own is None and visit.tap is not None:
        added.append(visit.tap)
        own = visit.tap
    added += _options(meaning, visit, own)
    return made + added


def _asks_for_help(meaning: Meaning, words: Sequence[str]) -> bool:
    return any(one.is_name and words[one.place] in ("-h", "--help") for one in meaning.given)


def _values(meaning: Meaning) -> list[str]:
    return [one.text for one in meaning.given if not one.is_name and not isinstance(one.parameter, click.Option)]


def _with_record(words: list[str], meaning: Meaning, visit: Visit) -> list[str]:
    """The record in front of the other words, where a command about records was given one word too few."""
    record = visit.settings.get("site")
    arguments = meaning.arguments
    if record is None or not arguments:
        return words
    about = meaning.names[0] == "site" and meaning.names[-1] not in _MAKES
    if not about and not (meaning.names[0] == "calculate" and arguments[0].name == "site"):
        return words
    values = _values(meaning)
    needed = sum(1 for one in arguments if one.required)
    named = bool(values) and values[0].endswith(".toml")
    if len(values) < needed and not named:
        place = len(meaning.names)
        return [*words[:place], record, *words[place:]]
    return words


def _options(meaning: Meaning, visit: Visit, tap: str | None) -> list[str]:
    assert meaning.command is not None
    added: list[str] = []
    has_record = False
    for name, value in visit.settings.items():
        option = _option(meaning.command, name)
        if option is None or meaning.has(option):
            continue
        if name in _LINE and (tap is None or not _is_line(tap)):
            continue  # a capture and a simulated bus have their own
        if name == "bus" and not has_record and not _has_record(meaning, visit):
            continue
        has_record = has_record or name == "site"
        added += [f"--{name}", value]
    return added


def _has_record(meaning: Meaning, visit: Visit) -> bool:
    assert meaning.command is not None
    option = _option(meaning.command, "site")
    about = meaning.names[0] == "site"
    return about or (option is not None and ("site" in visit.settings or meaning.has(option)))


def _option(command: click.Command, name: str) -> click.Option | None:
    for one in command.params:
        # A site code, as `card --site 101`, is a number: not the record.
        if isinstance(one, click.Option) and f"--{name}" in one.opts and not one.type.name.startswith("integer"):
            return one
    return None


def _is_line(tap: str) -> bool:
    """Whether a tap is a line in real time: a serial device or a URL."""
    return "://" in tap or tap.startswith("/dev/") or tap.upper().startswith("COM")
