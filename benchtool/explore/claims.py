"""A claim: one thing said of an unknown bus, what else it might be, and how sure that is.

The confidence of a claim is how often claims like it were right on invented protocols (calibration.toml, made by
`python -m benchtool.train.explorer calibrate`; docs/explore.md has the figures).
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from importlib.resources import files


class What(Enum):
    """What a claim is about; the value is what `--json` prints."""

    BOUNDARY = "frame-boundary"
    START = "start"
    END = "end"
    LENGTH = "length"
    CHECK = "check"
    ROLE = "role"
    ADDRESS = "address"
    COUNTER = "counter"
    PERIOD = "period"


@dataclass(frozen=True, slots=True)
class Claim:
    """One claim in words. `score` is what speaks for it, on a scale of its own, 0 and up."""

    what: What
    text: str
    score: float
    alternatives: tuple[str, ...] = ()
    """What explains the traffic as well."""

    @property
    def confidence(self) -> float:
        """How often such claims were right on invented protocols, 0 to 1."""
        return confidence(self.what, self.score)

    @property
    def percent(self) -> str:
        """The confidence for people: `97%`, never 100 %."""
        return f"{min(self.confidence, 0.99):.0%}"


@lru_cache(maxsize=1)
def _table() -> dict[str, list[tuple[float, int, int]]]:
    text = files("benchtool.explore").joinpath("calibration.toml").read_text(encoding="utf-8")
    return {
        what: [(float(row[0]), int(row[1]), int(row[2])) for row in rows]
        for what, rows in tomllib.loads(text).items()
        if isinstance(rows, list)
    }


def confidence(what: What, score: float) -> float:
    """From the calibration's rows [score up to, right, all]; (right + 1) / (all + 2), never 0 or 1."""
    rows = _table().get(what.value, [])
    for upto, right, total in rows:
        if score <= upto:
            return (right + 1) / (total + 2)
    return 0.5
