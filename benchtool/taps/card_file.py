"""A file of card data as a source: an edge list, a logic capture, a scope's CSV, or a converter's lines.

What a file is is found out by looking; `kind` says it where looking is not enough.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import islice, pairwise
from pathlib import Path
from typing import IO

from benchtool.capture.card_lines_file import is_edge_list, parse_edge_lines
from benchtool.capture.pcapng_blocks import MAGIC
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.converter import read_line
from benchtool.frames.card.formats import CardFormat
from benchtool.frames.card.places import LONGEST
from benchtool.frames.card.read import CardRead, Source
from benchtool.measure.card_analog import CardWaveform
from benchtool.measure.card_table import read_card_table
from benchtool.measure.card_table_parts import TableKind
from benchtool.measure.waveform_record import WaveformError
from benchtool.taps.card_source import CardItem, CardSource, CardSourceInfo
from benchtool.taps.tap import TapError

KINDS = ("edges", "logic", "analog", "lines", "osdp")
"""What a file can be said to be."""
_BATCH = 256
_TASTE = 1 << 16
_DAY_NS = 86_400 * 10**9
_LONGEST_NS = 3650 * _DAY_NS


@dataclass(frozen=True, slots=True)
class CardOptions:
    """What the user says of a source; None where nothing was said."""

    kind: str | None = None
    """One of `KINDS`."""
    length: int | None = None
    """Bits of hex that does not say its own length."""
    row: CardFormat | None = None
    """The format of printed numbers."""
    time_unit: str | None = None
    columns: tuple[str, ...] | None = None
    resolution_ns: int | None = None


class LineReader:
    """A converter's lines to reads; counts what gave none. Single bits, one a line, make a frame until a blank line."""

    def __init__(self, where: str, options: CardOptions) -> None:
        self._where = where
        self._options = options
        self._number = 0
        self._first_ns: int | None = None
        self._single: list[str] = []
        self._bad: dict[str, list[int]] = {}
        self._labels: list[str] = []
        """Headings of a table's columns, empty where it has none."""
        self.notes: dict[str, int] = {}
        """How lines were taken where that was a guess, with counts."""

    def feed(self, line: str) -> list[CardRead]:
        """Reads that a line completes: none or one, after a frame of single bits two."""
        self._number += 1
        text = line.strip()
        if text in ("0", "1"):
            self._single.append(text)
            return self.flush() if len(self._single) >= LONGEST else []
        found = self.flush()
        if self._number == 1 and (labels := _headings(text)):
            self._labels = labels
            return found
        line = self._labelled(line)
        said = read_line(line, length=self._options.length, row=self._options.row)
        if said.note:
            self.notes[said.note] = self.notes.get(said.note, 0) + 1
        if said.problem:
            self._bad.setdefault(said.problem, []).append(self._number)
        if said.bits is not None:
            t_ns = self._since(said.t_ns)
            where = f"{self._where}, line {self._number}"
            found.append(CardRead(said.bits, Source.CONVERTER, where, t_ns, built=said.built))
        return found

    def _labelled(self, line: str) -> str:
        """A line of a table with the heading before each cell, as a converter that labels prints it."""
        cells = [cell.strip().strip('"') for cell in re.split(r"[;,\t]", line)]
        if not self._labels or len(cells) != len(self._labels):
            return line
        return "  ".join(f"{label}: {cell}" for label, cell in zip(self._labels, cells, strict=True) if cell)

    def _since(self, t_ns: int | None) -> int | None:
        """Since the first time that was written; None where a time is of another clock or manner than that."""
        if t_ns is None:
            return None
        if self._first_ns is None:
            self._first_ns = t_ns
        since = t_ns - self._first_ns
        # A clock without a date begins anew at midnight.
        since += _DAY_NS if -_DAY_NS < since < 0 else 0
        return since if 0 <= since < _LONGEST_NS else None

    def flush(self) -> list[CardRead]:
        """The frame of single bits that has come so far."""
        single, self._single = "".join(self._single), []
        if not single:
            return []
        return [CardRead(Bits.of(single), Source.CONVERTER, f"{self._where}, to line {self._number}")]

    @property
    def problems(self) -> list[str]:
        """Lines that gave no read, by reason."""
        return [f"{_lines(numbers)}: {problem}" for problem, numbers in self._bad.items()] + [
            f"{count} lines: {note}" if count > 1 else f"1 line: {note}" for note, count in self.notes.items()
        ]


def _headings(line: str) -> list[str]:
    """The headings of a table of cards; empty where a line is none."""
    cells = [cell.strip().strip('"').lower() for cell in re.split(r"[;,\t]", line)]
    words = all(cell and not re.fullmatch(r"[\d.,:xa-f-]+", cell) for cell in cells)
    return cells if len(cells) > 1 and words and _CARD_HEADING.search(line) else []


