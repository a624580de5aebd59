"""What a picture of the live screen is drawn from: immutable, so that nothing in it changes while it is drawn."""

from __future__ import annotations

from dataclasses import dataclass

from benchtool.screens.watch_devices import DeviceLine
from benchtool.screens.watch_rows import Line
from benchtool.screens.watch_strip import Cell, Rates


@dataclass(frozen=True, slots=True)
class Note:
    """What the user wrote down, and when."""

    t_ns: int
    text: str


@dataclass(frozen=True, slots=True)
class Counts:
    """What was counted since counting began."""

    octets: int = 0
    sound: int = 0
    damaged: int = 0
    line_errors: int | None = 0
    """None where this tap cannot see them."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything a picture is drawn from; nothing in it changes any more."""

    tap: str
    settings: str
    now_ns: int
    """Bus time."""
    pace: str
    recording: str
    state: str
    finding: str
    finding_short: str
    do_head: str
    """`Next`, or `Do` where the cause is known."""
    do: str
    """The next measurement, or the mend."""
    do_name: str
    caution: str
    devices: tuple[DeviceLine, ...]
    cells: tuple[Cell, ...]
    rates: Rates
    counts: Counts
    unseen: str
    resolution_ns: int
    """Times shorter than this cannot be told apart."""
    lines: tuple[Line, ...]
    """The traffic on the screen, oldest first."""
    selected: int
    """The number of the selected line, -1 where none is."""
    newer: int
    """Lines that came after the lowest on the screen."""
    passed: int
    deaf_since_ns: int | None = None
    """Bus time since which nothing can be heard (the adapter is gone); None where that is not so."""
