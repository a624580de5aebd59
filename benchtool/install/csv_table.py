"""Lists as spreadsheets write and read them: separator and encoding found, cells that would run as formulas made safe.

A cell that begins with `=`, `+`, `-` or `@` is run as a formula by spreadsheets when a list is opened; an apostrophe
before it makes it text (common practice, no published source), and is taken off again here.
"""

from __future__ import annotations

import csv
import io
import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

SEPARATORS = (";", ",", "\t")
_RUNS = ("=", "+", "-", "@", "\t", "\r", "\n", "'")
_MOST_OCTETS = 50_000_000


class TableError(ValueError):
    """The octets are no list; says why, with the row where there is one."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row below the headings."""

    number: int
    """As the spreadsheet counts: the headings are row 1, where nothing stands before them."""
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """A list: headings and rows, cells as they stand there."""

    headings: tuple[str, ...]
    rows: tuple[Row, ...]
    encoding: str
    separator: str


def read_table(octets: bytes) -> Table:
    """Read a list. TableError says what is wrong with it."""
    if len(octets) > _MOST_OCTETS:
        raise TableError("it is larger than any list of an installation")
    text, encoding = _decoded(octets)
    said, text = _said_separator(text)
    separator = said or _separator(text)
    rows: list[Row] = []
    headings: tuple[str, ...] | None = None
    try:
        for number, cells in enumerate(csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True), 1):
            if not any(cell.strip() for cell in cells):
                continue
            if headings is None:
                headings = tuple(cell.strip() for cell in cells)
            else:
                rows.append(Row(number + bool(said), tuple(cells)))
    except csv.Error as error:
        raise TableError(f"row {len(rows) + 2} or so: {error}") from None
    if headings is None:
        raise TableError("it is empty: the first row holds the headings")
    for row in rows:
        if len(row.cells) > len(headings) and any(cell.strip() for cell in row.cells[len(headings) :]):
            more = f"{len(row.cells)} cells under {len(headings)} headings"
            raise TableError(f"row {row.number}: {more}; is the separator {_named(separator)}?")
    return Table(headings, tuple(rows), encoding, separator)


def _decoded(octets: bytes) -> tuple[str, str]:
    for mark, encoding in ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16")):
        if octets.startswith(mark):
            try:
                return octets.decode(encoding), encoding.removesuffix("-sig")
            except UnicodeDecodeError:
                raise TableError(f"it begins as {encoding.removesuffix('-sig')} and does not go on so") from None
    for encoding in ("utf-8", "cp1252"):
        try:
            text = octets.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" in text:
            break
        return text, encoding
    raise TableError("it is no text: save it as CSV, in UTF-8")


def _said_separator(text: str) -> tuple[str, str]:
    """Some spreadsheets say the separator in a line before the headings: `sep=;`."""
    first, _, rest = text.partition("\n")
    said = first.strip("\r").strip('"')
    if said.lower().startswith("sep=") and said[4:] in SEPARATORS:
        return said[4:], rest
    return "", text


def _separator(text: str) -> str:
    """The one that cuts the headings into most cells, with rows of the same number; a comma where none does."""
    best, most = ",", (0, 0)
    for separator in SEPARATORS:
        try:
            rows = list(itertools.islice(csv.reader(io.StringIO(text, newline=""), delimiter=separator), 30))
        except csv.Error:
            continue
        full = [row for row in rows if any(cell.strip() for cell in row)]
        if not full or len(full[0]) < 2:
            continue
        score = (sum(len(row) == len(full[0]) for row in full) * 100 // len(full), len(full[0]))
        if score > most:
            best, most = separator, score
    return best


def _named(separator: str) -> str:
    return {";": "a semicolon", ",": "a comma", "\t": "a tab"}[separator]


def write_table(headings: Sequence[str], rows: Iterable[Sequence[str]], separator: str = ",") -> bytes:
    """A list in UTF-8 with a byte order mark, as spreadsheets read it without asking; cells made safe."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=separator, lineterminator="\r\n")
    writer.writerow([safe(heading) for heading in headings])
    writer.writerows([safe(cell) for cell in row] for row in rows)
    return out.getvalue().encode("utf-8-sig")


def safe(cell: str) -> str:
    """A cell that no spreadsheet runs, and whose outer spaces stay."""
    return f"'{cell}" if cell.startswith(_RUNS) or cell != cell.strip() else cell


def plain(cell: str) -> str:
    """What `safe` was made from: without an apostrophe before it, without spaces around it otherwise."""
    return cell[1:] if cell.startswith("'") else cell.strip()
