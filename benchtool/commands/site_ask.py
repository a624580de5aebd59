"""Questions to a person: in a terminal with completion and editing, or as plain lines from a pipe."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Protocol, TextIO

import click

if TYPE_CHECKING:
    from prompt_toolkit.input import Input
    from prompt_toolkit.output import Output


class Asker(Protocol):
    """Asks one question."""

    def ask(self, prompt: str, choices: Sequence[str] = (), typed: str = "") -> str:
        """What is typed, without its Enter. `typed` is offered for editing. EOFError where nobody answers any more."""
        ...


class PlainAsker:
    """Asks on plain lines."""

    def __init__(self, lines: TextIO) -> None:
        self._lines = lines

    def ask(self, prompt: str, choices: Sequence[str] = (), typed: str = "") -> str:
        """A line of the input; what was refused is not shown for editing here."""
        click.echo(prompt, nl=False)
        line = self._lines.readline()
        if not line:
            click.echo()
            raise EOFError
        line = line.rstrip("\r\n")
        # A terminal echoes what is typed; a pipe does not, and its output would be one long line.
        if not self._lines.isatty():
            click.echo(line)
        return line


class TerminalAsker:
    """Asks in a terminal: Tab completes, a refused answer can be edited."""

    def __init__(self, given: Input | None = None, shown: Output | None = None) -> None:
        from prompt_toolkit import PromptSession

        self._session: PromptSession[str] = PromptSession(input=given, output=shown)

    def ask(self, prompt: str, choices: Sequence[str] = (), typed: str = "") -> str:
        """What is typed."""
        from prompt_toolkit.completion import WordCompleter

        completer = WordCompleter(list(choices), ignore_case=True, sentence=True)
        answer: Any = self._session.prompt(prompt, completer=completer, default=typed, complete_while_typing=False)
        # The shell's log, where one runs, does not see what a terminal's prompt draws.
        if (keep := getattr(sys.stdout, "typed", None)) is not None:
            keep(prompt, str(answer))
        return str(answer)


def make_asker() -> Asker:
    """The terminal's if there is one on both sides, else plain lines."""
    if sys.stdin.isatty() and sys.stdout.isatty():
        return TerminalAsker()
    return PlainAsker(sys.stdin)
