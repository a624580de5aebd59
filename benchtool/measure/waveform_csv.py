"""Reads a waveform out of a text table: any separator, decimal comma, headings, units, uneven times.

Understood: `,` `;` tab or blanks between columns; a heading line or none; a line of units; names such as time, A, B,
v(a), v(b), A-B; a time column that is repeated before each voltage. Files of any length are read in pieces.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import BinaryIO, NamedTuple

import numpy as np

from benchtool.measure.waveform_record import LEAST_SAMPLES, Floats, Waveform, WaveformError

_PIECE = 1 << 24
_HEAD_LINES = 200
_TASTE = 1 << 14
TIME_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "ns": 1e-9, "ps": 1e-12}
VOLT_UNITS = {"v": 1.0, "mv": 1e-3, "uv": 1e-6, "µv": 1e-6, "kv": 1e3}
_WORDS = {
    "sec": "s", "secs": "s", "second": "s", "seconds": "s", "msec": "ms", "millisecond": "ms", "milliseconds": "ms",
    "usec": "us", "microsecond": "us", "microseconds": "us", "nsec": "ns", "nanosecond": "ns", "nanoseconds": "ns",
    "volt": "v", "volts": "v", "millivolt": "mv", "millivolts": "mv",
}  # fmt: skip
_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?\Z|[+-]?(?:nan|inf|infinity)\Z", re.IGNORECASE)
_MOST_VOLTS = 300.0
"""More cannot be on a signal pair: without a unit it is millivolts then."""


class _Layout(NamedTuple):
    separator: str
    decimal_comma: bool
    names: tuple[str, ...]
    units: tuple[str, ...]
    """From a line of units, or out of the names; empty where none is said."""
    columns: int
    skip: int
    """Bytes before the first line of numbers."""


class _Roles(NamedTuple):
    time: int
    a: int | None
    b: int | None
    difference: int | None
    note: str


def read_waveform(
    path: str | Path,
    *,
    time_unit: str | None = None,
    volt_unit: str | None = None,
    columns: Sequence[str] | None = None,
) -> Waveform:
    """A waveform from a file.

    `time_unit` (s, ms, us, ns) and `volt_unit` (V, mV) go before what the heading says; without both seconds and volts
    are taken. `columns`: names or numbers (from 1) of time and difference, or of time, A and B. WaveformError says in
    one line what is wrong and how to mend it; OSError where the file cannot be read.
    """
    factor_t = _factor(time_unit, TIME_UNITS, "time", "s, ms, us or ns")
    factor_v = _factor(volt_unit, VOLT_UNITS, "volt", "V or mV")
    with Path(path).open("rb") as file:
        layout = _layout(file, str(path))
        file.seek(layout.skip)
        first = _slow(file.read(_TASTE).rpartition(b"\n")[0], layout, list(range(layout.columns)))[0]
        roles = _roles(layout, first, columns)
        wanted = [place for place in (roles.time, roles.difference, roles.a, roles.b) if place is not None]
        file.seek(layout.skip)
        table, bad = _numbers(file, layout, wanted)
    if len(table) < LEAST_SAMPLES:
        raise WaveformError(
            f"{path}: only {len(table)} lines of numbers; a waveform is a table of times and volts, a sample a line"
        )
    notes = [roles.note] if roles.note else []
    if bad:
        notes.append(f"{bad} lines are no samples and were left out")
    time = table[:, 0] * (factor_t or _said(layout.units[roles.time], TIME_UNITS) or _guessed_time(table[:, 0]))
    volts = []
    for place, column in enumerate(wanted[1:]):
        factor = factor_v or _said(layout.units[column], VOLT_UNITS)
        volts.append(table[:, 1 + place] * (factor or 1.0))
        known = np.abs(volts[-1][np.isfinite(volts[-1])])
        if factor is None and len(known) and float(np.median(known)) > _MOST_VOLTS:
            notes.append("no unit was given; so many volts cannot be, millivolts are taken")
            volts[-1] = volts[-1] / 1000
    try:
        if roles.difference is not None:
            return Waveform.of(time, volts[0], notes=tuple(notes))
        return Waveform.of_wires(time, volts[0], volts[1], tuple(notes))
    except WaveformError as error:
        raise WaveformError(f"{path}: {error}") from None


class NumberTable(NamedTuple):
    """All columns of a table of numbers."""

    names: tuple[str, ...]
    units: tuple[str, ...]
    """`us`, `mv` and the like; empty where none is said."""
    values: Floats
    """Shape (lines, columns)."""
    bad: int
    """Lines that are no full lines of numbers, left out."""


def read_table(path: str | Path) -> NumberTable:
    """Any table of numbers, two columns or more. WaveformError where it is none; OSError where it cannot be read."""
    with Path(path).open("rb") as file:
        layout = _layout(file, str(path))
        file.seek(layout.skip)
        values, bad = _numbers(file, layout, list(range(layout.columns)))
    return NumberTable(layout.names, layout.units, values, bad)


def unit_factor(unit: str, known: dict[str, float]) -> float | None:
    """What a unit stands for in seconds or volts; None where it is not known."""
    return _said(unit, known)


def _factor(unit: str | None, known: dict[str, float], what: str, choice: str) -> float | None:
    if unit is None:
        return None
    found = _said(unit, known)
    if found is None:
        raise WaveformError(f"'{unit}' is no {what} unit; write {choice}")
    return found


def _said(unit: str, known: dict[str, float]) -> float | None:
    word = unit.strip().lower()
    return known.get(_WORDS.get(word, word))


def _guessed_time(time: Floats) -> float:
    """Seconds, unless samples would lie too far apart for any serial line: then the unit that makes them fit."""
    steps = np.diff(time)
    steps = steps[steps > 0]
    if not len(steps) or float(np.median(steps)) < 2e-3:
        return 1.0
    raise WaveformError(
        f"samples lie {float(np.median(steps)):.3g} apart, too far for seconds: give the time unit (ms, us or ns)"
    )


# ---- layout


def _layout(file: BinaryIO, path: str) -> _Layout:
    """Separator, decimal sign, headings: from the first lines, until two follow each other that are numbers only."""
    head: list[str] = []
    skip = 0
    raw = file.readline(1 << 16)
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise WaveformError(f"{path}: this is UTF-16 text; save it as plain CSV (UTF-8)")
    start = 0
    while raw and len(head) < _HEAD_LINES:
        if b"\x00" in raw:
            raise WaveformError(f"{path}: this is no text; export the waveform as CSV")
        text = raw.decode("utf-8-sig", "replace").strip()
        follows = file.tell()
        shaped = _shaped(text)
        if shaped is not None:
            separator, comma, count = shaped
            names, units = _headings(head, separator, count)
            return _Layout(separator, comma, names, units, count, start)
        head.append(text)
        start = follows
        raw = file.readline(1 << 16)
    del skip
    if not head:
        raise WaveformError(f"{path}: the file is empty; a waveform is a table of times and volts, a sample a line")
    raise WaveformError(f"{path}: no line of numbers in the first {len(head)}; give a table of times and volts")


def _shaped(text: str) -> tuple[str, bool, int] | None:
    """Separator, decimal comma, columns of a line that holds only numbers (at least two); else None."""
    if not text or not any(letter.isdigit() for letter in text):
        return None
    for separator, comma in (
        (";", "," in text and "." not in text),
        ("\t", "," in text and "." not in text),
        (",", False),
        (" ", "," in text),
    ):
        cells = _cells(text, separator)
        if len(cells) >= 2 and sum(map(bool, cells)) >= 2 and all(not cell or _NUMBER.match(cell) for cell in cells):
            if not comma and any("," in cell for cell in cells):
                continue
            return separator, comma, len(cells)
    return None


def _cells(text: str, separator: str) -> list[str]:
    if separator == " ":
        return text.split()
    cells = [cell.strip().strip('"').strip() for cell in text.split(separator)]
    while len(cells) > 1 and not cells[-1]:
        cells.pop()
    return cells


_UNIT = re.compile(r"[\[(/,_ ]\s*([a-zA-Zµμ]+)\s*[\])]?\s*\Z")


def _headings(head: list[str], separator: str, count: int) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names and units of the columns from the lines before the numbers; the last line that fits is taken."""
    names: list[str] = [""] * count
    units: list[str] = [""] * count
    rows = []
    for line in head:
        # Its own separator first: names may hold blanks.
        cuts = (_cells(line.lstrip("#% "), one) for one in (separator, " "))
        rows += list(islice((cells for cells in cuts if len(cells) == count), 1))
    if rows and all(_unit_of(cell.strip("[]() ")) or not cell for cell in rows[-1]) and any(rows[-1]):
        units = [_unit_of(cell.strip("[]() ")) for cell in rows[-1]]
        rows.pop()
    if rows:
        names = rows[-1]
        for place, name in enumerate(names):
            match = _UNIT.search(name)
            unit = _unit_of(match[1]) if match else ""
            if unit and not units[place]:
                # "A / V" and "time_s": the end is a unit, what comes before the name.
                units[place] = unit
                names[place] = name[: match.start()].strip() if match else name
    return tuple(names), tuple(units)


