"""What can be wrong with a capture file: the one-line error, and the list of problems found while reading.

A file that cannot be used at all raises `CaptureError`; anything less is noted here and reading goes on.
"""

from __future__ import annotations

import errno

KEPT = 20
"""How many problems of one sort are kept word for word; the rest are counted."""


class CaptureError(Exception):
    """A capture file cannot be opened, understood or written; the text is one line with the mend."""

    def __init__(self, message: str, *, reason: str) -> None:
        super().__init__(message)
        self.reason = reason
        """One word for scripts.

        Reading: `absent`, `forbidden`, `unusable` (a folder, a device), `empty`, `foreign`. Writing: `exists`,
        `cannot-write`.
        """


class Problems:
    """A bounded list of problems, so that a hostile file cannot fill the memory."""

    def __init__(self) -> None:
        self._kept: dict[str, list[str]] = {}
        self._further: dict[str, int] = {}
        self._counts: dict[str, int] = {}

    def note(self, sort: str, text: str) -> None:
        """Keep `text`; past `KEPT` of the same sort only count it. `sort` is a plural noun: `unreadable lines`."""
        kept = self._kept.setdefault(sort, [])
        if len(kept) < KEPT:
            kept.append(text)
        else:
            self._further[sort] = self._further.get(sort, 0) + 1

    def count(self, what: str, by: int = 1) -> None:
        """Count `what`, shown as `12 what`. Callers use a bounded set of texts."""
        self._counts[what] = self._counts.get(what, 0) + by

    def clear(self) -> None:
        """Forget all, before the file is read again."""
        self._kept.clear()
        self._further.clear()
        self._counts.clear()

    def lines(self) -> list[str]:
        """All problems so far, one line each."""
        lines = [text for kept in self._kept.values() for text in kept]
        lines += [f"and {number} further {sort}" for sort, number in self._further.items()]
        lines += [f"{number} {what}" for what, number in self._counts.items()]
        return lines


_MENDS = {
    errno.ENOSPC: "the disk is full; make room, or give a name elsewhere",
    errno.EDQUOT: "your share of the disk is used up; make room, or give a name elsewhere",
    errno.EROFS: "the disk is read-only; give a name elsewhere",
    errno.ENOENT: "its folder does not exist; make it first",
    errno.EACCES: "you may not write there; give a name elsewhere",
    errno.EPERM: "you may not write there; give a name elsewhere",
    errno.EISDIR: "it is a folder; give a file name in it",
}


def why_not_written(error: OSError | ValueError) -> str:
    """Why a file cannot be written, with the mend where it is known."""
    number = error.errno if isinstance(error, OSError) else None
    return _MENDS.get(number or 0) or why(error)


def why(error: OSError | ValueError) -> str:
    """What the system says about a failure, without its number and file name."""
    return (error.strerror or str(error)) if isinstance(error, OSError) else str(error)
