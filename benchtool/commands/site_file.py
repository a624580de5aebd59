"""An installation's record as commands open it: errors are told with line and field."""

from __future__ import annotations

from pathlib import Path

from benchtool.commands.errors import CommandError, Exit
from benchtool.install.load import Loaded, RecordError, load

_MOST_TOLD = 10


def read_text(path: Path) -> str:
    """The file's text. CommandError says why it cannot be read."""
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise CommandError(f"{path} is not text in UTF-8: is it a record of an installation?", Exit.INPUT) from None
    except OSError as error:
        raise CommandError(f"{path} cannot be read: {error.strerror}", Exit.INPUT) from None


def read_site(path: Path) -> Loaded:
    """The record in a file. CommandError tells every fault, one a line, the first ten at the most."""
    try:
        return load(read_text(path))
    except RecordError as error:
        told = [str(fault) for fault in error.faults[:_MOST_TOLD]]
        more = len(error.faults) - len(told)
        told += [f"and {more} more"] if more else []
        raise CommandError("\n".join(f"{path}: {line}" for line in told), Exit.INPUT) from None
