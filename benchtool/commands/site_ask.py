"""Questions to a person: in a terminal with completion and editing, or as plain lines from a pipe."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Protocol, TextIO

import click

from benchtool.reports.folded import columns, fold, wrap

if TYPE_CHECKING:
    from prompt_toolkit.input import Input
    from prompt_toolkit.output import Output


_ROOM = 12
"""Columns that are left for an answer behind its question."""


class Asker(Protocol):
    """Asks one question."""

    def ask(self, prompt: str, choices: Sequence[str] = (), kept: str = "") -> str:
        """What is typed, without its Enter. `kept` is taken by Enter alone. EOFError where nobody answers any more."""
        ...


def say(text: str) -> None:
    """Print lines between whose words the terminal need not break."""
    click.echo("\n".join(fold(text.split("\n"), columns())))


def say_keys(keys: Sequence[str]) -> None:
    """Print what can be typed, none of it broken in two."""
    lines = [""]
    for key in keys:
        longer = f"{lines[-1]} | {key}" if lines[-1] else key
        if len(longer) <= columns():
            lines[-1] = longer
        else:
            lines.append(key)
    click.echo("\n".join(lines))


def folded_prompt(prompt: str) -> str:
    """A question in lines as wide as the terminal, with room for the answer behind the last."""
    words = prompt.strip()
    above = prompt[: len(prompt) - len(prompt.lstrip("\n"))]
    indent = " " * (len(prompt) - len(prompt.lstrip()) - len(above))
    lines = wrap(words, indent, f"{indent}  ")
    if (len(lines) > 1 and len(lines[-1]) > columns() - _ROOM) or len(lines[-1]) >= columns() - 1:
        lines.append(f"{indent} ")
    return above + "\n".join(lines) + " "


class PlainAsker:
    """Asks on plain lines."""

    def __init__(self, lines: TextIO) -> None:
        self._lines = lines

    def ask(self, prompt: str, choices: Sequence[str] = (), kept: str = "") -> str:
        """A line of the input, or what was kept where it is empty."""
        click.echo(folded_prompt(prompt), nl=False)
        line = self._lines.readline()
        if not line:
            click.echo()
            raise EOFError
        line = line.rstrip("\r\n") or kept
        # A terminal echoes what is typed; a pipe does not, and its output would be one long line.
        if not self._lines.isatty():
            click.echo(line)
        return line


class TerminalAsker:
    """Asks in a terminal: Tab completes, the arrow up brings back what was typed before, refused or not."""

    def __init__(self, given: Input | None = None, shown: Output | None = None) -> None:
        from prompt_toolkit import PromptSession
        from prompt_toolkit.filters import Condition
        from prompt_toolkit.key_binding import KeyBindings

        keys = KeyBindings()
        self._session: PromptSession[str] = PromptSession(input=given, output=shown, key_bindings=keys)

        @keys.add("c-j", filter=Condition(lambda: not self._session.default_buffer.text))
        def _line_feed_of_a_scanner(event: Any) -> None:
            """Some scanners end with two marks: the second must not answer the next question with nothing."""

    def ask(self, prompt: str, choices: Sequence[str] = (), kept: str = "") -> str:
        """What is typed. What was kept stands there selected: the next key takes its place."""
        from prompt_toolkit.completion import WordCompleter

        completer = WordCompleter(list(choices), ignore_case=True, sentence=True)
        answer: Any = self._session.prompt(
            folded_prompt(prompt),
            completer=completer,
            default=kept,
            complete_while_typing=False,
            pre_run=self._select if kept else None,
        )
        # The shell's log, where one runs, does not see what a terminal's prompt draws.
        if (keep := getattr(sys.stdout, "typed", None)) is not None:
            keep(prompt, str(answer))
        return str(answer)

    def _select(self) -> None:
        buffer = self._session.default_buffer
        buffer.cursor_position = 0
        buffer.start_selection()
        if buffer.selection_state is not None:
            buffer.selection_state.enter_shift_mode()
        buffer.cursor_position = len(buffer.text)


def make_asker() -> Asker:
    """The terminal's if there is one on both sides, else plain lines."""
    if sys.stdin.isatty() and sys.stdout.isatty():
        return TerminalAsker()
    return PlainAsker(sys.stdin)
