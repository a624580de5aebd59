"""The edge list: what `benchtool reads --record` writes and any spreadsheet reads; docs/card-lines.md has the format.

One line an edge: time in nanoseconds, D0 or D1, level after it. Comment lines say where a piece begins and ends, since
that nothing came is worth as much as an edge. It holds card numbers as sent: files are made for their owner only.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from io import FileIO
from pathlib import Path
from types import TracebackType
from typing import Self

from benchtool.capture.card_lines import Edge, LineRecord
from benchtool.capture.private import create_private, discard_empty
from benchtool.capture.problems import CaptureError, why_not_written

HEADER = "# benchtool edges 1: D0 and D1 of a reader, cards as sent, keep it as you keep keys\ntime_ns,line,level\n"
_PIECE = re.compile(r"#\s*piece begin=(-?\d{1,19}) resolution=(\d{1,12}) D0=([01]) D1=([01])\s*\Z")
_UNTIL = re.compile(r"#\s*until (-?\d{1,19})\s*\Z")
_EDGE = re.compile(r"\s*(-?\d{1,19})\s*,\s*D([01])\s*,\s*([01])\s*\Z")


def is_edge_list(begin: str) -> bool:
    """Whether a file that begins so is one that benchtool wrote."""
    return begin.lstrip("\ufeff").startswith("# benchtool edges 1")


def edge_lines(record: LineRecord, before: LineRecord | None = None) -> str:
    """The lines of a piece; a head of its own where it does not follow `before` without a break."""
    follows = (
        before is not None
        and before.end_ns == record.begin_ns
        and before.resolution_ns == record.resolution_ns
        and levels_at_end(before) == record.high_at_begin
    )
    d0, d1 = (int(high) for high in record.high_at_begin)
    head = "" if follows else f"# piece begin={record.begin_ns} resolution={record.resolution_ns} D0={d0} D1={d1}\n"
    rows = "".join(f"{edge.t_ns},D{edge.line},{int(edge.high)}\n" for edge in record.edges)
    return f"{head}{rows}# until {record.end_ns}\n"


def levels_at_end(record: LineRecord) -> tuple[bool, bool]:
    """Levels of D0 and D1 after the last edge."""
    levels = list(record.high_at_begin)
    for edge in record.edges:
        levels[edge.line] = edge.high
    return levels[0], levels[1]


def parse_edge_lines(lines: Iterable[str], where: str, problems: list[str]) -> Iterator[LineRecord]:
    """Pieces of an edge list that benchtool wrote; what is damaged is left out, and counted into `problems`."""
    edges: list[Edge] = []
    head: tuple[int, int, tuple[bool, bool]] | None = None
    end_ns = 0
    bad = backward = 0
    for line in lines:
        if match := _EDGE.match(line):
            t_ns = int(match[1])
            if head is None:
                head = (t_ns, 1000, (True, True))
            if t_ns < (edges[-1].t_ns if edges else head[0]):
                backward += 1
                continue
            edges.append(Edge(t_ns, int(match[2]), match[3] == "1"))
        elif match := _PIECE.match(line):
            if head is not None:
                yield _piece(edges, head, end_ns, where)
            edges, head = [], (int(match[1]), max(1, int(match[2])), (match[3] == "1", match[4] == "1"))
            end_ns = head[0]
        elif match := _UNTIL.match(line):
            end_ns = int(match[1])
        elif line.strip() and not line.lstrip("\ufeff").startswith(("#", "time_ns")):
            bad += 1
    if bad:
        problems.append(f"{bad} lines are no edges and were left out")
    if backward:
        problems.append(f"{backward} edges lie before the one above them and were left out")
    if head is not None:
        yield _piece(edges, head, end_ns, where)


def _piece(edges: list[Edge], head: tuple[int, int, tuple[bool, bool]], end_ns: int, where: str) -> LineRecord:
    begin_ns, resolution_ns, high = head
    end_ns = max([end_ns, begin_ns, *(edge.t_ns for edge in edges[-1:])])
    return LineRecord(tuple(edges), begin_ns, end_ns, high, resolution_ns, where)


class EdgeRecorder:
    """Writes pieces as they come, to a file that only its owner may read; each piece is whole once written."""

    def __init__(self, path: str | Path, *, overwrite: bool = False) -> None:
        self.path = Path(path)
        self._overwrite = overwrite
        self._file: FileIO | None = None
        self._before: LineRecord | None = None

    def __enter__(self) -> Self:
        try:
            self._file = create_private(self.path, overwrite=self._overwrite)
            self._write(HEADER)
        except FileExistsError as error:
            raise CaptureError(
                f"'{self.path}' exists already and is kept; give another name or ask to overwrite", reason="exists"
            ) from error
        except OSError as error:
            if self._file is not None:
                self._file.close()
                self._file = None
                discard_empty(self.path)
            raise self._cannot(error) from error
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None

    def write(self, record: LineRecord) -> None:
        """Append a piece. CaptureError where it cannot be written."""
        if not record.edges and self._before is not None and record.begin_ns == self._before.end_ns:
            text = f"# until {record.end_ns}\n"
        else:
            text = edge_lines(record, self._before)
        self._before = record
        try:
            self._write(text)
        except OSError as error:
            raise self._cannot(error) from error

    def _write(self, text: str) -> None:
        if self._file is None:
            raise RuntimeError("the recorder is not open: use it in a `with` statement")
        octets = text.encode("ascii")
        while octets:
            octets = octets[self._file.write(octets) or 0 :]

    def _cannot(self, error: OSError) -> CaptureError:
        return CaptureError(f"'{self.path}' cannot be written: {why_not_written(error)}", reason="unwritable")
