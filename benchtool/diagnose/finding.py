"""What a diagnosis says: causes with places, how sure, the evidence, and what to do next."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from benchtool.measure.tally import Figures


class Cause(Enum):
    """What can be wrong; the value is what `--json` prints. One page each in docs/faults.md."""

    HEALTHY = "healthy"
    REVERSED_AT_TAP = "pair-reversed-at-tap"
    REVERSED_AT_DEVICE = "pair-reversed-at-device"
    TERMINATOR_MISSING = "terminator-missing"
    NOISE = "noise"
    BAUD_WRONG = "baud-wrong"
    DEVICE_SILENT = "device-silent"
    NONE_OF_THESE = "none-of-these"
    """What was heard fits none of the causes above: said rather than forced into one of them."""


@dataclass(frozen=True, slots=True)
class Proof:
    """One piece of evidence."""

    text: str
    """A sentence with its numbers."""
    weight: float
    """log10 of how many times likelier this is with the finding's cause than on a sound bus; for a sound bus, than
    with all faults together."""
    numbers: dict[str, float | int | str]


@dataclass(frozen=True, slots=True)
class Finding:
    """A cause at a place."""

    cause: Cause
    place: str
    """`bus`, `tap`, or `address N`."""
    probability: float
    summary: str
    """One sentence: what it is."""
    evidence: tuple[Proof, ...]
    could_also_be: tuple[str, ...]
    """What else could look like this, and what this evidence cannot exclude."""
    todo: tuple[str, ...]
    """How to mend it, step by step."""


@dataclass(frozen=True, slots=True)
class Step:
    """The next thing to measure or try."""

    do: str
    expect: tuple[str, ...]
    """Reading → what it would mean."""
    caution: str = ""


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """Findings, most probable first, and the next steps."""

    findings: tuple[Finding, ...]
    next: tuple[Step, ...]
    limits: tuple[str, ...]
    """What could not be seen this way."""
    figures: Figures
