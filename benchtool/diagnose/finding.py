"""What a diagnosis says: causes with places, how sure, the evidence, and what to do next."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum

from benchtool.diagnose.readings import ByHand
from benchtool.measure.tally import Figures


class Cause(Enum):
    """What can be wrong; the value is what `--json` prints. One page each in docs/faults/."""

    HEALTHY = "healthy"
    REVERSED_AT_TAP = "pair-reversed-at-tap"
    REVERSED_AT_DEVICE = "pair-reversed-at-device"
    CONDUCTOR_OPEN = "conductor-open"
    PAIR_SHORTED = "pair-shorted"
    CONDUCTOR_TO_GROUND = "conductor-to-ground"
    TERMINATOR_MISSING_ONE = "terminator-missing-one"
    TERMINATOR_MISSING_BOTH = "terminator-missing-both"
    TERMINATOR_EXCESS = "terminator-excess"
    TERMINATOR_MISPLACED = "terminator-misplaced"
    BIAS_MISSING = "bias-missing"
    BIAS_WEAK = "bias-weak"
    STUB_TOO_LONG = "stub-too-long"
    BUS_OVERLOADED = "bus-overloaded"
    LINE_TOO_LONG = "line-too-long-for-rate"
    GROUND_OFFSET = "ground-offset"
    NOISE_BROADBAND = "noise-broadband"
    NOISE_IMPULSIVE = "noise-impulsive"
    NOISE_MAINS = "noise-mains"
    BAUD_WRONG = "baud-wrong"
    FORMAT_WRONG = "format-wrong"
    CLOCK_OFF = "clock-off"
    ADDRESS_DUPLICATE = "address-duplicate"
    TWO_CONTROLLERS = "two-controllers"
    DEVICE_SILENT = "device-silent"
    DEVICE_SLOW = "device-slow"
    DEVICE_RESETTING = "device-resetting"
    DRIVER_HELD_LATE = "driver-held-late"
    SEQUENCE_FAULTS = "sequence-faults"
    NONE_OF_THESE = "none-of-these"
    """What was heard fits none of the causes above: said rather than forced into one of them."""


REST = "everything else together"
"""The text of the piece of evidence that all small ones are added up in."""


@dataclass(frozen=True, slots=True)
class Proof:
    """One piece of evidence."""

    text: str
    """A sentence with its numbers."""
    weight: float
    """log10 of how many times likelier this is with the finding's cause than on a sound bus; for a sound bus, than
    with the likeliest fault."""
    numbers: dict[str, float | int | str]
    any_fault: bool = False
    """Whether it speaks against a sound bus alone, and for every fault alike."""


@dataclass(frozen=True, slots=True)
class Finding:
    """A cause at a place."""

    cause: Cause
    place: str
    """`bus`, `tap`, `address N`, or `segment …`."""
    probability: float
    summary: str
    """One sentence: what it is."""
    evidence: tuple[Proof, ...]
    could_also_be: tuple[str, ...]
    """What else could look like this, and what this evidence cannot exclude."""
    todo: tuple[str, ...]
    """How to mend it, step by step."""


_PARTS = (
    (0.0, "very little"),
    (0.1, "about a tenth"),
    (0.2, "about a fifth"),
    (0.25, "about a quarter"),
    (0.33, "about a third"),
    (0.5, "about half"),
    (0.67, "about two thirds"),
    (0.75, "about three quarters"),
    (0.92, "nearly all"),
)


def helps(gain_bits: float) -> str:
    """How much a measurement is expected to help, in plain words: one bit halves what is still possible."""
    out = 1 - 2**-gain_bits
    words = min(_PARTS, key=lambda part: abs(part[0] - out))[1]
    return f"expected to rule out {words} of what is still possible"


@dataclass(frozen=True, slots=True)
class Step:
    """The next thing to measure or try."""

    do: str
    expect: tuple[str, ...]
    """Reading → what it would mean."""
    caution: str = ""
    name: str = ""
    """The reading or action as it is typed back, as `ab-ohms`; empty for advice that is none."""
    gain_bits: float = 0.0
    """How much it is expected to settle: the fall of the entropy over the causes."""
    minutes: float = 0.0
    """About how long it takes."""
    back: str = ""
    """How to tell benchtool the result."""


@dataclass(frozen=True, slots=True)
class Group:
    """Causes that the evidence given cannot tell apart, the leading one first."""

    causes: tuple[Cause, ...]
    probability: float
    """That it is one of them."""


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """Findings, most probable first, and the next steps."""

    findings: tuple[Finding, ...]
    next: tuple[Step, ...]
    limits: tuple[str, ...]
    """What could not be seen this way."""
    figures: Figures | None
    """None where nothing was listened to, or the diagnosis was taken up again from a saved one."""
    group: Group | None = None
    two_causes: float = 0.0
    """Probability that two causes are at work at once."""
    by_hand: ByHand = field(default_factory=ByHand)
    """What was measured and tried."""
