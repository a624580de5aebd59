"""A diagnosis as text for a person on a ladder, and as the object that `diagnose --json` prints."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from benchtool.diagnose.finding import REST, Cause, Diagnosis, Finding, Proof, Step, helps
from benchtool.reports.folded import columns, wrap
from benchtool.reports.frame_text import figures_object, figures_text

_WORTH_SAYING = 0.2
"""Two causes at once are mentioned from this probability on."""
MOST_NAMED = 5
"""Of what cannot be told apart; if there are more, one less is named and the rest is counted."""
_MANY = 6
"""So many causes that fit alike are no answer."""
_UNDECIDED, _UNPROVED = 0.5, 0.6
_TELLING = 0.3
"""Less than a factor of two (log10) tells nothing."""
_CERTAIN, _HARDLY = 0.95, 0.05
"""Beside a finding that is practically certain, others less probable than this are left out."""
_TOGETHER = ((2.0, "speak strongly"), (1.0, "speak clearly"), (0.3, "speak"), (0.0, "hardly speak"))
"""How much small signs say together, by the logarithm (base 10) of how much likelier they are."""
_OVER = 1.01
"""Percentages that add to more want a word why."""
_SURE = ((0.95, "practically certain"), (0.75, "very likely"), (0.5, "likely"), (0.2, "possible"), (0.0, "unlikely"))


def sure(probability: float) -> str:
    """A probability in words."""
    return next(word for least, word in _SURE if probability >= least)


def _headline(finding: Finding, then: str = ":") -> str:
    at = "on the" if finding.place.startswith("segment") else "at"
    place = "" if finding.place in ("bus", "tap") else f" {at} {finding.place}"
    return f"{finding.cause.value}{place}{then} {finding.probability:.0%} ({sure(finding.probability)})"


def finding_text(number: int, finding: Finding, *, brief: bool, told: set[str]) -> list[str]:
    """One finding: headline, evidence with weights, what else, how to mend. Evidence in `told` is not said again."""
    lines = [f"{number}. {_headline(finding)}", *wrap(finding.summary, "   ")]
    if brief:
        return lines
    healthy = finding.cause is Cause.HEALTHY
    said = [f"{proof_words(proof)} ({proof_weight(proof, healthy=healthy)})" for proof in finding.evidence]
    for text in said:
        if text not in told:
            lines += wrap(text, "   - ")
    if said and told.issuperset(said):
        lines.append("   - the same evidence as above")
    told.update(said)
    if finding.could_also_be:
        lines += wrap(f"Could also be: {'; '.join(finding.could_also_be)}.", "   ")
    lines += [line for todo in finding.todo for line in wrap(todo, "   > ")]
    return lines


def proof_words(proof: Proof) -> str:
    """A piece of evidence, its sum of small ones in plain words: how many they are, and which way they point."""
    if proof.text != REST:
        return proof.text
    signs, speaking = proof.numbers.get("signs"), proof.numbers.get("for")
    if not isinstance(signs, int) or not isinstance(speaking, int) or not signs:
        return "small signs, none of which tells by itself"
    if signs == 1:
        return f"1 small sign {'for' if speaking else 'against'} it"
    which = {0: "all of them against it", signs: "all of them for it"}.get(speaking, f"{speaking} of them for it")
    return f"{signs} small signs, none of which tells by itself, {which}"


def proof_weight(proof: Proof, *, healthy: bool) -> str:
    """How much a piece of evidence says, in words; of many small ones no figure, as if they were one sign."""
    if proof.text != REST:
        words = weight_words(proof.weight, healthy=healthy)
        return words.replace("with this fault", "with any fault") if proof.any_fault else words
    speak = next(words for least, words in _TOGETHER if abs(proof.weight) >= least)
    return f"together they {speak} {'for' if proof.weight > 0 else 'against'} it"


def weight_words(weight: float, *, healthy: bool) -> str:
    """How much a piece of evidence says, in words: `weight` is log10 of a ratio."""
    if abs(weight) < 0.05:
        return "says nothing either way"
    shown = "over a million" if abs(weight) > 6 else f"{10 ** abs(weight):,.{0 if abs(weight) > 1 else 1}f}"
    than = "on a sound bus than with a fault" if healthy else "with this fault than on a sound bus"
    return f"{shown} times {'likelier' if weight > 0 else 'less likely'} {than}"


def step_text(number: int, step: Step) -> list[str]:
    """A next step with its readings and caution."""
    lines = wrap(step.do, f"{number}. ")
    lines += [line for reading in step.expect for line in wrap(shortened(reading), "   - ")]
    if step.back:
        lines += wrap(f"then: {step.back}{worth(step)}", "   = ")
    if step.caution:
        lines += wrap(f"Caution: {step.caution}", "   ! ", "     ")
    return lines


_CAUSES = frozenset(cause.value for cause in Cause)


def shortened(reading: str) -> str:
    """What a result would mean, with the likeliest of many causes only."""
    range_text, colon, names = reading.partition(": ")
    listed = names.split(", ")
    return f"{range_text}{colon}{_named(listed)}" if _CAUSES.issuperset(listed) else reading


def _named(names: Sequence[str]) -> str:
    """All of some names; of many the first, and how many more."""
    if len(names) <= MOST_NAMED:
        return ", ".join(names)
    return f"{', '.join(names[: MOST_NAMED - 1])} and {len(names) - MOST_NAMED + 1} more"


def worth(step: Step) -> str:
    """What a measurement is expected to bring for its time."""
    return f"  ({helps(step.gain_bits)}, about {max(1, round(step.minutes))} min)"


def undecided(diagnosis: Diagnosis) -> bool:
    """Whether the evidence does not tell yet: many causes fit alike, or no single sign speaks for the leading one."""
    leader, group = diagnosis.findings[0], diagnosis.group
    if group is not None and len(group.causes) >= _MANY and leader.probability < _UNDECIDED:
        return True
    rest = sum(abs(proof.weight) for proof in leader.evidence if proof.text == REST)
    shown = sum(abs(proof.weight) for proof in leader.evidence if proof.text != REST and not proof.any_fault)
    return leader.probability < _UNPROVED and rest >= _TELLING and rest > shown


def group_text(diagnosis: Diagnosis, listed: str = "--json and --report list all") -> str:
    """What cannot be told apart, in a sentence; empty where the leader stands alone. `listed`: where all stand."""
    group = diagnosis.group
    if group is None:
        return ""
    names = _named([cause.value for cause in group.causes])
    more = f"; {listed}" if len(group.causes) > MOST_NAMED else ""
    splits = next((step.name for step in diagnosis.next if step.name), "")
    how = f"; {splits} is the measurement that splits it best" if splits else ""
    shown = sum(finding.probability for finding in diagnosis.findings if finding.cause in group.causes)
    both = ", as two can be at work at once" if shown > _OVER else ""
    return f"What was seen cannot tell these apart: {names} ({group.probability:.0%} in all{both}{more}){how}."


def two_causes_text(diagnosis: Diagnosis, percent: Callable[[float], str] = "{:.0%}".format) -> str:
    """How probable two causes at once are, where it is worth saying; else empty."""
    if diagnosis.two_causes < _WORTH_SAYING:
        return ""
    over = sum(finding.probability for finding in diagnosis.findings) > _OVER
    then = "; each of the two is counted, so the percentages add to more than a hundred" if over else ""
    return f"Two causes at once: {percent(diagnosis.two_causes)}{then}."


def undecided_text(diagnosis: Diagnosis) -> str:
    """In plain words that the evidence does not tell yet."""
    group = diagnosis.group
    alike = f": {len(group.causes)} causes fit what was seen" if group is not None and len(group.causes) > 1 else ""
    if diagnosis.findings[0].cause is Cause.HEALTHY:
        alike += ", a sound bus best of all"
    return f"The evidence does not tell yet{alike}. The next measurement says more than any of the guesses below."


def diagnosis_text(diagnosis: Diagnosis, noticed: Sequence[str] = ()) -> list[str]:
    """The whole diagnosis: findings first, next steps, what could not be seen, raw figures last.

    `noticed`: lines to stand below the figures, told by others.
    """
    first = diagnosis.findings[0]
    open_question = undecided(diagnosis)
    if open_question:
        lines = ["FINDINGS, none of them sure", *wrap(undecided_text(diagnosis), "   ")]
        lines += _guesses(diagnosis)
    else:
        lines = ["FINDINGS, most probable first"]
        told: set[str] = set()
        for number, finding in enumerate(diagnosis.findings, 1):
            if number == 1 or finding.probability >= _HARDLY or first.probability < _CERTAIN:
                lines += finding_text(number, finding, brief=number > 1 and finding.probability < 0.1, told=told)
        lines += wrap(group_text(diagnosis), "   ") if diagnosis.group else []
    if two := two_causes_text(diagnosis):
        lines += wrap(two, "   ")
    lines += ["", "NEXT, what settles most for its time"]
    for number, step in enumerate(diagnosis.next, 1):
        lines += step_text(number, step)
    if diagnosis.limits:
        lines += ["", "WHAT COULD NOT BE SEEN"]
        lines += [line for limit in diagnosis.limits for line in wrap(limit, "- ")]
    if diagnosis.figures is not None:
        lines += ["", "FIGURES", *figures_text(diagnosis.figures, columns())]
    lines += noticed
    # Last, because that is what a small screen still shows.
    result = f"{_headline(first)}. {first.summary}"
    if open_question:
        result = f"The evidence does not tell yet. First of the guesses: {_headline(first, ',')}."
    return [*lines, "", *wrap(result, "RESULT  "), *wrap(diagnosis.next[0].do, "FIRST   ")]


def _guesses(diagnosis: Diagnosis) -> list[str]:
    """The likeliest of many, a line or two each, and how many more."""
    shown = diagnosis.findings[: MOST_NAMED - 1] if len(diagnosis.findings) > MOST_NAMED else diagnosis.findings
    lines = []
    for number, finding in enumerate(shown, 1):
        lines += wrap(f"{_headline(finding)}. {finding.summary}", f"{number}. ")
    named = {finding.cause for finding in shown}
    others = {finding.cause for finding in diagnosis.findings} | set(diagnosis.group.causes if diagnosis.group else ())
    more = len(others - named)
    return [*lines, *(wrap(f"and {more} more, less likely; --json and --report list all.", "   ") if more else ())]


def diagnosis_object(diagnosis: Diagnosis) -> dict[str, Any]:
    """What `diagnose --json` prints (docs/json.md)."""
    return {
        "findings": [_finding_object(finding) for finding in diagnosis.findings],
        "group": None
        if diagnosis.group is None
        else {
            "causes": [cause.value for cause in diagnosis.group.causes],
            "probability": round(diagnosis.group.probability, 4),
        },
        "two_causes": diagnosis.two_causes,
        "next": [_step_object(step) for step in diagnosis.next],
        "measured": {reading.name: reading.value for reading in diagnosis.by_hand.readings},
        "tried": {tried.name: "better" if tried.better else "same" for tried in diagnosis.by_hand.tried},
        "waveform": dict(diagnosis.by_hand.scope),
        "limits": list(diagnosis.limits),
        "figures": None if diagnosis.figures is None else figures_object(diagnosis.figures),
    }


def _step_object(step: Step) -> dict[str, Any]:
    return {
        "do": step.do,
        "expect": list(step.expect),
        "caution": step.caution,
        "name": step.name,
        "gain_bits": step.gain_bits,
        "minutes": step.minutes,
    }


def _finding_object(finding: Finding) -> dict[str, Any]:
    return {
        "cause": finding.cause.value,
        "place": finding.place,
        "probability": finding.probability,
        "summary": finding.summary,
        "evidence": [
            {"text": proof.text, "weight": proof.weight, "numbers": proof.numbers} for proof in finding.evidence
        ],
        "could_also_be": list(finding.could_also_be),
        "todo": list(finding.todo),
    }


def is_fault(diagnosis: Diagnosis) -> bool:
    """Whether the leading finding is something wrong."""
    return diagnosis.findings[0].cause is not Cause.HEALTHY