def _lines(numbers: list[int]) -> str:
    shown = ", ".join(map(str, numbers[:5])) + (", ..." if len(numbers) > 5 else "")
    return f"line {shown} gave no read" if len(numbers) == 1 else f"{len(numbers)} lines gave no read ({shown})"


class CardFile(CardSource):
    """Reads a file. TapError with the reason `absent`, `forbidden`, `unusable` or `foreign`."""

    def __init__(self, path: str, options: CardOptions | None = None) -> None:
        self._path = path
        self._options = options or CardOptions()
        self._info = CardSourceInfo(path, Source.CONVERTER, False)
        self._items: Iterator[CardItem] = iter(())
        self._file: IO[str] | None = None
        self._problems: Callable[[], list[str]] = list
        self._now_ns = 0
        self._ended = False
        self.waveform: CardWaveform | None = None
        """Volts of both lines, where the file holds them."""

    def open(self) -> None:
        """Find out what the file is, and read its head (a table: all of it)."""
        self._ended, self._now_ns = False, 0
        try:
            with Path(self._path).open("rb") as file:
                taste = file.read(_TASTE)
            kind = self._options.kind or _kind(taste, self._path)
            if kind == "edges" and is_edge_list(taste.decode("utf-8", "replace")):
                self._open_edges()
            elif kind == "lines":
                self._open_lines()
            else:
                self._open_table(kind)
        except OSError as error:
            reason = {FileNotFoundError: "absent", PermissionError: "forbidden"}.get(type(error), "unusable")
            raise TapError(f"{self._path}: {error.strerror or error}", reason=reason) from error
        except WaveformError as error:
            text = str(error)
            text = text if text.startswith(self._path) else f"{self._path}: {text}"
            raise TapError(text, reason="foreign") from error
        except ValueError as error:
            what = self._options.kind or "card data"
            raise TapError(f"{self._path}: cannot be read as {what}", reason="foreign") from error

    def _open_edges(self) -> None:
        self._file = _opened(self._path)
        problems: list[str] = []
        self._problems = lambda: problems
        pieces = parse_edge_lines(self._file, Path(self._path).name, problems)
        first = next(pieces, None)
        if first is None:
            self.close()
            raise TapError(f"{self._path}: an edge list without any edge or piece in it", reason="foreign")
        self._info = CardSourceInfo(self._path, Source.EDGES, True, first.resolution_ns)

        def items() -> Iterator[CardItem]:
            yield first
            yield from pieces

        self._items = items()

    def _open_lines(self) -> None:
        self._file = _opened(self._path)
        reader = LineReader(Path(self._path).name, self._options)
        self._problems = lambda: reader.problems
        self._info = CardSourceInfo(self._path, Source.CONVERTER, False)
        self._items = _line_items(self._file, reader)

    def _open_table(self, kind: str | None) -> None:
        options = self._options
        table = read_card_table(
            self._path,
            kind=TableKind(kind) if kind is not None else None,
            time_unit=options.time_unit,
            columns=options.columns,
            resolution_ns=options.resolution_ns,
        )
        self._problems = lambda: list(table.problems)
        self.waveform = table.waveform
        source = Source.ANALOG if table.kind is TableKind.ANALOG else Source.EDGES
        self._info = CardSourceInfo(self._path, source, True, table.record.resolution_ns, table.notes, table.turned)
        self._items = iter((table.record,))

    def close(self) -> None:
        """Close the file."""
        file, self._file = self._file, None
        self._items = iter(())
        if file is not None:
            file.close()

    @property
    def info(self) -> CardSourceInfo:
        """What the file is."""
        return self._info

    @property
    def problems(self) -> list[str]:
        """What was left out so far, and how doubtful lines were taken."""
        return self._problems()

    def read(self, timeout_s: float) -> list[CardItem]:
        """The next items, at most 256."""
        items = list(islice(self._items, _BATCH))
        self._ended = not items
        for item in items:
            self._now_ns = max(self._now_ns, (item.t_ns or 0) if isinstance(item, CardRead) else item.end_ns)
        return items

    @property
    def ended(self) -> bool:
        """True once a read has found the end."""
        return self._ended

    @property
    def now_ns(self) -> int:
        """The end of the last item read."""
        return self._now_ns


def _opened(path: str) -> IO[str]:
    return open(path, encoding="utf-8", errors="replace")


def _line_items(lines: Iterable[str], reader: LineReader) -> Iterator[CardItem]:
    for line in lines:
        yield from reader.feed(line)
    yield from reader.flush()


_ROW = re.compile(r"\s*[\"']?[+-]?\d+(?:[.,]\d+)?(?:[eE][+-]?\d+)?[\"']?\s*(?:[;,\t]|\s)\s*\S")


