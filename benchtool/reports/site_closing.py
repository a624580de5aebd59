"""The list before closing on the hand-over page, and what a meter should read at each place if all is as recorded."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from benchtool.install.closing import DEAD, LIVE, Point, State, last_ticks, state_of
from benchtool.install.closing_bands import Band, Unknown
from benchtool.install.record import Tick
from benchtool.install.view import View
from benchtool.reports.site_tables import Cell, Part, Table
from benchtool.reports.site_words import HIDDEN, Free, several

_READ = {"ohms": "Between the wires, bus off", "idle": "Between the wires, at rest", "supply": "Supply voltage"}
"""Points where something is read, by the first word of their names."""
_SAME = {"output": "supply"}


@dataclass(frozen=True, slots=True)
class ClosingPart:
    """What the page shows of the list."""

    state: str
    ticked: Table
    left: Table
    meter: Table
    why: tuple[str, ...]
    """Why some readings cannot be told beforehand."""
    cautions: tuple[str, ...] = (DEAD, LIVE)


def closing_part(view: View, points: tuple[Point, ...], *, sharing: bool) -> ClosingPart:
    """The list as far as it is ticked, what is left, and the bands of readings. `points`: the whole list."""
    ticks = last_ticks(view.record)
    states = {point.item: state_of(point, ticks) for point in points}
    return ClosingPart(
        _state(states), _ticked(points, ticks, states, sharing), _left(points, states), *_meter(view, points)
    )


def _state(states: dict[str, State]) -> str:
    if not states:
        return "The record holds nothing of which a list could be made."
    counts = Counter(states.values())
    words = [f"{counts[one]} {one.value}" for one in State if counts[one]]
    return f"{several(len(states), 'point')}: {', '.join(words)}."


def _ticked(points: tuple[Point, ...], ticks: dict[str, Tick], states: dict[str, State], sharing: bool) -> Table:
    parts: dict[str, list[tuple[Cell, ...]]] = {}
    known = {point.item: point for point in points}
    for item in [*known, *(item for item in ticks if item not in known)]:
        if item not in ticks:
            continue
        point, tick = known.get(item), ticks[item]
        by = "name not noted" if not tick.by else HIDDEN if sharing else tick.by
        band = str(point.band) if point is not None and isinstance(point.band, Band) else "-"
        state = "no point of this record's list" if point is None else states[item].value
        words: Cell = item if point is None else (point.words, item)
        reading: Cell = (tick.reading or "-", *([Free(tick.note)] if tick.note else []))
        parts.setdefault("Ticked otherwise" if point is None else point.group, []).append(
            (words, reading, band, state.upper() if state == State.OUTSIDE.value else state, (tick.at, by))
        )
    heads = ("Point", "Reading, note", "Band", "State", "When, by")
    rows = tuple(Part(tuple(rows), heading) for heading, rows in parts.items())
    return Table(heads, rows, (36, 17, 15, 14, 18))


def _left(points: tuple[Point, ...], states: dict[str, State]) -> Table:
    groups: dict[str, list[str]] = {}
    for point in points:
        if states[point.item] is State.OPEN:
            groups.setdefault(point.group, []).append(point.words)
        elif states[point.item] is State.MISSING:
            groups.setdefault(point.group, []).append(f"{point.words}: not in the record: {point.missing}")
    rows = tuple((group, tuple(f"□ {one}" for one in words)) for group, words in groups.items())
    return Table(("Where", "Not ticked"), (Part(rows),), (27, 73))


def _meter(view: View, points: tuple[Point, ...]) -> tuple[Table, tuple[str, ...]]:
    """Bands by place; and the reasons for those that cannot be told."""
    places: dict[str, dict[str, str]] = {}
    why: dict[str, None] = {}
    for point in points:
        kind, _, name = point.item.partition(":")
        kind = _SAME.get(kind, kind)
        if kind not in _READ or point.band is None:
            continue
        if isinstance(point.band, Unknown):
            why[point.band.why] = None
        known = isinstance(point.band, Band)
        places.setdefault(name, {})[kind] = str(point.band) if known else "cannot be told"
    kinds = [kind for kind in _READ if any(kind in found for found in places.values())]
    rows = tuple((view.called(name), *(found.get(kind, "-") for kind in kinds)) for name, found in places.items())
    share = 66 // max(1, len(kinds))
    return Table(("At", *(_READ[kind] for kind in kinds)), (Part(rows),), (34, *[share] * len(kinds))), tuple(why)
