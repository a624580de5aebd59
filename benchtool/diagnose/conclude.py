"""From what was observed to findings in words: causes with places, evidence with weights, groups, next measurements."""

from __future__ import annotations

import math

import numpy as np

from benchtool.diagnose import draws, lean, measurements, model, sights_weigh, weigh
from benchtool.diagnose.advice import ADVICE, AT_ITS_END, NOTHING_HEARD
from benchtool.diagnose.enough import left_over
from benchtool.diagnose.finding import REST, Cause, Diagnosis, Finding, Group, Proof, Step
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.places import place_text
from benchtool.diagnose.readings import ACTIONS, DOORS, LIVE, SUPPLY, Action, ByHand
from benchtool.diagnose.reflections import times_too_long
from benchtool.diagnose.sensible import CERTAIN
from benchtool.diagnose.sights_known import seen_words
from benchtool.diagnose.state import NOT_SOUND, not_sound, rate_of, state_of
from benchtool.diagnose.steps import AT_CONTROLLER
from benchtool.diagnose.summaries import summary, unheard
from benchtool.diagnose.supply import low_supply, supply_words
from benchtool.measure.tally import Figures
from benchtool.measure.waveform_readings import in_words

LISTEN = Step(
    "Clip an adapter on the pair, and listen as well: benchtool diagnose TAP, with these readings as --meter.",
    (
        "frames come: what devices answer and where damage falls says far more than readings alone",
        "nothing comes: nobody talks, or the clip makes no contact",
    ),
    LIVE,
)
"""Where nothing was listened to."""
LEAST_PROBABILITY = 0.01
"""Findings below this are not listed."""
_MOST_FINDINGS = 8
_MOST_STEPS = 3
_WEIGHTY = 0.3
"""Evidence that speaks for or against a cause by less than this (log10: a factor of 2) is summed up in one line."""
_LEAST_REST = 0.1
_LEAST_SIGN = 0.005
"""What says less (a hundredth) is no sign at all."""
_MOST_LINES = 8
_LOG10 = math.log(10)


def conclude(observed: Observed, figures: Figures | None = None) -> Diagnosis:
    """The diagnosis of everything observed so far."""
    belief, heard_at, at, shown, named = state_of(observed)
    measured = _measured(observed, heard_at)
    findings: list[Finding] = []
    for cause in sorted(shown, key=lambda one: -shown[one])[:_MOST_FINDINGS]:
        if shown[cause] >= LEAST_PROBABILITY or not findings:
            evidence = _evidence(cause, observed, belief, measured)
            findings += _of_cause(cause, shown[cause], evidence, observed, belief, at)
    findings.sort(key=lambda finding: -finding.probability)
    steps = _steps(observed, belief, at, findings, named)
    return Diagnosis(
        tuple(findings),
        steps,
        observed.limits,
        figures,
        # Two of them can be at work at once, so that the sum of their probabilities can be over 1.
        Group(named, min(1.0, sum(shown[cause] for cause in named))) if named else None,
        round(belief.two(), 4),
        observed.by_hand,
    )


def _of_cause(
    cause: Cause,
    probability: float,
    evidence: tuple[Proof, ...],
    observed: Observed,
    belief: weigh.Belief,
    at: weigh.Places,
) -> list[Finding]:
    """The finding of a cause; one for each device that never answers, where that is the cause."""
    where = at.get(cause, {})
    if cause in (Cause.DEVICE_SILENT, Cause.REVERSED_AT_DEVICE):
        certain = [address for address, share in where.items() if share > 0.9]
        if len(certain) > 1:
            return [
                _finding(cause, f"address {address}", probability, evidence, observed, belief)
                for address in sorted(certain)
            ]
    place = place_text(cause, where, observed.addresses, observed.order)
    return [_finding(cause, place, probability, evidence, observed, belief)]


_FED = (Cause.DEVICE_SILENT, Cause.DEVICE_RESETTING)
"""Causes of which a supply that is too low is the likeliest ground."""


