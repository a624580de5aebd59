"""Files that commands write: what is there already is kept, unless `--overwrite` is given; one rule, the same words.

Checked before anything is listened to, so that no work is lost to a name.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from contextlib import suppress
from io import BufferedWriter
from pathlib import Path
from secrets import token_hex
from typing import Any, TypeVar

import click

from benchtool.capture.private import create_private
from benchtool.capture.problems import CaptureError, why_not_written
from benchtool.commands.errors import CommandError, Exit

_F = TypeVar("_F", bound=Callable[..., Any])


def overwrite_option(files: str) -> Callable[[_F], _F]:
    """`--overwrite`; `files`: which of the command's files it is about, as `pages`."""
    return click.option("--overwrite", is_flag=True, help=f"Write over {files} there already.")


def is_there(option: str, path: str | Path) -> CommandError:
    """The refusal to write over a file."""
    return CommandError(f"{option} {path} is there already; add --overwrite to write over it", Exit.OUTPUT)


def check_output(
    path: str | None,
    option: str,
    endings: tuple[str, ...],
    *,
    overwrite: bool,
    reads: Iterable[str] = (),
    ours: Callable[[bytes], bool] | None = None,
) -> None:
    """CommandError where a result has another ending, no folder to go to, or would replace what is read or kept.

    `ours` tells by its first octets what alone may be replaced: a name that was mistyped costs nobody a file.
    """
    if path is None:
        return
    target = Path(path)
    if target.suffix.lower() not in endings:
        raise CommandError(f"{option} {path}: the name ends in {' or '.join(endings)}", Exit.USAGE)
    for one in reads:
        with suppress(OSError, ValueError):
            if os.path.samefile(path, one):
                raise CommandError(f"{option} {path} is the file that is being read; choose another name", Exit.USAGE)
    if target.is_dir():
        raise CommandError(f"{option} {path} is a folder; give the name of a file in it", Exit.OUTPUT)
    if target.exists():
        if ours is not None and not ours(_beginning(target, option)):
            raise CommandError(f"{option} {path}: there is another file of that name; choose another name", Exit.OUTPUT)
        if not overwrite:
            raise is_there(option, path)
    if not target.parent.is_dir():
        raise CommandError(f"{option} {path}: there is no folder {target.parent}; make it first", Exit.OUTPUT)


def check_page(path: str | None, option: str, *, overwrite: bool, reads: Iterable[str] = ()) -> None:
    """The same for a page: only a page is replaced."""
    check_output(path, option, (".html", ".htm"), overwrite=overwrite, reads=reads, ours=_is_page)


def _is_page(begins: bytes) -> bool:
    return not begins or begins.lstrip()[:15].lower().startswith(b"<!doctype html")


def _beginning(target: Path, option: str) -> bytes:
    try:
        with target.open("rb") as opened:
            return opened.read(200)
    except OSError as error:
        raise CommandError(f"{option} {target}: cannot be read ({error.strerror or error})", Exit.OUTPUT) from None


def write_text(path: str, text: str) -> None:
    """Write a result that only its owner may read; CommandError if that cannot be done.

    What was there before stays until all is written.
    """
    target = Path(os.path.realpath(path))
    part = target.with_name(f".{target.name}.{token_hex(4)}")  # nothing of anybody's has that name
    try:
        file = create_private(part, overwrite=False)
        try:
            with BufferedWriter(file) as buffered:
                # A name that is no UTF-8 can stand in the text.
                buffered.write(text.encode("utf-8", "backslashreplace"))
            part.replace(target)
        except BaseException:
            with suppress(OSError):
                part.unlink()
            raise
    except OSError as error:
        raise not_written(path, error) from None


def not_written(path: str | Path, error: OSError) -> CommandError:
    """The command's error for a file that cannot be written."""
    return CommandError(f"{path} cannot be written: {why_not_written(error)}", Exit.OUTPUT)


def write_results(files: Iterable[tuple[str, str, str]]) -> None:
    """Write results, each a path, a text and what it is, and say so on standard error; all that can be written.

    CommandError of the first that cannot. Called when the result was shown: a full disk takes nothing of it.
    """
    failed: CommandError | None = None
    for path, text, what in files:
        try:
            write_text(path, text)
        except CommandError as error:
            failed = failed or error
        else:
            click.echo(f"{what}: {path}", err=True)
    if failed is not None:
        raise failed


def recording_failed(error: CaptureError, record: str) -> CommandError:
    """The command's error for a recording that cannot be begun."""
    return is_there("--record", record) if error.reason == "exists" else CommandError(str(error), Exit.OUTPUT)
