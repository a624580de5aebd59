"""From what was observed to findings in words: causes with places, evidence with weights, groups, next measurements."""

from __future__ import annotations

import math

from benchtool.diagnose import draws, measurements, model, weigh
from benchtool.diagnose.advice import ADVICE, NOTHING_HEARD
from benchtool.diagnose.finding import Cause, Diagnosis, Finding, Group, Proof, Step
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.places import place_text, places
from benchtool.diagnose.readings import Action, ByHand
from benchtool.diagnose.summaries import summary
from benchtool.measure.tally import Figures
from benchtool.measure.waveform_readings import in_words

LEAST_PROBABILITY = 0.01
"""Findings below this are not listed."""
_MOST_FINDINGS = 8
_MOST_STEPS = 3
_LEAST_GAIN = 0.03
"""A measurement expected to bring less than this many bits is not suggested."""
_WEIGHTY = 0.1
"""Evidence that speaks for or against a cause by less than this (log10) is summed up in one line."""
_MOST_LINES = 8
_LOG10 = math.log(10)


def conclude(observed: Observed, figures: Figures | None = None) -> Diagnosis:
    """The diagnosis of everything observed so far."""
    at = places(observed.addresses)
    belief = weigh.believe(observed.symptoms, observed.by_hand, observed.length_m, at)
    present = belief.present()
    shown, group = weigh.levelled(belief, present)
    findings: list[Finding] = []
    for cause in sorted(shown, key=lambda one: -shown[one])[:_MOST_FINDINGS]:
        if shown[cause] >= LEAST_PROBABILITY or not findings:
            findings += _of_cause(cause, shown[cause], observed, belief, at)
    findings.sort(key=lambda finding: -finding.probability)
    steps = _steps(observed, belief, at, findings)
    leader = findings[0].cause
    named = (leader, *group) if group else ()
    return Diagnosis(
        tuple(findings),
        steps,
        observed.limits,
        figures,
        Group(named, sum(shown[cause] for cause in named)) if named else None,
        round(belief.two(), 4),
        observed.by_hand,
    )


def _of_cause(
    cause: Cause, probability: float, observed: Observed, belief: weigh.Belief, at: weigh.Places
) -> list[Finding]:
    """The finding of a cause; one for each device that never answers, where that is the cause."""
    where = at.get(cause, {})
    if cause in (Cause.DEVICE_SILENT, Cause.REVERSED_AT_DEVICE):
        certain = [address for address, share in where.items() if share > 0.9]
        if len(certain) > 1:
            return [_finding(cause, f"address {a}", probability, observed, belief) for a in sorted(certain)]
    place = place_text(cause, where, observed.addresses, observed.order)
    return [_finding(cause, place, probability, observed, belief)]


def _finding(cause: Cause, place: str, probability: float, observed: Observed, belief: weigh.Belief) -> Finding:
    advice = ADVICE[cause]
    also = list(advice.could_also_be)
    partner = belief.partner(cause)
    if partner is not None and partner[1] >= 0.05:
        also.insert(0, f"together with {partner[0].value} ({partner[1]:.0%})")
    return Finding(
        cause,
        place,
        round(probability, 4),
        summary(cause, place, observed),
        _evidence(cause, observed),
        tuple(also),
        advice.todo,
    )