def _finding(
    cause: Cause,
    place: str,
    probability: float,
    evidence: tuple[Proof, ...],
    observed: Observed,
    belief: weigh.Belief,
) -> Finding:
    advice = ADVICE[cause]
    also = list(advice.could_also_be)
    partner = belief.partner(cause)
    if partner is not None and partner[1] >= 0.05:
        also.insert(0, f"together with {partner[0].value} ({partner[1]:.0%})")
    todo = advice.todo
    if cause is Cause.SEQUENCE_FAULTS and unheard(observed):
        todo = (AT_ITS_END, *todo[1:])
    elif cause is Cause.FORMAT_WRONG and observed.sender_format:
        todo = (
            f"Set benchtool to the format of the bus (--format {observed.sender_format}), and listen again.",
            *todo[1:],
        )
    elif cause in _FED and (
        low := low_supply(one for one in observed.by_hand.readings if f"address {one.address}" == place)
    ):
        todo = (f"Caution: {SUPPLY} {DOORS}", f"{supply_words(low)[1]} Then listen again.")
    return Finding(cause, place, round(probability, 4), summary(cause, place, observed), evidence, tuple(also), todo)


_Numbers = dict[str, float | int | str]
_Measured = tuple[str, _Numbers, weigh.Floats]
"""A sentence, its numbers, and the log-likelihood of each set."""


def _evidence(cause: Cause, observed: Observed, belief: weigh.Belief, measured: list[_Measured]) -> tuple[Proof, ...]:
    """What speaks for and against a cause, with weights that add up to its log10 odds against a sound bus.

    The odds are those of the cause alone. For `healthy` the weights are against the likeliest fault.
    """
    sign, row = 1.0, cause
    if cause is Cause.HEALTHY:
        sign, row = -1.0, model.CAUSES[int(belief.probability[1 : 1 + len(model.CAUSES)].argmax())]
    lines: list[Proof] = []
    small: list[float] = []
    rest = 0.0
    if observed.symptoms is not None:
        for name, weight in model.load().weights(observed.symptoms, row).items():
            value = sign * weight / _LOG10
            told = observed.told.get(name)
            if name == "bias":  # what it is without any sign
                rest += value
            elif told is None or abs(value) < _WEIGHTY:
                small.append(value)
            else:
                lines.append(Proof(told[0], round(value, 2), told[1]))
        unheard = sign * weigh.nothing_heard(observed.symptoms) / _LOG10
        if unheard:
            lines.append(Proof("no octet came: a bus in use talks", round(unheard, 2), {"octets": 0}))
    unsound = not_sound(observed)
    for text, numbers in unsound.items():
        lines.append(Proof(text, round(sign * NOT_SOUND / _LOG10 / len(unsound), 2), numbers, any_fault=True))
    for text, numbers, logs in measured:
        value = sign * float(logs[1 + model.INDEX[row]] - logs[0]) / _LOG10
        if abs(value) >= _WEIGHTY or text.startswith(_BY_HAND):
            lines.append(Proof(text, round(value, 2), numbers))
        else:
            small.append(value)
    lines.sort(key=lambda proof: -abs(proof.weight))
    small += [proof.weight for proof in lines[_MOST_LINES:]]
    lines = sorted(lines[:_MOST_LINES], key=lambda proof: -proof.weight)
    rest += sum(small)
    if abs(rest) >= _LEAST_REST:
        signs = [value for value in small if abs(value) >= _LEAST_SIGN]
        counts: _Numbers = {"signs": len(signs), "for": sum(value > 0 for value in signs)}
        lines.append(Proof(REST, round(rest, 2), counts))
    return tuple(lines)


_BY_HAND = ("measured: ", "tried: ", "seen: ")