def _kind(taste: bytes, path: str) -> str | None:
    """What a file is by its beginning; None for a table of which the table's reader decides."""
    if b"\x00" in taste:
        raise TapError(
            f"{path}: neither text nor a capture of ours; export edges, samples or lines as text", reason="foreign"
        )
    text = taste.decode("utf-8-sig", "replace")
    if is_edge_list(text):
        return "edges"
    lines = [line for line in text.splitlines()[:400] if line.strip() and not line.lstrip().startswith("#")]
    if not lines:
        raise TapError(f"{path}: nothing in it", reason="foreign")
    return None if looks_like_table(lines) else "lines"


_CARD_HEADING = re.compile(
    r"\b(card|site|facility|bits?|binary|hex|length|decimal|printed|badge|format)\b", re.IGNORECASE
)
_VOLTS_HEADING = re.compile(r"[(\[](m?v|volts?)[)\]]", re.IGNORECASE)
_LINES_HEADING = re.compile(r"\bd0\b.*\bd1\b|\bd1\b.*\bd0\b|\bline\b.*\blevel\b", re.IGNORECASE)
"""Headings of levels: a column for each line, or one for the line and one for its level."""
_CARD_CELL = re.compile(r"[01]{16,}\Z|\[\d{1,3}\]|(?=.*[0-9])(?=.*[A-Fa-f])[0-9A-Fa-f]{5,}\Z")
"""What stands in a converter's line and in no table of levels: a run of bits, a length in brackets, hex."""
_WHOLE = re.compile(r"[2-9]\d*\Z|1\d+\Z")
_FEWEST_SAMPLES = 64
"""Whole numbers that are no levels, in fewer lines than any record of a card has, are cards a line."""


def looks_like_table(lines: list[str]) -> bool:
    """Whether a heading names levels, or most lines are columns of numbers under one another, and not cards a line."""
    rows = [line for line in lines if _ROW.match(line) or re.search(r"[;,\t]", line)]
    if len(_cells(lines[0])) > 2 and _LINES_HEADING.search(lines[0]) and not _CARD_HEADING.search(lines[0]):
        return True
    if len(lines) < 3 or len(rows) < 0.7 * len(lines):
        return False
    cells = [_cells(line) for line in rows[:200]]
    if _CARD_HEADING.search(lines[0]) and not _ROW.match(lines[0]):
        return False
    if sum(any(_CARD_CELL.match(cell) for cell in row[1:]) for row in cells) > len(cells) / 2:
        return False
    numbers = []
    for row in cells:
        try:
            numbers.append((float(row[0].replace(",", ".")), len(row)))
        except (ValueError, IndexError):
            continue
    if len(numbers) < 0.7 * len(cells) or not numbers:
        return False
    columns = max(count for _, count in numbers)
    if columns < 3:
        return columns == 2 and bool(_VOLTS_HEADING.search(lines[0]))
    if len(lines) < _FEWEST_SAMPLES and any(_WHOLE.match(cell) for row in cells for cell in row[1:]):
        return False
    times = [time for time, _ in numbers]
    rising = sum(after >= before for before, after in pairwise(times))
    # Card bits in groups, site and number pairs and octets do not rise line by line.
    return rising >= 0.9 * (len(times) - 1) and len(set(times)) > len(times) / 4


def _cells(line: str) -> list[str]:
    """Columns of a line; a comma is one between them only where nothing else is."""
    separator = next((mark for mark in (";", "\t", ",") if mark in line), None)
    return [cell.strip().strip('"') for cell in line.strip().split(separator) if cell.strip()]


_LOG = re.compile(
    r"\s*-?\d+\.\d+\s+(?:([<>]|->|<-|[tr]x|in|out|sent|received):?\s+)?(?:0x)?[0-9A-Fa-f]{2}\b", re.IGNORECASE
)


def is_capture(path: str) -> bool:
    """Whether a file is a pcapng capture or an octet log; False where it cannot be read."""
    try:
        with Path(path).open("rb") as file:
            taste = file.read(_TASTE)
    except OSError:
        return False
    if taste.startswith(MAGIC) and b"\x00" in taste:
        return True
    text = taste.decode("utf-8", "replace").lstrip("\ufeff")
    if "#! tap" in text:
        return True
    lines = [line for line in text.splitlines()[:200] if line.strip() and not line.lstrip().startswith("#")]
    found = [match for match in map(_LOG.match, lines) if match]
    # Without a direction it may as well be a card in octets: then an OSDP start octet decides.
    sure = any(match[1] for match in found) or bool(re.search(r"\b53 ", text))
    return bool(lines) and sure and len(found) > 0.7 * len(lines)