def _unit_of(word: str) -> str:
    lower = word.strip().lower()
    lower = _WORDS.get(lower, lower)
    return lower if lower in TIME_UNITS or lower in VOLT_UNITS else ""


# ---- which column is what

_TIME = re.compile(r"(time|t|zeit|temps|tiempo|x|x-axis|second|seconds|sec|s)\Z")
_DIFFERENCE = re.compile(
    r"(a-b|ab|vab|v_ab|d\+-d-|diff\w*|difference\w*|vdiff|v_diff|vd|math\d?|.*\ba\w*\s*[-,]\s*(?:v\()?\s*b\w*.*)\Z"
)
_A = re.compile(r"(a|va|v_a|d\+|p|\+|data\+|wire_?a|line_?a|pos\w*|plus|a\+|.*[_.:]a|a[_.:\d].*)\Z")
_B = re.compile(r"(b|vb|v_b|d-|n|-|data-|wire_?b|line_?b|neg\w*|minus|b-|.*[_.:]b|b[_.:\d].*)\Z")


def _plain(name: str) -> str:
    """A name without what programs put around it: v(a) is a."""
    word = name.strip().lower().strip('"')
    match = re.match(r"v\((.*)\)\Z", word)
    if match and "(" not in match[1]:
        word = match[1].strip()
    return word


