"""Exit codes, and the one-line errors that carry them. Documented in docs/commands.md."""

from __future__ import annotations

from enum import IntEnum

import click


class Exit(IntEnum):
    """What the command's exit code says to a script."""

    DONE = 0
    """Done."""
    FAULT = 1
    """Done, and something is wrong: only where the user asked for it with `--strict`."""
    USAGE = 2
    """The command line or a value in it is wrong."""
    TAP = 3
    """The tap could not be opened or read: absent, busy, forbidden."""
    INPUT = 4
    """A file is not what it should be."""
    OUTPUT = 5
    """A file could not be written: no room, no permission."""


class CommandError(click.ClickException):
    """One clear line with the mend, and an exit code."""

    def __init__(self, message: str, code: Exit) -> None:
        super().__init__(message)
        self.exit_code = int(code)  # type: ignore[misc]  # click reads it from the instance

    def show(self, file: object = None) -> None:
        """Print the line on standard error."""
        click.echo(f"benchtool: {self.message}", err=True)
