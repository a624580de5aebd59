"""Files that only their owner may read: recordings hold card numbers and may hold keys. On Windows nothing changes."""

from __future__ import annotations

import os
import stat
from contextlib import suppress
from io import FileIO
from pathlib import Path

_MODE = 0o600


def create_private(path: str | Path, *, overwrite: bool) -> FileIO:
    """A file to write, empty, closed to everybody but its owner; also where it was there before and is replaced.

    FileExistsError where it is there and `overwrite` is not set; OSError or ValueError where it cannot be made.
    """
    file = FileIO(str(path), "w" if overwrite else "x", opener=lambda name, flags: os.open(name, flags, _MODE))
    try:
        # A device or pipe under that name keeps its mode.
        if hasattr(os, "fchmod") and stat.S_ISREG(os.fstat(file.fileno()).st_mode):
            os.fchmod(file.fileno(), _MODE)
    except OSError:
        pass  # a file of somebody else that we may write: its mode is theirs
    return file


def discard_empty(path: str | Path) -> None:
    """Take a file away in which nothing could be written: its name is free again once there is room."""
    with suppress(OSError):
        found = os.stat(path)
        if stat.S_ISREG(found.st_mode) and found.st_size == 0:
            os.unlink(path)
