"""`benchtool shell`, and `benchtool` alone at a terminal: all commands at one prompt, or line by line from a file."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchtool.commands.errors import CommandError, Exit

if TYPE_CHECKING:
    from benchtool.screens.shell import Shell
    from benchtool.screens.shell_tree import Also


def at_terminal() -> bool:
    """Whether a person types, and looks on."""
    return bool(sys.stdin is not None and sys.stdin.isatty() and sys.stdout is not None and sys.stdout.isatty())


@click.command("shell", context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("lines", required=False, type=click.Path(dir_okay=False, allow_dash=True), metavar="[FILE]")
@click.option(
    "--log", "log_file", type=click.Path(dir_okay=False), metavar="FILE", help="Begin the visit's log at once."
)
@click.option("--no-history", is_flag=True, help="Neither read nor write the history file.")
@click.pass_context
def command(context: click.Context, lines: str | None, log_file: str | None, no_history: bool) -> None:
    """Open a prompt with all commands, to stay in through a visit; or run the lines of FILE (- for standard input).

    Tab completes, arrow keys bring back earlier lines, Ctrl-C stops the running command only, Ctrl-D leaves. `use TAP`
    sets the tap for commands that name none, `log start` begins the visit's log, `help` tells the rest.

    Lines that may hold a card, a key or a PIN never get into the history file; in the log such words are ***.

    \b
    Examples:
      benchtool
      benchtool shell --log visit.log
      benchtool shell morning.txt
      echo "diagnose sim:demo" | benchtool shell -
    """
    root = context.find_root().command
    assert isinstance(root, click.Group)
    if lines is None:
        begin(root, log_file=log_file, no_history=no_history)
        return
    sys.exit(_run_lines(root, lines, log_file))


def begin(root: click.Group, *, log_file: str | None = None, no_history: bool = False) -> None:
    """Open the prompt; CommandError where there is no terminal."""
    if not at_terminal():
        raise CommandError(
            "no terminal to type at: lines from a file or a pipe are run by benchtool shell -", Exit.USAGE
        )
    from benchtool.screens.shell_complete import ShellCompleter
    from benchtool.screens.shell_history import VisitHistory, user_folder
    from benchtool.screens.shell_own import OWN
    from benchtool.screens.shell_prompt import open_prompt, talk

    shell = _shell(root, log_file, interactive=True)
    history = VisitHistory(None if no_history else user_folder() / "history", shell.harmless)
    talk(shell, open_prompt(history, ShellCompleter(root, OWN, _ports, _also())))


def _shell(root: click.Group, log_file: str | None, *, interactive: bool) -> Shell:
    from benchtool.screens.shell import Shell
    from benchtool.screens.shell_log import LogError, VisitLog

    log = VisitLog(datetime.now)
    if log_file is not None:
        try:
            log.start(Path(log_file))
        except LogError as error:
            raise CommandError(str(error), Exit.OUTPUT) from None
    return Shell(root, log, also=_also(), interactive=interactive)


def _run_lines(root: click.Group, name: str, log_file: str | None) -> int:
    """Run all lines; the exit code of the first that failed."""
    if name == "-":
        return _run_each(_shell(root, log_file, interactive=False), sys.stdin)
    try:
        text = Path(name).read_text(encoding="utf-8")
    except OSError as error:
        raise CommandError(f"{name}: cannot be read ({error.strerror or error})", Exit.INPUT) from None
    except UnicodeDecodeError:
        raise CommandError(f"{name}: not a text file with a command a line", Exit.INPUT) from None
    return _run_each(_shell(root, log_file, interactive=False), text.splitlines())


def _run_each(shell: Shell, lines: Iterable[str]) -> int:
    from benchtool.screens.shell_end import minds_signals

    failed = 0
    try:
        for line in lines:
            minds_signals(shell)
            if not line.strip() or line.strip().startswith("#"):
                continue
            # Nobody typed it, so that the page shows what was run only if we write it.
            click.echo(f"{shell.prompt()}{shell.shown(line)}")
            code = shell.run(line)
            failed = failed or code
            if shell.leaving:
                break
    finally:
        shell.close()
    return failed


def _also() -> Also:
    """`simulate card` is a command behind a word of one that is no group."""

    def simulate_card() -> click.Command:
        from benchtool.commands.simulate_card import command as card

        return card

    return {("simulate", "card"): simulate_card}


def _ports() -> list[str]:
    from benchtool.taps.devices import list_adapters

    return [adapter.device for adapter in list_adapters()]
