"""Standard input as a source: a converter's lines as they come, or a whole table that is piped in."""

from __future__ import annotations

import io
import os
import select
import tempfile
import time
from pathlib import Path
from typing import IO

from benchtool.frames.card.read import Source
from benchtool.taps.card_file import CardFile, CardOptions, LineReader, looks_like_table
from benchtool.taps.card_source import CardItem, CardSource, CardSourceInfo
from benchtool.taps.tap import TapError

_MOST = 1 << 28
_HEAD = 3
"""So many lines must look like columns of numbers before the whole input is taken as a table."""


class CardStream(CardSource):
    """Lines from a text stream. What looks like a table from its first lines on is read to its end first."""

    def __init__(self, stream: IO[str], options: CardOptions | None = None) -> None:
        self._stream = stream
        self._options = options or CardOptions()
        self._reader = LineReader("standard input", self._options)
        self._table: CardFile | None = None
        self._ended = False
        self._head: list[str] | None = []
        self._rest = b""
        self._begin = time.monotonic_ns()
        self._kept: Path | None = None

    def open(self) -> None:
        """Nothing is read yet."""
        if isinstance(self._stream, io.TextIOWrapper):
            self._stream.reconfigure(errors="replace")
        self._begin = time.monotonic_ns()

    def close(self) -> None:
        """Drop what was kept."""
        if self._table is not None:
            self._table.close()
        if self._kept is not None:
            self._kept.unlink(missing_ok=True)
            self._kept = None

    @property
    def info(self) -> CardSourceInfo:
        """What has turned out so far."""
        if self._table is not None:
            return self._table.info
        return CardSourceInfo("standard input", Source.CONVERTER, False)

    @property
    def problems(self) -> list[str]:
        """Lines that gave no read."""
        return self._table.problems if self._table is not None else self._reader.problems

    @property
    def ended(self) -> bool:
        """At the end of the input."""
        return self._ended

    @property
    def now_ns(self) -> int:
        """Since it was opened."""
        return time.monotonic_ns() - self._begin

    def read(self, timeout_s: float) -> list[CardItem]:
        """Reads in the next lines."""
        if self._table is not None:
            items = self._table.read(timeout_s)
            self._ended = self._table.ended
            return items
        found: list[CardItem] = []
        lines = self._lines(timeout_s)
        if lines is None:
            found += self._feed(self._head or [])
            found += self._reader.flush()
            self._head = None
            self._ended = True
            return found
        if self._head is not None:
            self._head += lines
            body = [line for line in self._head if line.strip() and not line.startswith("#")]
            forced = self._options.kind
            if forced in ("edges", "logic", "analog") or (forced is None and looks_like_table(body[:200])):
                return self._whole(self._head)
            if len(body) <= _HEAD and all(line.strip() not in ("", "0", "1") and _columns(line) for line in body):
                return []
            lines, self._head = self._head, None
        return self._feed(lines)

    def _feed(self, lines: list[str]) -> list[CardItem]:
        return [read for line in lines for read in self._reader.feed(line)]

    def _lines(self, timeout_s: float) -> list[str] | None:
        """Lines that have come; None at the end."""
        try:
            number = self._stream.fileno()
        except (OSError, ValueError, AttributeError):
            lines = self._stream.readlines(1 << 16)
            return lines or None
        if os.name == "posix" and not select.select([number], [], [], timeout_s)[0]:
            return []
        octets = os.read(number, 1 << 16)
        if not octets:
            rest, self._rest = self._rest, b""
            return [rest.decode("utf-8", "replace")] if rest else None
        *whole, self._rest = (self._rest + octets).split(b"\n")
        return [line.decode("utf-8", "replace") for line in whole]

    def _whole(self, head: list[str]) -> list[CardItem]:
        text = [line.rstrip("\n") for line in head]
        size = 0
        while (lines := self._lines(3600.0)) is not None:
            text += [line.rstrip("\n") for line in lines]
            size += sum(map(len, lines))
            if size > _MOST:
                raise TapError("more than 256 MB on standard input: give the file by its name", reason="unusable")
        number, name = tempfile.mkstemp(prefix="benchtool-", suffix=".csv")
        self._kept = Path(name)
        with os.fdopen(number, "w", encoding="utf-8") as file:
            file.write("\n".join(text) + "\n")
        self._head = None
        self._table = CardFile(name, self._options)
        try:
            self._table.open()
        except TapError as error:
            raise TapError(str(error).replace(name, "standard input"), reason=error.reason) from None
        return self._table.read(0)


def _columns(line: str) -> bool:
    """Whether a line could be one of a table: three columns or more."""
    return len([cell for cell in line.replace(";", ",").replace("\t", ",").split(",") if cell.strip()]) >= 3