def _measured(observed: Observed, at: weigh.Places) -> list[_Measured]:
    """Each reading and action by itself; and what all of them say together beyond that, as one bus must explain all."""
    hand = weigh.that_counts(observed.by_hand, observed.symptoms)
    single: list[tuple[ByHand, str, _Numbers]] = [
        (ByHand((reading,)), f"measured: {reading.text()}", {reading.name: reading.value}) for reading in hand.readings
    ]
    for tried in hand.tried:
        told = f"tried: {tried.name}, it got {'better' if tried.better else 'no better'}"
        single.append((ByHand(tried=(tried,)), told, {tried.name: int(tried.better)}))
    for name, value in hand.scope.items():
        single.append((ByHand(scope={name: value}), f"waveform: {in_words(name, value)}", {name: value}))
    known = draws.load()
    found: list[_Measured] = [
        (text, numbers, known.log_likelihood(part, observed.length_m, at)) for part, text, numbers in single
    ]
    if len(hand.readings) > 1:
        together = known.log_likelihood(hand, observed.length_m, at)
        apart = np.sum([logs for _, _, logs in found], axis=0)
        found.append(("how the readings fit together on one bus", {}, together - apart))
    found += [
        (f"seen: {seen_words(one)}", {one.name: one.answer}, sights_weigh.log_likelihood([one], at))
        for one in hand.seen
    ]
    baud = rate_of(observed)
    if observed.length_m is not None and baud is not None:
        times = times_too_long(observed.length_m, baud)
        rule = "the usual rule (1e8 / rate, at most 1200 m)"
        told = f"the pair is {times:.2g} times as long as {baud} bit/s allows by {rule}"
        found.append((told, {"length_m": observed.length_m}, weigh.by_length(observed.length_m, baud)))
    for because, heard in dict.fromkeys((one.because, one.heard) for one in observed.leans):
        said = [one for one in observed.leans if (one.because, one.heard) == (because, heard)]
        found.append((because if heard else f"by the record: {because}", {}, lean.log_likelihood(said)))
    return found


def _steps(
    observed: Observed, belief: weigh.Belief, at: weigh.Places, findings: list[Finding], group: tuple[Cause, ...]
) -> tuple[Step, ...]:
    """The best three measurements: what splits the group, then most worth first; after a proof, what mends it first."""
    steps: list[Step] = []
    if observed.symptoms is not None and observed.octets == 0:
        steps += NOTHING_HEARD
    if observed.looks_like:
        steps.append(
            Step(
                f"Listen again: the traffic {observed.looks_like}.",
                ("sound frames come: that is what the bus speaks", "none come: it is something else, or damaged"),
            )
        )
    if findings[0].cause is Cause.BAUD_WRONG and observed.sender_baud is not None:
        baud = observed.sender_baud
        steps.append(
            Step(
                f"Listen again at the rate found: --baud {baud}.",
                (f"sound frames come: {baud} it is", "none come: try the other usual rates"),
            )
        )
    if findings[0].cause is Cause.FORMAT_WRONG and observed.sender_format:
        form = observed.sender_format
        steps.append(
            Step(
                f"Listen again in the format found: --format {form}.",
                (f"framing and parity errors stop: {form} it is", "they stay: the rate, or the line itself"),
            )
        )
    if unheard(observed) and findings[0].probability < CERTAIN:
        steps.append(AT_CONTROLLER)
    present = belief.present()
    # Where nothing was listened to, or all sounds well, nothing that is tried can be heard to get better.
    listened = observed.symptoms is not None
    actions = ACTIONS if listened and weigh.something_wrong(observed.symptoms) else ()
    for choice in measurements.choices(belief, observed.by_hand, observed.length_m, at, group, actions):
        if choice.gain_bits < measurements.LEAST_GAIN or len(steps) >= _MOST_STEPS:
            continue
        step = _step(choice, present, observed, at)
        if len(step.expect) > 1:  # else no result would tell causes in play apart
            steps.append(step)
    if not listened:
        return (*steps[: _MOST_STEPS - 1], LISTEN)
    if not steps:
        steps += left_over(findings[0], observed.by_hand, listened=listened)
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
