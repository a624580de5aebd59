"""What reading of any table of D0 and D1 needs: the model of a table, its columns, its unit of time, its resolution."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from benchtool.capture.card_lines import LineRecord
from benchtool.measure.card_analog import CardWaveform
from benchtool.measure.waveform_csv import NumberTable
from benchtool.measure.waveform_record import Floats, WaveformError

_TIME = re.compile(r"(t|time|zeit|temps|tiempo|timestamp|time ?stamp|x|start|when|seconds?|us|ms|ns|s)\Z")
_PULSE_S = (4e-6, 1e-3)
_UNITS = (("s", 1.0), ("ms", 1e-3), ("us", 1e-6), ("ns", 1e-9))

INVERTED = "both lines rest low and pulse high: an inverting input is taken, levels were turned over"
"""The note of a record of 0 and 1 that was read the other way up."""


class TableKind(Enum):
    """What a table holds; the value is what `--kind` takes."""

    EDGES = "edges"
    LOGIC = "logic"
    ANALOG = "analog"


@dataclass(frozen=True, slots=True)
class CardTable:
    """A table that was read."""

    kind: TableKind
    record: LineRecord
    notes: tuple[str, ...]
    """What was assumed."""
    problems: tuple[str, ...]
    """What was left out, with counts."""
    waveform: CardWaveform | None = None
    """Volts, where the table holds them."""
    turned: bool = False
    """Whether both lines rest low in it, so that levels were turned over to read it."""


def time_first(table: NumberTable) -> list[int]:
    """The column of times: the one so named, else the first; one entry."""
    named = [i for i, name in enumerate(table.names) if _TIME.match(name.strip().lower())]
    return (named or [0])[:1]


def given(names: list[str], columns: Sequence[str], shown: str) -> tuple[int, int, int]:
    """Three columns as the user names them. WaveformError where there are none such."""
    found = []
    for column in columns:
        word = column.strip().lower()
        # Headings stand here without their units.
        plain = re.sub(r"\s*[\[(][^\])]*[\])]\s*\Z", "", word)
        if plain != word and word not in names and plain in names:
            word = plain
        if word in names:
            found.append(names.index(word))
        elif word.isascii() and word.isdigit() and 1 <= int(word) <= len(names):
            found.append(int(word) - 1)
        else:
            raise WaveformError(f"no column '{column}'; there are {shown}")
    if len(found) != 3 or len(set(found)) != 3:
        raise WaveformError("name three different columns: time, D0, D1")
    return found[0], found[1], found[2]


def in_order(time: Floats, problems: list[str]) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """The order of lines by time; that they were not is counted into `problems`."""
    back = int((np.diff(time) < 0).sum())
    if back:
        problems.append(f"times go back {back} times; lines were put in order of time")
    return np.argsort(time, kind="stable").astype(np.int64)


def time_factor(widths: Floats, unit: float | None, notes: list[str]) -> float:
    """Seconds in a unit of the table: as said, or such that pulses last as long as pulses do."""
    if unit is not None:
        return unit
    positive = widths[widths > 0]
    if not len(positive):
        notes.append("no unit of time is said and there is no pulse to tell it by: seconds are taken")
        return 1.0
    # Half of all low time: glitches weigh little.
    order = np.sort(positive)
    run = np.cumsum(order)
    typical = float(order[min(len(order) - 1, int(np.searchsorted(run, run[-1] / 2)))])
    for candidate in (typical, float(np.median(positive))):
        for name, factor in _UNITS:
            if _PULSE_S[0] <= candidate * factor <= _PULSE_S[1]:
                if name != "s":
                    notes.append(f"no unit of time is said: {name} is taken, pulses then last {candidate:.4g} {name}")
                return factor
    raise WaveformError("in no unit of time would the pulses last 4 us to 1 ms: say --time-unit s, ms, us or ns")


def widths(time: Floats, high: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Floats:
    """How long the line was low, each time both ends were seen."""
    change = np.flatnonzero(np.diff(high.astype(np.int8)))
    falls, rises = (change[high[change + 1] == up] + 1 for up in (False, True))
    after = np.searchsorted(rises, falls)
    seen = after < len(rises)
    widths: Floats = time[rises[after[seen]]] - time[falls[seen]]
    return widths


def resolution(times_ns: list[int], sampled_ns: int | None) -> int:
    """How finely times were taken: the sample step; else the step that all times are multiples of.

    That is only believed where two neighbouring multiples occur; a perfectly regular record tells nothing of its clock.
    """
    if sampled_ns is not None:
        return max(1, sampled_ns)
    steps = {after - before for before, after in pairwise(times_ns) if after > before}
    common = math.gcd(*steps) if steps else 1
    if len(steps) >= 4 and any(step + common in steps for step in steps):
        return max(1, common)
    finest = 1
    while finest < 1_000_000 and common % (finest * 10) == 0:
        finest *= 10
    # A round number of the text's own digits at most, and no coarser than a microsecond.
    return min(finest, 1000)


def sound_rows(
    table: NumberTable, places: tuple[int, int, int], problems: list[str], fewest: int, too_few: str
) -> npt.NDArray[np.float64]:
    """Time, D0 and D1 of the lines that hold all three, in order of time; what was wrong is put into `problems`.

    WaveformError with the words `too_few` where there are fewer lines than `fewest`.
    """
    values = table.values[:, places]
    sound = np.isfinite(values).all(axis=1)
    if not sound.all():
        problems.append(f"{int((~sound).sum())} lines with empty cells were left out")
    values = values[sound]
    if len(values) < fewest:
        raise WaveformError(too_few)
    ordered: npt.NDArray[np.float64] = values[in_order(values[:, 0], problems)]
    return ordered


def left_out(table: NumberTable) -> list[str]:
    """What was left out of a table, as the beginning of its problems."""
    return [f"{table.bad} lines are no lines of numbers and were left out"] if table.bad else []
