"""What is kept of practice: one small private file on this computer, deleted by `--forget`; nothing is sent.

A line of JSON for each installation played, and for each step in one that is open; only ever added to, so that two
practices at once lose nothing.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Mapping
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple

from benchtool.commands.errors import CommandError, Exit

_KEY, _OPEN, _VERSION = "benchtool-practice", "benchtool-practice-open", 1
_MOST_OCTETS = 2_000_000
"""So much of the file's end is read: what was played last counts most, and is enough to go on with."""
_BEGINNINGS = tuple(f'{{"{key}": '.encode() for key in (_KEY, _OPEN))


class Played(NamedTuple):
    """One installation played."""

    lines: str
    """`bus` or `data`."""
    level: int
    seed: int
    fault: str
    named: str
    """What the learner named last; empty where nothing."""
    score: int
    minutes: int

    @property
    def right(self) -> bool:
        """Whether the fault was found."""
        return self.named == self.fault


def home() -> Path:
    """The folder for a user's own data: BENCHTOOL_HOME, or the platform's."""
    named = os.environ.get("BENCHTOOL_HOME")
    if named:
        return Path(named)
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA")
        return (Path(base) if base else Path.home() / "AppData" / "Local") / "benchtool"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support" / "benchtool"
    base = os.environ.get("XDG_DATA_HOME")
    return (Path(base) if base else Path.home() / ".local" / "share") / "benchtool"


def progress_file(given: str | None) -> Path:
    """The file as given, or the one in the user's folder."""
    return Path(given) if given is not None else home() / "practice.json"


class Which(NamedTuple):
    """Which installation."""

    lines: str
    """`bus` or `data`."""
    level: int
    seed: int


class Step(NamedTuple):
    """One line typed that counted, in an installation that was open then; empty for its beginning."""

    which: Which
    typed: str


class Kept(NamedTuple):
    """What a file of progress holds."""

    rows: list[Played]
    """Oldest first."""
    spoilt: int
    """Lines that cannot be read: half-written when the power went, or of another version."""
    open: dict[Which, list[str]]
    """Installations that were begun and not named, the one worked on last at the end; with what was done in them."""

    def last_open(self, lines: str | None, level: int | None) -> Which | None:
        """The one left open last, of these lines and level where they are given."""
        asked = [one for one in self.open if lines in (None, one.lines) and level in (None, one.level)]
        return asked[-1] if asked else None


NOTHING = Kept([], 0, {})


def load(path: Path) -> Kept:
    """What was played, of a long file the last; nothing where there is none. CommandError where it is another file.

    A spoilt line among good ones is passed over, and stays in the file as it is.
    """
    try:
        with path.open("rb") as file:
            rows = _tail(file).split(b"\n")
    except FileNotFoundError:
        return NOTHING
    except OSError as error:
        told = f"{error.strerror or error}; choose another with --progress FILE, or a folder with BENCHTOOL_HOME"
        raise CommandError(f"{path}: {told}", Exit.INPUT) from None
    lines = [row for row in rows if row.strip()]
    read = [one for one in map(_read, lines) if one is not None]
    if lines and not read:
        raise CommandError(f"{path}: no record of practice; choose another with --progress FILE", Exit.INPUT)
    left: dict[Which, list[str]] = {}
    for one in read:
        which = one.which if isinstance(one, Step) else Which(one.lines, one.level, one.seed)
        steps = left.pop(which, [])
        if isinstance(one, Step):
            left[which] = [*steps, one.typed] if one.typed else steps
    return Kept([one for one in read if isinstance(one, Played)], len(lines) - len(read), left)


def _tail(file: BinaryIO) -> bytes:
    """The last octets of a file that is only added to, from a line's beginning; of a pipe the first."""
    if file.seekable() and (begin := file.seek(0, os.SEEK_END) - _MOST_OCTETS) > 0:
        file.seek(begin - 1)
        file.readline(_MOST_OCTETS)  # the line that is cut
    elif file.seekable():
        file.seek(0)
    return file.read(_MOST_OCTETS)


def out_of_reach(path: Path) -> bool:
    """Whether nobody can even see if there is such a file."""
    try:
        path.stat()
    except FileNotFoundError:
        return False
    except OSError:
        return True
    return False


