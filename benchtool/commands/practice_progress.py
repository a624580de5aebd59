"""What is kept of practice: one small private file on this computer, deleted by `--forget`; nothing is sent."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Any, NamedTuple

from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.measured import write_text

_KEY, _VERSION = "benchtool-practice", 1
_MOST_OCTETS = 2_000_000
_MOST_KEPT = 1000


class Played(NamedTuple):
    """One installation played."""

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


def load(path: Path) -> list[Played]:
    """What was played, oldest first; none where there is no file. CommandError where it is another file."""
    try:
        with path.open("rb") as file:
            held: Any = json.loads(file.read(_MOST_OCTETS).decode("utf-8"))
        if held[_KEY] != _VERSION:
            raise ValueError
        return [
            Played(int(row[0]), int(row[1]), str(row[2]), str(row[3]), int(row[4]), int(row[5]))
            for row in held["played"][-_MOST_KEPT:]
        ]
    except FileNotFoundError:
        return []
    except OSError as error:
        raise CommandError(f"{path}: {error.strerror or error}", Exit.INPUT) from None
    except (ValueError, KeyError, TypeError, IndexError, RecursionError):
        raise CommandError(f"{path}: no record of practice; choose another with --progress FILE", Exit.INPUT) from None


def keep(path: Path, played: Played) -> None:
    """Add one; for the owner alone to read."""
    rows = [*load(path), played][-_MOST_KEPT:]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CommandError(f"{path}: cannot be written ({error.strerror or error})", Exit.OUTPUT) from None
    write_text(str(path), json.dumps({_KEY: _VERSION, "played": [list(row) for row in rows]}, indent=1))


def forget(path: Path) -> bool:
    """Delete it; False where there was none. CommandError where it is another file."""
    load(path)
    try:
        path.unlink()
    except FileNotFoundError:
        return False
    except OSError as error:
        raise CommandError(f"{path}: cannot be deleted ({error.strerror or error})", Exit.OUTPUT) from None
    return True


def lines(rows: list[Played]) -> list[str]:
    """Progress by level."""
    found = ["level  played  found  mean score"]
    for level in sorted({row.level for row in rows}):
        mine = [row for row in rows if row.level == level]
        mean = sum(row.score for row in mine) / len(mine)
        found.append(f"{level:5}  {len(mine):6}  {sum(row.right for row in mine):5}  {mean:10.0f}")
    return found if rows else ["nothing was played yet"]
