"""Practice at data lines in words: what can be typed, what reading cards shows, the explanation. No card numbers."""

from __future__ import annotations

from collections.abc import Sequence

from benchtool.diagnose.card_advice import CARD_ADVICE
from benchtool.diagnose.card_evidence import CardEvidence
from benchtool.diagnose.card_finding import CardCause
from benchtool.diagnose.card_kinds import printed_agrees
from benchtool.frames.card.decode import decode_as
from benchtool.frames.card.entry import Entry
from benchtool.frames.card.formats import CardFormat
from benchtool.frames.card.pulses import Burst, bursts_of
from benchtool.reports.card_text import verdict
from benchtool.reports.reads_hidden import PLURALS
from benchtool.reports.reads_text import pulses_words

_MOST_READS = 3
"""So many pieces of one presentation are told one by one."""
_LEAST_WIDTH_NS = 20_000
"""The shortest pulse published (sheet 6.1)."""
_LATE_AND_HIGH = (
    "Pulses are too short for this cable: those that came through are as wide as published, but the resistance of "
    "cable and joints lets the line fall late and hardly to the low level, so that others are lost."
)

HELP = (
    "listen        the probe on both lines: a card held to the reader, five times",
    "measure KIND  the meter, or the scope at the controller: d0-idle, supply",
    "look printed  the numbers printed on the cards, beside what was read",
    "kinds         all that can be measured and looked at, with its minutes",
    "hint          where to go on (10 points; the same one again is free)",
    "name CAUSE    your answer",
    "causes        all that can be named, each with what it is",
    "help NAME     what one of them asks for, and how it is done: help d0-idle",
    "explain       give up: told what it was, score 0",
    "replay        benchtool's own hunt on it (when it is over)",
    "quit          leave; left unnamed it is not counted, and goes on where you left it",
)
TITLES = {
    1: "loud faults: reading cards tells most of it",
    2: "everyday faults: look at all the reads, not at one",
    3: "faults that look alike: measure what splits them",
    4: "faults that the printed number or the meter must tell, or none at all",
}
POINTS = (
    "Points: 30 for the cause, 70 for the proof: how probable what you gathered makes it, beside what benchtool's own "
    "hunt finds out. Fewer for more work than that hunt (half a point a minute beyond its minutes, or beyond ten), for "
    "hints (10) and wrong names (15; the third ends it)."
)


def heard_lines(heard: CardEvidence) -> list[str]:
    """What each presentation brought, without a diagnosis: that is the learner's."""
    expected = heard.expected[0]
    lines = [f"The reader was used {len(heard.records)} times; the controller expects {expected.name} frames."]
    for number, record in enumerate(heard.records, 1):
        bursts = bursts_of(record)
        reads = [burst for burst in bursts if burst.read is not None]
        if not bursts:
            lines.append(f"{number}. no pulse low enough for the controller, on either line")
        lines += [f"{number}. {_read(burst, expected)}" for burst in reads[:_MOST_READS]]
        if len(reads) > _MOST_READS:
            lines.append(f"{number}. and {len(reads) - _MOST_READS} further pieces")
        odd = _odd(bursts)
        if odd:
            lines.append(f"   besides: {odd}" if reads else f"{number}. no read, but {odd}")
    return lines


def _read(burst: Burst, expected: CardFormat) -> str:
    assert burst.read is not None
    bits, pulses = burst.read.bits, burst.read.pulses or ()
    ones = sum(pulse.line for pulse in pulses)
    parts = [f"{bits.length} {'bit' if bits.length == 1 else 'bits'}: D0 {len(pulses) - ones} pulses, D1 {ones}"]
    if bits.length == expected.length:
        parts.append(f"parity {verdict(decode_as(expected, bits))}")
    if pulses:
        parts.append(pulses_words(pulses))
    return "; ".join(parts)


def _odd(bursts: Sequence[Burst]) -> str:
    kinds = dict.fromkeys(oddity.kind for burst in bursts for oddity in burst.oddities)
    return "; ".join(f"{sum(burst.count(kind) for burst in bursts)} {PLURALS[kind]}" for kind in kinds)


def printed_lines(heard: CardEvidence, printed: Sequence[Entry]) -> list[str]:
    """Whether each read is the number printed on its card, as it stands or changed; the numbers are not shown."""
    if not printed:
        return ["Reads and cards do not go together one by one: nothing can be compared."]
    pairs = zip(heard.reads, printed, strict=True)
    told = [printed_agrees(read.bits, entry, heard.expected).value for read, entry in pairs]
    return [f"{number}. {words}" for number, words in enumerate(told, 1)]


def cause_lines(names: Sequence[str]) -> list[str]:
    """All causes, each with what it is."""
    return [f"{name:20} {CARD_ADVICE[CardCause(name)].summary}" for name in names]


def said_here(truth: CardCause, evidence: CardEvidence) -> str:
    """What it is by the pulses that were seen, where the usual sentence is not true of them; else empty."""
    widths = [pulse.width_ns for read in evidence.reads for pulse in read.pulses or ()]
    if truth is CardCause.PULSES_SHORT and widths and min(widths) >= _LEAST_WIDTH_NS:
        return _LATE_AND_HIGH
    return ""
