"""The lines typed in earlier visits, in a file for their owner alone; what may hold a secret never gets there."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable
from pathlib import Path

from prompt_toolkit.history import History

MOST_LINES = 1000
"""So many are kept when the shell starts."""


def user_folder(environment: dict[str, str] | None = None, platform: str = sys.platform) -> Path:
    """Where a user's own data of benchtool lies: as XDG's base directory specification says, or as the system does."""
    given = dict(os.environ) if environment is None else environment
    home = Path(given.get("HOME") or given.get("USERPROFILE") or Path.home())
    if platform == "win32":
        return Path(given.get("APPDATA") or home / "AppData" / "Roaming") / "benchtool"
    if platform == "darwin":
        return home / "Library" / "Application Support" / "benchtool"
    base = given.get("XDG_DATA_HOME", "")
    # The specification: a relative path is invalid and to be ignored.
    return (Path(base) if Path(base).is_absolute() else home / ".local" / "share") / "benchtool"


class VisitHistory(History):
    """All lines while the shell runs; those that `keeps` says yes to also in the file.

    `path` None: no file. A file that cannot be read or written is told in `trouble`, once, and the shell goes on.
    """

    def __init__(self, path: Path | None, keeps: Callable[[str], bool]) -> None:
        super().__init__()
        self.path = path
        self.trouble: str | None = None
        self._keeps = keeps

    def load_history_strings(self) -> Iterable[str]:
        """Newest first."""
        if self.path is None:
            return []
        try:
            lines = self.path.read_text(encoding="utf-8", errors="replace").splitlines()
        except FileNotFoundError:
            return []
        except OSError as error:
            self._failed(error)
            return []
        if len(lines) > MOST_LINES:
            lines = lines[-MOST_LINES:]
            self._write("".join(f"{line}\n" for line in lines), os.O_TRUNC)
        return reversed(lines)

    def append_string(self, string: str) -> None:
        """Remember a line; the same as the last one once."""
        if string.strip() and self._loaded_strings[:1] != [string]:
            super().append_string(string)

    def store_string(self, string: str) -> None:
        """Write it to the file if it may be there."""
        if self.path is not None and "\n" not in string and self._keeps(string):
            self._write(f"{string}\n", os.O_APPEND)

    def _write(self, text: str, flag: int) -> None:
        assert self.path is not None
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            handle = os.open(self.path, os.O_WRONLY | os.O_CREAT | flag, 0o600)
            with open(handle, "wb") as file:
                if hasattr(os, "fchmod"):
                    os.fchmod(file.fileno(), 0o600)
                file.write(text.encode("utf-8", errors="replace"))
        except OSError as error:
            self._failed(error)

    def _failed(self, error: OSError) -> None:
        self.trouble = f"the history is not kept: {self.path}: {error.strerror or error}"
        self.path = None
