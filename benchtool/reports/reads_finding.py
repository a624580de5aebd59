"""The diagnosis of a reader's data lines as text and as an object: in the manner of the bus's (diagnosis_text.py)."""

from __future__ import annotations

from typing import Any

from benchtool.diagnose.card_finding import CardCause, CardDiagnosis, CardFinding
from benchtool.reports.diagnosis_text import proof_words, step_text, sure
from benchtool.reports.folded import wrap

_SHORT = 0.1
"""Findings less probable than this, other than the first, get one line."""
_LEFT_OUT = 0.02


def weight_words(weight: float, *, healthy: bool) -> str:
    """How much a piece of evidence says: `weight` is log10 of a ratio."""
    if abs(weight) < 0.05:
        return "says nothing either way"
    shown = "over a million" if abs(weight) > 6 else f"{10 ** abs(weight):,.{0 if abs(weight) > 1 else 1}f}"
    than = "on sound lines than with a fault" if healthy else "with this than on sound lines"
    return f"{shown} times {'likelier' if weight > 0 else 'less likely'} {than}"


def headline(finding: CardFinding) -> str:
    """The cause and how sure."""
    return f"{finding.cause.value}: {finding.probability:.0%} ({sure(finding.probability)})"


def group_words(diagnosis: CardDiagnosis) -> str:
    """What cannot be told apart, in a sentence; empty where the leader stands alone."""
    group = diagnosis.group
    if group is None or len(group.causes) < 2:
        return ""
    names = ", ".join(cause.value for cause in group.causes)
    return f"What was seen cannot tell these apart: {names} ({group.probability:.0%} in all)."


def shown_findings(diagnosis: CardDiagnosis) -> list[tuple[CardFinding, bool]]:
    """Findings worth telling, and whether in one line only."""
    found = []
    for place, finding in enumerate(diagnosis.findings):
        if place == 0 or finding.probability >= _LEFT_OUT:
            found.append((finding, place > 0 and finding.probability < _SHORT))
    return found


def diagnosis_text(diagnosis: CardDiagnosis) -> list[str]:
    """Findings, the most probable first, then what to measure next and what could not be seen."""
    lines = ["DIAGNOSIS"]
    if group := group_words(diagnosis):
        lines += wrap(group)
    for number, (finding, brief) in enumerate(shown_findings(diagnosis), 1):
        lines += [f"{number}. {headline(finding)}", *wrap(finding.summary, "   ")]
        if brief:
            continue
        healthy = finding.cause is CardCause.HEALTHY
        for proof in finding.evidence:
            lines += wrap(f"{proof_words(proof)} ({weight_words(proof.weight, healthy=healthy)})", "   - ")
        if finding.could_also_be:
            lines += wrap(f"Could also be: {'; '.join(finding.could_also_be)}.", "   ")
        lines += [line for todo in finding.todo for line in wrap(todo, "   > ")]
    if diagnosis.next:
        lines += ["", "NEXT, what settles most for its time"]
        for number, step in enumerate(diagnosis.next, 1):
            lines += step_text(number, step)
    if diagnosis.limits:
        lines += ["", "WHAT COULD NOT BE SEEN", *(line for limit in diagnosis.limits for line in wrap(limit, "  "))]
    return lines


def diagnosis_object(diagnosis: CardDiagnosis) -> dict[str, Any]:
    """The same for `--json`."""
    return {
        "faulty": diagnosis.faulty,
        "findings": [
            {
                "cause": finding.cause.value,
                "probability": finding.probability,
                "summary": finding.summary,
                "evidence": [{"text": p.text, "weight": p.weight, "numbers": p.numbers} for p in finding.evidence],
                "could_also_be": list(finding.could_also_be),
                "todo": list(finding.todo),
            }
            for finding in diagnosis.findings
        ],
        "group": None
        if diagnosis.group is None
        else {
            "causes": [cause.value for cause in diagnosis.group.causes],
            "probability": diagnosis.group.probability,
        },
        "next": [{"do": s.do, "expect": list(s.expect), "caution": s.caution, "name": s.name} for s in diagnosis.next],
        "limits": list(diagnosis.limits),
    }
