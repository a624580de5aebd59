"""What was seen on the two data lines of a card reader: edges, the raw truth that pulses and card bits are made of.

D0 and D1 rest high and are pulled low for each bit: a pulse on D0 is a 0, a pulse on D1 is a 1 (reference sheet 6.1).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple


class Edge(NamedTuple):
    """One line changed its level."""

    t_ns: int
    """On the record's own clock."""
    line: int
    """0 for D0, 1 for D1."""
    high: bool
    """The level after the edge."""


@dataclass(frozen=True, slots=True)
class LineRecord:
    """The levels of D0 and D1 over a stretch of time."""

    edges: tuple[Edge, ...]
    """Rising in time; levels of one line alternate."""
    begin_ns: int
    end_ns: int
    """The record was kept to here: after the last edge it says that nothing more came."""
    high_at_begin: tuple[bool, bool]
    """Levels of D0 and D1 at the beginning."""
    resolution_ns: int
    """How finely the edges were timed, 1 or more."""
    where: str = ""
    """Where it came from, in words: a file, the probe, a simulated reader."""
