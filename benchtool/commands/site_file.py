"""An installation's record as commands open it: errors are told with line and field."""

from __future__ import annotations

import codecs
import contextlib
import os
import tempfile
from pathlib import Path

from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.outputs import not_written
from benchtool.install.load import Loaded, RecordError, load

_MOST_TOLD = 10


def read_text(path: Path) -> str:
    """The file's text, its line ends as \\n and without a mark of UTF-8 before it. CommandError says why it cannot be
    read."""
    try:
        octets = path.read_bytes()
    except FileNotFoundError:
        mend = f"benchtool site new {path} begins a record"
        raise CommandError(f"{path} cannot be read: there is no such file; {mend}", Exit.INPUT) from None
    except OSError as error:
        raise CommandError(f"{path} cannot be read: {error.strerror}", Exit.INPUT) from None
    octets = octets.removeprefix(codecs.BOM_UTF8)
    try:
        text = octets.decode("utf-8")
    except UnicodeDecodeError as error:
        raise CommandError(f"{path}: {_not_utf8(octets, error.start)}", Exit.INPUT) from None
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _not_utf8(octets: bytes, place: int) -> str:
    """What the file is written in, as far as that can be told from the octet at a place that is not UTF-8."""
    if octets.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "it is written in UTF-16: save it as UTF-8"
    if b"\0" in octets:
        return "it is no text: is it a record of an installation?"
    ends = octets[:place].replace(b"\r\n", b"\n").replace(b"\r", b"\n").count(b"\n")
    where = f"line {ends + 1}: octet {octets[place]:02X} is not UTF-8"
    try:
        octets.decode("cp1252")
    except UnicodeDecodeError:
        return f"{where}: save the file as UTF-8"
    meant = octets[place : place + 1].decode("cp1252")
    return f"{where}; in cp1252 (Windows, Western Europe) it is {meant!r}: save the file as UTF-8"


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
    """Put a new text in the file's place, whole or not at all; line ends, and a mark of UTF-8 before it, stay as they
    were. CommandError says why not.

    What is read again is on the disk: a laptop that falls off the ladder loses nothing that was answered.
    """
    target = Path(os.path.realpath(path))
    try:
        old = target.read_bytes() if target.exists() else b""
        octets = text.encode("utf-8")
        if b"\r\n" in old:
            octets = octets.replace(b"\r\n", b"\n").replace(b"\n", b"\r\n")
        if old.startswith(codecs.BOM_UTF8):
            octets = codecs.BOM_UTF8 + octets
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
        raise not_written(path, error) from None


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
