"""Practice in words: what can be typed, the score, the explanation, the hunt replayed, progress."""

from __future__ import annotations

import re
from collections.abc import Sequence

from benchtool.diagnose.advice import ADVICE
from benchtool.diagnose.conclude import conclude
from benchtool.diagnose.finding import REST, Cause
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.readings import ACTIONS, METER
from benchtool.diagnose.sights_known import SIGHTS
from benchtool.reports.diagnosis_text import weight_words
from benchtool.reports.hunt_text import wrap

_MOST_PROOFS = 5
_NOT_TOLD = re.compile(r"with the two|with our|.*(?:^|\s)0 (?:of|replies|addresses|stray)\b|.*\(1: yes")
"""Sentences that say that nothing was found, or give a reversed pair or a wrong rate away."""


HELP = (
    "listen               what listening shows: counts by address, what is wrong",
    "measure KIND[@ADDR]  the meter: ab-ohms, ab-idle, supply@4 ... ('kinds' lists all)",
    "scope [ADDR]         the oscilloscope: one question and its answer, in figures",
    "look WHAT[@ADDR]     your eyes: terminators, reader@4, controllers ...",
    "try ACTION[@ADDR]    swap-clip, swap-wires@4, unplug@4, lower-baud",
    "hint                 where to go on (10 points)",
    "name CAUSE           your answer; 'causes' lists them",
    "replay               how benchtool's own hunt finds it (after your answer)",
    "quit                 leave; the installation is explained",
)


def kinds_lines() -> list[str]:
    """Everything that can be measured, looked at, and tried."""

    def names(rows: Sequence[str]) -> str:
        return ", ".join(row.replace("@", "@ADDR") for row in rows)

    return [
        *wrap(names([kind.name for kind in METER]), "measure  "),
        *wrap(names([sight.name for sight in SIGHTS]), "look     "),
        *wrap(names([action.name for action in ACTIONS]), "try      "),
    ]


def causes_lines() -> list[str]:
    """What can be named."""
    return wrap(", ".join(cause.value for cause in Cause if cause is not Cause.NONE_OF_THESE))


def heard_lines(observed: Observed) -> list[str]:
    """What listening shows, without a diagnosis: that is the learner's."""
    lines = [f"{observed.octets} octets at {observed.baud} {observed.format}"]
    if observed.addresses:
        lines.append("address  asked  answered  silent  damaged  unasked  latency")
    for row in observed.addresses:
        late = "" if row.latency_ms is None else f"{row.latency_ms:.1f} ms"
        counts = f"{row.requests:5}  {row.answered:8}  {row.silent:6}  {row.damaged:7}  {row.unasked:7}"
        lines.append(f"{row.address:7}  {counts}  {late}".rstrip())
    told = [text for text, _ in observed.told.values() if not _NOT_TOLD.match(text)]
    lines += [line for text in told for line in wrap(text, "- ")]
    return lines


def explained(truth: Cause, tap: str, observed: Observed) -> list[str]:
    """What it was, what of the learner's evidence told it, and how it is mended."""
    found = conclude(observed)
    lines = [f"It was {truth.value}: {tap}"]
    mine = next((one for one in found.findings if one.cause is truth), None)
    if mine is None:
        lines += wrap("What you gathered hardly speaks for it; the replay shows what does.")
    else:
        lines += wrap(f"With what you gathered benchtool gives it {mine.probability:.0%}. {mine.summary}")
        healthy = truth is Cause.HEALTHY
        told = [one for one in mine.evidence if one.text != REST][:_MOST_PROOFS]
        lines += [
            line for one in told for line in wrap(f"{one.text} ({weight_words(one.weight, healthy=healthy)})", "- ")
        ]
    if found.findings[0].cause is not truth:
        lines += wrap(
            f"It looks more like {found.findings[0].cause.value} by that: {found.findings[0].probability:.0%}."
        )
    lines += [line for todo in ADVICE[truth].todo for line in wrap(todo, "> ")]
    lines.append(f"Read on: docs/faults/{truth.value}.md")
    return lines
