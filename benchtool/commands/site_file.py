"""An installation's record as commands open it: errors are told with line and field."""

from __future__ import annotations

import contextlib
import os
import tempfile
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


def write_text(path: Path, text: str) -> None:
    """Put a new text in the file's place, whole or not at all; line ends stay as they were. CommandError says why not.

    What is read again is on the disk: a laptop that falls off the ladder loses nothing that was answered.
    """
    target = Path(os.path.realpath(path))
    try:
        old = target.read_bytes() if target.exists() else b""
        octets = text.encode("utf-8")
        if b"\r\n" in old:
            octets = octets.replace(b"\r\n", b"\n").replace(b"\n", b"\r\n")
        handle, name = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(octets)
                file.flush()
                os.fsync(file.fileno())
            # mkstemp lets nobody else read; the record keeps its own permissions, a new one gets the usual ones.
            os.chmod(name, target.stat().st_mode & 0o7777 if target.exists() else 0o666 & ~_umask())
            os.replace(name, target)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(name)
            raise
    except OSError as error:
        raise CommandError(f"{path} cannot be written: {error.strerror}", Exit.OUTPUT) from None


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
