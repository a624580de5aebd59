"""The prompt of the shell at a terminal: completion, history, and the loop that asks for lines and runs them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click
from prompt_toolkit import PromptSession

from benchtool import __version__
from benchtool.reports.folded import columns, fold
from benchtool.screens.shell import Shell
from benchtool.screens.shell_complete import ShellCompleter
from benchtool.screens.shell_end import minds_signals
from benchtool.screens.shell_history import VisitHistory

if TYPE_CHECKING:
    from prompt_toolkit.input import Input
    from prompt_toolkit.output import Output

BEGINNING = (
    f"benchtool {__version__}: what is on a bus, what it says, what is wrong. Ctrl-D leaves.",
    "First: demo (no hardware), ports (adapters here), diagnose TAP; help lists all.",
    "To learn without hardware: practice hides a fault for you to find.",
)


def open_prompt(
    history: VisitHistory, completer: ShellCompleter, given: Input | None = None, shown: Output | None = None
) -> PromptSession[str]:
    """The prompt on the terminal, or on an input and an output of tests. Tab completes; nothing pops up unasked."""
    return PromptSession(
        history=history,
        completer=completer,
        complete_while_typing=False,
        complete_in_thread=True,
        enable_history_search=True,
        reserve_space_for_menu=6,
        input=given,
        output=shown,
    )


def talk(shell: Shell, session: PromptSession[str]) -> None:
    """Ask for lines and run them until the person leaves. Ctrl-C ends a command, or empties the line, never more."""
    click.echo("\n".join(fold(BEGINNING, columns())))
    try:
        while not shell.leaving:
            minds_signals(shell)
            _one(shell, session)
    finally:
        shell.close()


def _one(shell: Shell, session: PromptSession[str]) -> None:
    try:
        typed = session.prompt(shell.prompt())
    except KeyboardInterrupt:
        return
    except EOFError:
        shell.leave()
        return
    if isinstance(session.history, VisitHistory) and session.history.trouble is not None:
        click.echo(f"note: {session.history.trouble}", err=True)
        session.history.trouble = None
    # What is pasted may be several lines.
    for line in typed.splitlines():
        try:
            shell.run(line)
        except KeyboardInterrupt:
            click.echo("", err=True)
            return
        if shell.leaving:
            return
