"""Reads octet logs in constant memory, whatever their line ends; grammar: log.py, docs/octet-log.md."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from typing import BinaryIO

from benchtool.capture.chunk import Chunk, Item, LineErrors, TapInfo
from benchtool.capture.described import info_from
from benchtool.capture.log import LineError, parse_line, parse_tap, shortened
from benchtool.capture.problems import CaptureError, Problems
from benchtool.capture.settings import LineSettings

LINE_LIMIT = 262_144
"""Longest line, in characters."""
HEAD = 65_536
"""How many characters are looked at first to learn how the log was taken."""
PATIENCE = 1 << 20
"""How many characters may pass without a good line before the file is given up as something else."""
LEAST_RESOLUTION_NS = 1_000_000
"""Assumed where the log does not say: the clock of an unknown host is not finer than 1 ms."""


class LogReader:
    """Reads one open file; `find_info` looks ahead, `items` starts at the beginning."""

    def __init__(self, stream: BinaryIO, name: str, settings: LineSettings | None, problems: Problems) -> None:
        self._stream = stream
        self._name = name
        self._given = settings
        self._problems = problems
        self._header_fault = ""
        self.info = TapInfo(name)
        self.passed_octets = 0
        """How much of the file lies before the next item; with line ends of two octets somewhat more."""

    def _lines(self) -> Iterator[tuple[int, str, bool]]:
        """Line number, text, and whether the line was longer than the limit (its text is then the beginning)."""
        self._stream.seek(0)
        utf_16 = self._stream.read(2) in (b"\xff\xfe", b"\xfe\xff")
        self._stream.seek(0)
        text = io.TextIOWrapper(self._stream, encoding="utf-16" if utf_16 else "utf-8-sig", errors="replace")
        number = 0
        try:
            while line := text.readline(LINE_LIMIT):
                number += 1
                long = False
                rest = line
                while not rest.endswith("\n") and len(rest) == LINE_LIMIT:
                    rest = text.readline(LINE_LIMIT)
                    long = long or bool(rest.strip())
                yield number, line, long
        finally:
            # The stream is not ours to close; when it is closed already there is nothing to part from.
            with suppress(ValueError):
                text.detach()

    def find_info(self) -> TapInfo:
        """Look at the head of the log. CaptureError when no line in it can be read."""
        passed = good = decimals = 0
        marked = False
        values: dict[str, str] = {}
        fault = ""
        for number, line, long in self._lines():
            passed += len(line)
            if passed > (HEAD if good or values else PATIENCE):
                break
            try:
                item = None if long else parse_line(line, 0)
            except LineError as error:
                fault = fault or f"line {number}: {error}"
                continue
            if long:
                fault = fault or f"line {number} is longer than {LINE_LIMIT} characters"
            if item is not None:
                good += 1
                if isinstance(item, Chunk):
                    marked = marked or bool(item.marks)
                    decimals = max(decimals, len(line.split(None, 1)[0].rstrip(",;:").partition(".")[2]))
            else:
                values |= parse_tap(line) or {}
        if not good and not values:
            raise CaptureError(
                f"'{self._name}' is neither a capture nor an octet log: {fault or 'it holds only comments'}; "
                "an octet log line is `0.125 53 01 08 00`",
                reason="foreign",
            )
        self.info = replace(
            TapInfo(self._name),
            line_errors=LineErrors.MARKED if marked else LineErrors.UNAVAILABLE,
            resolution_ns=max(10 ** (9 - min(decimals, 9)), LEAST_RESOLUTION_NS),
        )
        try:
            self.info = info_from(replace(self.info, name=values.get("name", self._name)), values)
        except ValueError as error:
            self._header_fault = f"the '#! tap' line: {error}; defaults are used"
        if self._given is not None:
            self.info = replace(self.info, settings=self._given)
        return self.info

    def items(self) -> Iterator[Item]:
        """Every item, in order of the file; lines that cannot be read are noted and passed over."""
        if self._header_fault:
            self._problems.note("bad headers", self._header_fault)
        char_ns = self.info.settings.char_ns
        blind = self.info.line_errors is LineErrors.UNAVAILABLE
        latest = None
        self.passed_octets = 0
        for number, line, long in self._lines():
            self.passed_octets += len(line)
            if long:
                self._problems.note(
                    "unreadable lines", f"line {number} is longer than {LINE_LIMIT} characters: skipped"
                )
                continue
            try:
                item = parse_line(line, char_ns)
            except LineError as error:
                self._problems.note(
                    "unreadable lines", f"line {number}: {error}: line skipped ({shortened(line.strip())})"
                )
                continue
            if item is None:
                continue
            if latest is not None and item.t_ns < latest:
                self._problems.note("times that go backwards", f"line {number}: the time goes backwards")
            latest = item.t_ns
            if blind and isinstance(item, Chunk) and item.marks:
                blind = False
                self._problems.note("late marks", f"line {number}: marks begin only here; the log is treated as blind")
            yield item
