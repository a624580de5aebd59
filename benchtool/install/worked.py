"""A calculation that shows its work: the result with its formula, the figures in it, and where they come from."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Figure:
    """One number of a calculation. An infinite one is the resistance of what is not joined."""

    name: str
    value: float
    unit: str = ""

    def __str__(self) -> str:
        if math.isinf(self.value):
            return f"{self.name} = open"
        return f"{self.name} = {self.value:.4g} {self.unit}".rstrip()


@dataclass(frozen=True, slots=True)
class Worked:
    """A result and how it came about."""

    result: Figure
    formula: str
    """As one writes it on paper, in the names of the figures."""
    inputs: tuple[Figure, ...]
    source: str
    """Where the formula and its constants were read; "common practice" where there is no published source."""
    limit: Figure | None = None
    """What the result is held against, if anything."""
    fits: bool | None = None
    """Whether it keeps to the limit; None without one."""
    notes: tuple[str, ...] = ()
    """What a reader must know to use it rightly."""
