"""What a rule of the trade is, and what it says of a record: a finding, or that it cannot be checked and why.

Of each thing that keeps to it, a rule says `KEPT`; what could not be checked, or is not there, is never taken for that.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import Enum

from benchtool.install.places import Path
from benchtool.install.view import View
from benchtool.install.worked import Figure

COMMON_PRACTICE = "common practice, no published source"


class Severity(Enum):
    """How much it matters; the value is what is printed."""

    ERROR = "error"
    """It will not work, or not safely."""
    WARNING = "warning"
    """It may work today and fail tomorrow."""
    NOTE = "note"
    """To know, or to complete."""


@dataclass(frozen=True, slots=True)
class Said:
    """One thing that a rule says."""

    path: Path
    """The entry or field that it is about."""
    sentence: str
    figure: Figure | None = None
    limit: Figure | None = None
    unknown: bool = False
    """True: it cannot be checked, and the sentence says because of what."""


KEPT = Said((), "kept")
"""What a rule says of each thing that it held against itself in full, and that keeps to it."""


def some(names: list[str]) -> str:
    """The first three of many names."""
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


def unknown(path: Path, because: str) -> Said:
    """A rule cannot be checked."""
    return Said(path, because, unknown=True)


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule of the trade."""

    id: str
    severity: Severity
    title: str
    """The rule as one sentence."""
    source: str
    mend: str
    check: Callable[[View], Iterable[Said]]


@dataclass(frozen=True, slots=True)
class Finding:
    """What a rule says of a record, with where."""

    rule: Rule
    said: Said
    line: int | None
    """In the record's file."""
