"""What the words of a line mean to the commands: which command, which word is the value of which parameter.

Read from the click commands themselves, each imported only when a line names it. A light reader of its own, since a
line that is not finished, or wrong, must be completed and judged too; to run a line is click's business.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import click

Also = Mapping[tuple[str, ...], Callable[[], click.Command]]
"""Commands behind a word of another command that is no group, as `simulate card`."""


TAPS = frozenset({"tap", "source", "port"})
"""Parameters that take an address of a bus or of a reader."""
FILES = frozenset(
    {
        "site",
        "record",
        "save",
        "report",
        "out",
        "waveform",
        "protocol",
        "expected",
        "scenario",
        "capture",
        "csv",
        "reads",
        "page",
        "scope_file",
        "progress",
    }
)
"""Parameters that take the name of a file, without saying so by their type."""


@dataclass(frozen=True, slots=True)
class Given:
    """One word behind the command."""

    place: int
    """Its index among the words."""
    text: str
    """The value: for `--save=x` what stands behind the sign."""
    parameter: click.Parameter | None
    """Whose value it is; None where it is nobody's."""
    is_name: bool = False
    """Whether it is the name of an option, with no value in it."""


@dataclass(frozen=True, slots=True)
class Meaning:
    """What the words say so far."""

    names: tuple[str, ...]
    """The command with its sub-commands, as far as there are such."""
    command: click.Command | None
    """None: a word where a command is wanted names none."""
    given: tuple[Given, ...]
    waiting: click.Option | None
    """An option whose value has not come yet."""

    @property
    def is_group(self) -> bool:
        """Whether a sub-command is wanted next."""
        return isinstance(self.command, click.Group)

    def values_of(self, parameter: click.Parameter) -> list[str]:
        """What was given for a parameter."""
        return [one.text for one in self.given if one.parameter is parameter and not one.is_name]

    def has(self, parameter: click.Parameter) -> bool:
        """Whether a parameter was given."""
        return any(one.parameter is parameter for one in self.given)

    @property
    def arguments(self) -> list[click.Argument]:
        """Those of the command, in order."""
        return [] if self.command is None else [one for one in self.command.params if isinstance(one, click.Argument)]

    @property
    def next_argument(self) -> click.Argument | None:
        """The argument that the next word would be."""
        for argument in self.arguments:
            if argument.nargs == -1 or len(self.values_of(argument)) < argument.nargs:
                return argument
        return None


def meaning_of(root: click.Command, words: Sequence[str], also: Also | None = None) -> Meaning:
    """What the words mean to the commands under `root`."""
    command: click.Command | None = root
    names: list[str] = []
    place = 0
    while place < len(words) and not words[place].startswith("-"):
        if isinstance(command, click.Group):
            command = command.get_command(click.Context(command), words[place])
        elif (*names, words[place]) in (also or {}):
            command = (also or {})[*names, words[place]]()
        else:
            break
        if command is None:
            return Meaning(
                tuple(names), None, tuple(Given(at, words[at], None) for at in range(place, len(words))), None
            )
        names.append(words[place])
        place += 1
    assert command is not None
    return _parameters(tuple(names), command, words, place)


def _parameters(names: tuple[str, ...], command: click.Command, words: Sequence[str], place: int) -> Meaning:
    options: dict[str, click.Option] = {}
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            options |= dict.fromkeys((*parameter.opts, *parameter.secondary_opts), parameter)
    helps = set(command.context_settings.get("help_option_names", ["--help"]))
    arguments = [one for one in command.params if isinstance(one, click.Argument)]
    loose = bool(command.context_settings.get("ignore_unknown_options"))
    given: list[Given] = []
    waiting: click.Option | None = None
    only_values = False
    for at in range(place, len(words)):
        word = words[at]
        if waiting is not None and not (word.startswith("--") and _may_stand_alone(waiting)):
            given.append(Given(at, word, waiting))
            waiting = None
            continue
        waiting = None
        name, equals, value = word.partition("=")
        if only_values or not word.startswith("-") or word == "-" or (loose and name not in options):
            argument = _free(arguments, given)
            given.append(Given(at, word, argument))
        elif word == "--":
            only_values = True
            given.append(Given(at, word, None, is_name=True))
        elif word in helps:
            given.append(Given(at, word, None, is_name=True))
        elif name in options and (option := options[name]) is not None:
            given.append(Given(at, value, option) if equals else Given(at, "", option, is_name=True))
            waiting = None if equals or option.is_flag or option.count else option
        else:
            given.append(Given(at, word, None))
    return Meaning(names, command, tuple(given), waiting)


def _may_stand_alone(option: click.Option) -> bool:
    """Whether the option's value may be left out, as that of `--exercise [KIND]`."""
    return bool(getattr(option, "_flag_needs_value", False))


def _free(arguments: list[click.Argument], given: list[Given]) -> click.Argument | None:
    for argument in arguments:
        taken = sum(one.parameter is argument for one in given)
        if argument.nargs == -1 or taken < argument.nargs:
            return argument
    return None


class _Rows(click.HelpFormatter):
    """Takes the rows of a list of commands, without the text around them."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: list[tuple[str, str]] = []

    def write_dl(self, rows: Any, *args: Any, **extra: Any) -> None:
        """Keep the rows."""
        self.rows += rows


def commands_in(group: click.Group) -> list[tuple[str, str]]:
    """Names and short helps of a group's commands, as its help has them: none is imported for it."""
    rows = _Rows()
    group.format_commands(click.Context(group), rows)
    return rows.rows