def _roles(layout: _Layout, first: Floats, columns: Sequence[str] | None) -> _Roles:
    names = [_plain(name) for name in layout.names]
    if columns is not None:
        return _given(layout, names, columns)
    counted = len(first) > 2 and layout.columns > 2 and bool((np.diff(first[:, 0]) == 1).all())
    counted = counted and bool((np.diff(first[:, 1]) >= 0).all())
    time = next((place for place, name in enumerate(names) if _TIME.match(name)), int(counted))
    skipped = {time} | ({0} if counted else set())
    # Programs write the times anew before each voltage.
    others = [
        place
        for place in range(layout.columns)
        if place not in skipped and not (len(first) and bool((first[:, place] == first[:, time]).all()))
    ]
    named = [place for place in others if names[place]]
    difference = next((place for place in named if _DIFFERENCE.match(names[place])), None)
    exact = [(one, other) for one in named for other in named if _partners(names[one], names[other])]
    exact = exact or [
        (one, other) for one in named if _A.match(names[one]) for other in named if _B.match(names[other])
    ]
    if exact:
        a, b = exact[0]
        more = f"; columns {_list(layout, others)} hold more than one pair" if len(exact) > 1 else ""
        note = f"'{layout.names[a]}' is taken as A and '{layout.names[b]}' as B{more}" if more else ""
        return _Roles(time, a, b, None, note)
    if difference is not None:
        return _Roles(time, None, None, difference, "")
    if len(others) == 1:
        shown = layout.names[others[0]] or f"column {others[0] + 1}"
        return _Roles(time, None, None, others[0], f"{shown} is taken as A minus B")
    if len(others) == 2:
        one, other = others
        return _Roles(time, one, other, None, f"columns {one + 1} and {other + 1} are taken as A and B, against ground")
    raise WaveformError(
        f"which columns are A and B? There are {_list(layout, range(layout.columns))}: name time, A and B"
    )