def _evidence(cause: Cause, observed: Observed) -> tuple[Proof, ...]:
    """What speaks for and against a cause, with weights that add up to its log10 odds against a sound bus.

    For `healthy` the weights are against the likeliest fault.
    """
    lines: list[Proof] = []
    rest = 0.0
    if observed.symptoms is not None:
        known = model.load()
        sign = 1.0
        row = cause
        if cause is Cause.HEALTHY:
            scores = known.scores(observed.symptoms) + model.all_sets().log_prior
            row = model.CAUSES[int(scores[1 : 1 + len(model.CAUSES)].argmax())]
            sign = -1.0
        for name, weight in known.weights(observed.symptoms, row).items():
            value = sign * weight / _LOG10
            told = observed.told.get(name)
            if told is None or abs(value) < _WEIGHTY:
                rest += value
            else:
                lines.append(Proof(told[0], round(value, 2), told[1]))
    lines += _measured(cause, observed)
    lines.sort(key=lambda proof: -abs(proof.weight))
    rest += sum(proof.weight for proof in lines[_MOST_LINES:])
    lines = sorted(lines[:_MOST_LINES], key=lambda proof: -proof.weight)
    if abs(rest) >= _WEIGHTY:
        lines.append(Proof("everything else that was heard, each of little weight", round(rest, 2), {}))
    return tuple(lines)


def _measured(cause: Cause, observed: Observed) -> list[Proof]:
    """The weight of each reading and action by itself."""
    at = places(observed.addresses)
    hand = observed.by_hand
    single: list[tuple[ByHand, str, dict[str, float | int | str]]] = [
        (ByHand((reading,)), f"measured: {reading.text()}", {reading.name: reading.value}) for reading in hand.readings
    ]
    for tried in hand.tried:
        told = f"tried: {tried.name}, it got {'better' if tried.better else 'no better'}"
        single.append((ByHand(tried=(tried,)), told, {tried.name: int(tried.better)}))
    for name, value in hand.scope.items():
        told = f"waveform: {in_words(name, value)}"
        single.append((ByHand(scope={name: value}), told, {name: value}))
    sets = model.all_sets()
    lines = []
    for part, text, numbers in single:
        logs = draws.load().log_likelihood(part, observed.length_m, at)
        if cause is Cause.HEALTHY:
            singles = logs[1 : 1 + len(model.CAUSES)] + sets.log_prior[1 : 1 + len(model.CAUSES)]
            weight = logs[0] - logs[1 + int(singles.argmax())]
        else:
            weight = logs[1 + model.INDEX[cause]] - logs[0]
        if abs(weight) / _LOG10 >= _WEIGHTY or not part.scope:
            lines.append(Proof(text, round(float(weight) / _LOG10, 2), numbers))
    return lines


def _steps(observed: Observed, belief: weigh.Belief, at: weigh.Places, findings: list[Finding]) -> tuple[Step, ...]:
    """The best three measurements, most worth first; after a proof, what mends it comes before them."""
    steps: list[Step] = []
    if observed.symptoms is not None and observed.octets == 0:
        steps += NOTHING_HEARD
    if findings[0].cause is Cause.BAUD_WRONG and observed.sender_baud is not None:
        baud = observed.sender_baud
        steps.append(
            Step(
                f"Listen again at the rate found: --baud {baud}.",
                (f"sound frames come: {baud} it is", "none come: try the other usual rates"),
            )
        )
    present = belief.present()
    for choice in measurements.choices(belief, observed.by_hand, observed.length_m, at):
        if choice.gain_bits < _LEAST_GAIN or len(steps) >= _MOST_STEPS:
            continue
        step = _step(choice, present, observed, at)
        if len(step.expect) > 1:  # else no result would tell causes in play apart
            steps.append(step)
    if not steps:
        steps += ADVICE[findings[0].cause].steps[:1]
    return tuple(steps[:_MOST_STEPS])


def _step(choice: measurements.Choice, present: dict[Cause, float], observed: Observed, at: weigh.Places) -> Step:
    what = choice.what
    do = what.how.format(place=f"address {choice.address}") + "."
    if isinstance(what, Action):
        expect: tuple[str, ...] = what.expect
        back = f"--tried {choice.name}=better (or =same)"
    else:
        expect = measurements.meanings(what, choice.address, present, observed.length_m, at)
        back = f"--meter {choice.name}={'OHMS' if what.unit == 'ohm' else 'VOLTS'}"
    return Step(do, expect, what.caution, choice.name, round(choice.gain_bits, 3), choice.minutes, back)
