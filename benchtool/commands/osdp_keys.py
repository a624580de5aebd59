"""`--osdp-key FILE` and BENCHTOOL_OSDP_KEY: where keys of secure channels come from; never an argument, never shown."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from benchtool.commands.errors import CommandError, Exit
from benchtool.frames.osdp.keys import KeyRing, KeyText

_F = TypeVar("_F", bound=Callable[..., Any])

VARIABLE = "BENCHTOOL_OSDP_KEY"
_MOST_OCTETS = 1 << 20
_LOOKS_LIKE_A_KEY = re.compile(r"(?:[0-9A-Fa-f]{2}[ :-]?){15,}[0-9A-Fa-f]{1,2}")


def osdp_key_option(function: _F) -> _F:
    """`--osdp-key FILE`, given to the command as `osdp_key`."""
    return click.option(
        "--osdp-key",
        "osdp_key",
        type=click.Path(dir_okay=False),
        metavar="FILE",
        help=f"Keys of OSDP secure channels: 32 hex digits a line, after an address if need be; or set {VARIABLE}.",
    )(function)


def read_keys(path: str | None) -> KeyRing:
    """The keys of the file, or else of the environment variable, or none; CommandError in one line, without the key."""
    if path is None:
        text, where = os.environ.get(VARIABLE, ""), VARIABLE
        if not text.strip():
            return KeyRing()
    else:
        if _LOOKS_LIKE_A_KEY.fullmatch(path):
            raise CommandError(
                "--osdp-key takes a file, never the key itself, which would stay in the shell's history: "
                f"write it into a file, or set {VARIABLE}",
                Exit.USAGE,
            )
        where = path
        try:
            with Path(path).open("rb") as file:
                octets = file.read(_MOST_OCTETS + 1)
        except OSError as error:
            raise CommandError(f"--osdp-key {path}: cannot be read: {error.strerror}", Exit.INPUT) from None
        try:
            text = octets.decode("utf-8") if len(octets) <= _MOST_OCTETS else "\0"
        except UnicodeDecodeError:
            text = "\0"
        if "\0" in text:
            raise CommandError(f"--osdp-key {path}: not a text file with keys", Exit.INPUT)
    try:
        return KeyRing.parse(text)
    except KeyText as error:
        raise CommandError(f"{where}: {error}", Exit.INPUT) from None


def key_file_caution(path: str | None) -> str | None:
    """One line where others on this computer can read the key file; None where not, or where it cannot be told."""
    if path is None or os.name != "posix":
        return None
    try:
        mode = os.stat(path).st_mode
    except OSError:
        return None
    if stat.S_ISREG(mode) and mode & (stat.S_IRGRP | stat.S_IROTH):
        return f"other users of this computer can read {path}: chmod 600 {path}"
    return None
