"""A closed terminal or a polite kill ends the shell as leaving it does: the log gets its last line.

A command may set its own handlers and leave none behind, so `minds_signals` is called before each line.
"""

from __future__ import annotations

import signal
from contextlib import suppress
from types import FrameType

from benchtool.screens.shell import Shell


def minds_signals(shell: Shell) -> None:
    """From now on these signals end the shell; whoever runs it closes it."""

    def ended(number: int, frame: FrameType | None) -> None:
        shell.leaving = True
        raise SystemExit(128 + number)

    for name in ("SIGHUP", "SIGTERM"):
        if hasattr(signal, name):
            with suppress(ValueError):  # not the main thread: somebody else minds the signals
                signal.signal(getattr(signal, name), ended)
