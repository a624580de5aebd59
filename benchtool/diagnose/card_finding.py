"""What a diagnosis of the two data lines says: causes with how sure, the evidence, and what to do next.

The same manner as `finding.py` has for the bus; docs/card-faults.md has a section for each cause.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from benchtool.diagnose.finding import Proof, Step

__all__ = ["CardCause", "CardDiagnosis", "CardFinding", "CardGroup", "Proof", "Step"]


class CardCause(Enum):
    """What can be wrong between a reader and its controller; the value is what `--json` prints."""

    HEALTHY = "healthy"
    LINES_SWAPPED = "lines-swapped"
    BITS_REVERSED = "bits-reversed"
    """The last bit comes first: a setting, no wiring fault, but it fails parity just as swapped lines do."""
    D0_OPEN = "d0-open"
    D1_OPEN = "d1-open"
    D0_STUCK_LOW = "d0-stuck-low"
    D1_STUCK_LOW = "d1-stuck-low"
    GROUND_MISSING = "ground-missing"
    GROUND_SHIFT = "ground-shift"
    """The reader's supply current lifts its 0 V, so that its low is no longer low at the controller."""
    PARITY_ONE_WRONG = "parity-one-wrong"
    PARITY_SENSE_WRONG = "parity-sense-wrong"
    """Both parity bits are sent in the opposite sense."""
    LAYOUT_OTHER = "layout-other"
    """The length is right, but the bits are laid out otherwise, or carry no parity."""
    LENGTH_OTHER = "length-other"
    """Whole frames of another length than the controller is set to."""
    BITS_LOST = "bits-lost"
    BITS_DOUBLED = "bits-doubled"
    PULSES_SHORT = "pulses-short"
    PULL_UP_WEAK = "pull-up-weak"
    NOISE = "noise"
    TWO_READERS = "two-readers"
    KEYPAD_BURSTS = "keypad-bursts"
    CLOCK_AND_DATA = "clock-and-data"
    SERIAL_OUTPUT = "serial-output"
    """RS-485 or another serial output on the same wires."""
    POLARITY_INVERTED = "polarity-inverted"
    BROWN_OUT = "brown-out"
    READER_SILENT = "reader-silent"
    NONE_OF_THESE = "none-of-these"


@dataclass(frozen=True, slots=True)
class CardFinding:
    """One cause."""

    cause: CardCause
    probability: float
    summary: str
    """One sentence: what it is."""
    evidence: tuple[Proof, ...]
    """Weights add up to the log10 odds against sound lines (for `healthy`: against the likeliest fault), priors aside.

    No card number stands in these texts, whatever was given.
    """
    could_also_be: tuple[str, ...]
    """What else could look like this, and what this evidence cannot exclude."""
    todo: tuple[str, ...]
    """How to mend it, step by step, cautions included."""


@dataclass(frozen=True, slots=True)
class CardGroup:
    """Causes that the evidence given cannot tell apart, the leading one first."""

    causes: tuple[CardCause, ...]
    probability: float
    """That it is one of them."""


@dataclass(frozen=True, slots=True)
class CardDiagnosis:
    """Findings, most probable first, and the next measurements, most worth first (three at most)."""

    findings: tuple[CardFinding, ...]
    """At least one."""
    next: tuple[Step, ...]
    limits: tuple[str, ...]
    """What could not be seen this way, and what was not told."""
    group: CardGroup | None = None

    @property
    def faulty(self) -> bool:
        """Whether the leading finding is something wrong."""
        return self.findings[0].cause is not CardCause.HEALTHY