def _partners(one: str, other: str) -> bool:
    """Whether two names differ in one place only, where the first has a (or p, +) and the other b (or n, -)."""
    apart = [pair for pair in zip(one, other, strict=False) if pair[0] != pair[1]]
    return len(one) == len(other) and len(apart) == 1 and apart[0] in {("a", "b"), ("p", "n"), ("+", "-")}


def _list(layout: _Layout, places: Sequence[int] | range) -> str:
    return ", ".join(layout.names[place] or str(place + 1) for place in places)


def _given(layout: _Layout, names: list[str], columns: Sequence[str]) -> _Roles:
    if len(columns) not in (2, 3):
        raise WaveformError("name two columns (time, A minus B) or three (time, A, B)")
    found = []
    for column in columns:
        word = _plain(str(column))
        if word in names:
            found.append(names.index(word))
        elif word.isdigit() and 1 <= int(word) <= layout.columns:
            found.append(int(word) - 1)
        else:
            raise WaveformError(f"no column '{column}'; there are {_list(layout, range(layout.columns))}")
    if len(found) == 2:
        return _Roles(found[0], None, None, found[1], "")
    return _Roles(found[0], found[1], found[2], None, "")


# ---- the numbers


def _numbers(file: BinaryIO, layout: _Layout, wanted: list[int]) -> tuple[Floats, int]:
    """The wanted columns, shape (samples, wanted), and how many lines were no samples."""
    parts: list[Floats] = []
    bad = 0
    for piece in _pieces(file):
        quick = _quick(piece, layout)
        if quick is not None:
            parts.append(quick[:, wanted])
            continue
        rows, wrong = _slow(piece, layout, wanted)
        parts.append(rows)
        bad += wrong
    return (np.concatenate(parts) if parts else np.empty((0, len(wanted)))), bad


def _pieces(file: BinaryIO) -> Iterator[bytes]:
    """The file in pieces of whole lines."""
    rest = b""
    while block := file.read(_PIECE):
        block = rest + block
        cut = block.rfind(b"\n") + 1
        if cut:
            yield block[:cut]
            rest = block[cut:]
        else:
            rest = block
            if len(rest) > 4 * _PIECE:
                raise WaveformError("one line is longer than 64 MB; this is no table of samples")
    if rest.strip():
        yield rest


def _quick(piece: bytes, layout: _Layout) -> Floats | None:
    """All numbers of a piece at once; None if it holds anything else than full lines of numbers."""
    separator = layout.separator.encode()
    lines = piece.count(b"\n") + (not piece.endswith(b"\n"))
    if layout.decimal_comma:
        piece = piece.replace(b",", b".")
    if separator != b" ":
        if piece.count(separator) != lines * (layout.columns - 1) or separator + separator in piece:
            return None
        piece = piece.replace(separator, b" ")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            values = np.fromstring(piece.decode("ascii"), dtype=np.float64, sep=" ")
    except (ValueError, DeprecationWarning):
        return None
    if len(values) != lines * layout.columns:
        return None
    return np.asarray(values.reshape(lines, layout.columns))


def _slow(piece: bytes, layout: _Layout, wanted: list[int]) -> tuple[Floats, int]:
    """Line by line; what is no sample is counted, but for empty lines and headings that are repeated."""
    rows: list[list[float]] = []
    bad = 0
    for raw in piece.decode("utf-8", "replace").splitlines():
        text = raw.strip()
        if not text:
            continue
        cells = _cells(text, layout.separator)
        try:
            rows.append([float(cells[place].replace(",", ".")) for place in wanted])
        except (ValueError, IndexError):
            bad += 1
    return np.array(rows, dtype=np.float64).reshape(-1, len(wanted)), bad
