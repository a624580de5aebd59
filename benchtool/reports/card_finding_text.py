"""A diagnosis of the data lines as text for a person on a ladder, and as plain values for `--json`."""

from __future__ import annotations

import textwrap
from typing import Any

from benchtool.diagnose.card_finding import CardCause, CardDiagnosis, CardFinding
from benchtool.reports.diagnosis_text import proof_words, step_text, sure, weight_words

_WIDTH = 79
_CERTAIN, _HARDLY = 0.95, 0.05
"""Beside a finding that is practically certain, others less probable than this are left out."""
_BRIEF = 0.1
_MOST_NAMED = 5
_UNDECIDED = 0.35
"""A leader below this that heads a group is no answer yet."""


def card_diagnosis_text(diagnosis: CardDiagnosis) -> list[str]:
    """The whole diagnosis: findings, what cannot be told apart, what to measure next, limits, the result last."""
    first = diagnosis.findings[0]
    lines = ["FINDINGS, most probable first"]
    told: set[str] = set()
    for number, finding in enumerate(diagnosis.findings, 1):
        if number == 1 or finding.probability >= _HARDLY or first.probability < _CERTAIN:
            lines += _finding_text(number, finding, brief=number > 1 and finding.probability < _BRIEF, told=told)
    if diagnosis.group is not None:
        lines += _wrap(card_group_text(diagnosis), "   ")
    if diagnosis.next:
        lines += ["", "NEXT, what settles most for its time"]
        for number, step in enumerate(diagnosis.next, 1):
            lines += step_text(number, step)
    if diagnosis.limits:
        lines += ["", "WHAT COULD NOT BE SEEN"]
        lines += [line for limit in diagnosis.limits for line in _wrap(limit, "- ")]
    lines += ["", *_wrap(card_result_text(diagnosis), "RESULT  ")]
    # Last, because that is what a small screen still shows.
    return [*lines, *(_wrap(diagnosis.next[0].do, "FIRST   ") if diagnosis.next else ())]


def card_result_text(diagnosis: CardDiagnosis) -> str:
    """The leading finding in one line, or that the evidence does not tell yet."""
    first = diagnosis.findings[0]
    headline = f"{first.cause.value}, {first.probability:.0%} ({sure(first.probability)})"
    if diagnosis.group is not None and first.probability < _UNDECIDED:
        return f"The evidence does not tell yet. First of the guesses: {headline}."
    return f"{headline}. {first.summary}"


def card_group_text(diagnosis: CardDiagnosis) -> str:
    """What cannot be told apart, in a sentence; empty where the leader stands alone."""
    group = diagnosis.group
    if group is None:
        return ""
    shown = group.causes if len(group.causes) <= _MOST_NAMED else group.causes[: _MOST_NAMED - 1]
    names = ", ".join(cause.value for cause in shown)
    more = f" and {len(group.causes) - len(shown)} more" if len(shown) < len(group.causes) else ""
    splits = next((step.name for step in diagnosis.next if step.name), "")
    how = f"; {splits} is what splits it best" if splits else ""
    return f"What was seen cannot tell these apart: {names}{more} ({group.probability:.0%} in all){how}."


def _finding_text(number: int, finding: CardFinding, *, brief: bool, told: set[str]) -> list[str]:
    headline = f"{number}. {finding.cause.value}: {finding.probability:.0%} ({sure(finding.probability)})"
    lines = [headline, *_wrap(finding.summary, "   ")]
    if brief:
        return lines
    healthy = finding.cause is CardCause.HEALTHY
    said = [f"{proof_words(proof)} ({_weight_words(proof.weight, healthy=healthy)})" for proof in finding.evidence]
    for text in said:
        if text not in told:
            lines += _wrap(text, "   - ")
    if said and told.issuperset(said):
        lines.append("   - the same evidence as above")
    told.update(said)
    if finding.could_also_be:
        lines += _wrap(f"Could also be: {'; '.join(finding.could_also_be)}.", "   ")
    return lines + [line for todo in finding.todo for line in _wrap(todo, "   > ")]


def _weight_words(weight: float, *, healthy: bool) -> str:
    """In the words of the bus, which speak of a sound bus: here they are sound lines."""
    return weight_words(weight, healthy=healthy).replace("on a sound bus", "on sound lines")


def _wrap(text: str, first: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent=first, subsequent_indent=" " * len(first), break_on_hyphens=False)


def card_diagnosis_values(diagnosis: CardDiagnosis) -> dict[str, Any]:
    """What `--json` prints; no card number stands in it."""
    return {
        "findings": [
            {
                "cause": finding.cause.value,
                "probability": finding.probability,
                "summary": finding.summary,
                "evidence": [
                    {"text": proof.text, "weight": proof.weight, "numbers": proof.numbers} for proof in finding.evidence
                ],
                "could_also_be": list(finding.could_also_be),
                "todo": list(finding.todo),
            }
            for finding in diagnosis.findings
        ],
        "group": None
        if diagnosis.group is None
        else {
            "causes": [cause.value for cause in diagnosis.group.causes],
            "probability": round(diagnosis.group.probability, 4),
        },
        "next": [
            {
                "do": step.do,
                "expect": list(step.expect),
                "caution": step.caution,
                "name": step.name,
                "gain_bits": step.gain_bits,
                "minutes": step.minutes,
                "back": step.back,
            }
            for step in diagnosis.next
        ],
        "limits": list(diagnosis.limits),
    }
