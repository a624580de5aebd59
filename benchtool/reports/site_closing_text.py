"""The list before closing as text and as values for JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from benchtool.install.closing import Point, State, state_of
from benchtool.install.closing_bands import Band, Unknown
from benchtool.install.record import Tick

_MARKS = {State.OPEN: "[ ]", State.MISSING: "[?]", State.DONE: "[x]", State.OUTSIDE: "[!]"}


def list_lines(points: Sequence[Point], ticks: Mapping[str, Tick]) -> list[str]:
    """Every point with its state, cautions once a heading."""
    lines: list[str] = []
    group = ""
    told: set[str] = set()
    for point in points:
        if point.group != group:
            group, told = point.group, set()
            lines += ["", group] if lines else [group]
        if point.caution and point.caution not in told:
            told.add(point.caution)
            lines.append(f"  CAUTION: {point.caution}")
        lines += [f"  {line}" for line in point_lines(point, ticks)]
    return lines


def point_lines(point: Point, ticks: Mapping[str, Tick]) -> list[str]:
    """One point with its band and its last tick."""
    state = state_of(point, ticks)
    lines = [f"{_MARKS[state]} {point.words}"]
    if isinstance(point.band, Band):
        lines.append(f"      should read {point.band}")
    elif isinstance(point.band, Unknown):
        lines.append(f"      its band cannot be computed: {point.band.why}")
    if point.missing:
        lines.append(f"      not in the record: {point.missing}")
    tick = ticks.get(point.item)
    if tick is not None:
        words = [tick.at, f"by {tick.by}" if tick.by else "", tick.reading or "", tick.note or ""]
        outside = f", {state.value}" if state is State.OUTSIDE else ""
        lines.append(f"      {', '.join(word for word in words if word)}{outside}")
    return lines


def summary_lines(points: Sequence[Point], ticks: Mapping[str, Tick]) -> list[str]:
    """How many are done, and what is not."""
    by_state: dict[State, list[Point]] = {state: [] for state in State}
    for point in points:
        by_state[state_of(point, ticks)].append(point)
    lines = [f"{len(by_state[State.DONE])} of {len(points)} points are done"]
    for state in (State.OUTSIDE, State.MISSING):
        if by_state[state]:
            lines.append(f"{state.value}: {len(by_state[state])}")
            for point in by_state[state]:
                more = f": {point.missing}" if point.missing else ""
                tick = ticks.get(point.item)
                read = f", read {tick.reading}, should be {point.band}" if state is State.OUTSIDE and tick else ""
                lines.append(f"  {point.item}{more}{read}")
    groups: dict[str, list[str]] = {}
    for point in by_state[State.OPEN]:
        groups.setdefault(point.group, []).append(point.item)
    if groups:
        lines.append(f"{State.OPEN.value}: {len(by_state[State.OPEN])}")
        lines += [f"  {group}: {', '.join(items)}" for group, items in groups.items()]
    return lines


def point_values(point: Point, ticks: Mapping[str, Tick]) -> dict[str, Any]:
    """One point for JSON. An infinite limit is null."""
    band: dict[str, Any] | None = None
    if isinstance(point.band, Band):
        high = None if math.isinf(point.band.high) else point.band.high
        low = None if math.isinf(point.band.low) else point.band.low
        band = {"low": low, "high": high, "unit": point.band.unit, "basis": list(point.band.basis)}
    tick = ticks.get(point.item)
    return {
        "item": point.item,
        "group": point.group,
        "text": point.words,
        "state": state_of(point, ticks).name.lower(),
        "band": band,
        "band_unknown": point.band.why if isinstance(point.band, Unknown) else None,
        "missing": point.missing or None,
        "caution": point.caution or None,
        "tick": None if tick is None else {"at": tick.at, "by": tick.by, "reading": tick.reading, "note": tick.note},
    }