def _read(row: bytes) -> Played | Step | None:
    """One line; None where it is none."""
    try:
        held: Any = json.loads(row.decode("utf-8"))
        if _OPEN in held:
            if held[_OPEN] != _VERSION or held["lines"] not in ("bus", "data"):
                return None
            return Step(Which(held["lines"], int(held["level"]), int(held["seed"])), str(held["step"]))
        if held[_KEY] != _VERSION or held["lines"] not in ("bus", "data"):
            return None
        return Played(
            held["lines"],
            int(held["level"]),
            int(held["seed"]),
            str(held["fault"]),
            str(held["named"]),
            int(held["score"]),
            int(held["minutes"]),
        )
    except (ValueError, KeyError, TypeError, IndexError, OverflowError, RecursionError):
        return None


def check_writable(path: Path) -> str | None:
    """Why nothing could be kept there, in a few words; None where it can."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        os.close(_opened(path))
    except OSError as error:
        return error.strerror or str(error)
    return None


def keep(path: Path, played: Played) -> None:
    """Add one; for the owner alone to read. CommandError where that cannot be done."""
    _add(path, {_KEY: _VERSION, **played._asdict()})


def keep_step(path: Path, step: Step) -> None:
    """Add what was done in an installation that is open; CommandError where that cannot be done."""
    _add(path, {_OPEN: _VERSION, **step.which._asdict(), "step": step.typed})


def _add(path: Path, held: Mapping[str, object]) -> None:
    row = json.dumps(held)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = _opened(path)
        try:
            # A line that was cut off is ended first, so that it spoils no other.
            os.write(handle, f"{'' if _ends_a_line(path) else chr(10)}{row}\n".encode())
        finally:
            os.close(handle)
    except OSError as error:
        raise CommandError(f"{path}: cannot be written ({error.strerror or error})", Exit.OUTPUT) from None


def _ends_a_line(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            file.seek(0, os.SEEK_END)
            if not file.tell():
                return True
            file.seek(-1, os.SEEK_END)
            return file.read(1) == b"\n"
    except OSError:
        return True


def _opened(path: Path) -> int:
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    if hasattr(os, "fchmod"):
        with suppress(OSError):  # a file of somebody else that we may write: its mode is theirs
            os.fchmod(handle, 0o600)
    return handle


def forget(path: Path) -> bool:
    """Delete it; False where there was none. CommandError where it is another file, or holds lines of another."""
    load(path)
    try:
        if path.exists() and (foreign := _foreign(path)):
            told = f"{foreign} of its lines are no record of practice; it is kept: delete it yourself if it may go"
            raise CommandError(f"{path}: {told}", Exit.INPUT)
        path.unlink()
    except FileNotFoundError:
        return False
    except OSError as error:
        raise CommandError(f"{path}: cannot be deleted ({error.strerror or error})", Exit.OUTPUT) from None
    return True


def _foreign(path: Path) -> int:
    """How many lines are not of practice; one that was cut off, or left as zeros when the power went, is no such."""
    with path.open("rb") as file:
        rows = iter(partial(file.readline, _MOST_OCTETS), b"")
        return sum(not _may_be_ours(row.strip(b" \t\r\n\0")) for row in rows)


def _may_be_ours(row: bytes) -> bool:
    return any(row.startswith(one) or one.startswith(row) for one in _BEGINNINGS)


def lines(kept: Kept) -> list[str]:
    """Progress by level. Of an installation that was played again only the first time counts: its fault is known."""
    first = {(row.lines, row.level, row.seed): row for row in reversed(kept.rows)}
    again = len(kept.rows) - len(first)
    found = ["lines  level  played  found  mean score"]
    for kind, level in sorted({(row.lines, row.level) for row in kept.rows}):
        mine = [row for row in first.values() if (row.lines, row.level) == (kind, level)]
        mean = sum(row.score for row in mine) / len(mine)
        found.append(f"{kind:5}  {level:5}  {len(mine):6}  {sum(row.right for row in mine):5}  {mean:10.0f}")
    if again:
        found.append(f"played again, not counted: {again}")
    if not kept.rows:
        found = ["nothing was played to its end yet" if kept.open else "nothing was played yet"]
    found += [f"left open: {one.lines}, level {one.level}, installation {one.seed}" for one in kept.open]
    return found


def spoilt_words(path: Path, kept: Kept) -> str | None:
    """That some lines cannot be read; None where all can."""
    return f"note: {path}: lines that cannot be read, and are left out: {kept.spoilt}" if kept.spoilt else None


def as_objects(rows: list[Played]) -> list[dict[str, int | str | bool]]:
    """For `--json`."""
    return [{**row._asdict(), "right": row.right} for row in rows]
