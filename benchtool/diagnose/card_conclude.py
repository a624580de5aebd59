"""From weighed evidence of the data lines to findings in words, groups, and what to measure next."""

from __future__ import annotations

import math

from benchtool.diagnose.card_advice import CARD_ADVICE
from benchtool.diagnose.card_belief import SUREST, Belief, believe
from benchtool.diagnose.card_evidence import CardEvidence
from benchtool.diagnose.card_finding import CardCause, CardDiagnosis, CardFinding, CardGroup, Proof
from benchtool.diagnose.card_kinds import judged_reads
from benchtool.diagnose.card_model import CAUSES, INDEX
from benchtool.diagnose.card_steps import next_steps
from benchtool.diagnose.finding import REST

_LEAST_PROBABILITY = 0.01
_MOST_FINDINGS = 8
_MOST_LINES = 7
_WEIGHTY = 0.3
"""Evidence that speaks by less than this (log10: a factor of 2) is summed up in one line."""
_LEAST_REST = 0.05
_LOG10 = math.log(10)
_MISFIT = "does not fit, no line with this cause shows it; measure it again"


def conclude(evidence: CardEvidence) -> CardDiagnosis:
    """The diagnosis of everything given."""
    belief = believe(evidence)
    shown, group = _levelled(belief)
    ranked = sorted(shown, key=lambda cause: -shown[cause])
    findings = [
        _finding(cause, shown[cause], belief, group)
        for place, cause in enumerate(ranked[:_MOST_FINDINGS])
        if place == 0 or shown[cause] >= _LEAST_PROBABILITY
    ]
    return CardDiagnosis(
        tuple(findings),
        next_steps(evidence, belief, group),
        _limits(evidence),
        CardGroup(group, min(1.0, sum(shown[cause] for cause in group))) if group else None,
    )


def _levelled(belief: Belief) -> tuple[dict[CardCause, float], tuple[CardCause, ...]]:
    """Probabilities as shown, and the leader's group: in it the leader gets at most `SUREST` of what all have."""
    shown = {cause: belief.of(cause) for cause in CAUSES}
    leader = max(shown, key=lambda cause: shown[cause])
    alike = belief.group(leader)
    if not alike:
        return shown, ()
    while True:
        levelled = _capped(shown, leader, alike)
        # A cause that comes out above the leader for the leader's cap is as likely as it is.
        above = [cause for cause in CAUSES if levelled[cause] > levelled[leader] and cause not in alike]
        if not above:
            return levelled, tuple(sorted((leader, *alike), key=lambda cause: -levelled[cause]))
        alike = (*alike, *above)


def _capped(shown: dict[CardCause, float], leader: CardCause, alike: tuple[CardCause, ...]) -> dict[CardCause, float]:
    levelled = dict(shown)
    rest = sum(shown[cause] for cause in alike)
    mass = shown[leader] + rest
    if shown[leader] > SUREST * mass:
        for cause in alike:
            levelled[cause] *= (1 - SUREST) * mass / rest
        levelled[leader] = SUREST * mass
    return levelled


def _finding(cause: CardCause, probability: float, belief: Belief, group: tuple[CardCause, ...]) -> CardFinding:
    advice = CARD_ADVICE[cause]
    also = list(advice.could_also_be)
    if cause in group:
        others = [other.value for other in group if other is not cause]
        also.insert(0, f"{', '.join(others)}: this evidence cannot exclude {'them' if len(others) > 1 else 'it'}")
    return CardFinding(cause, round(probability, 4), advice.summary, _proofs(cause, belief), tuple(also), advice.todo)


def _proofs(cause: CardCause, belief: Belief) -> tuple[Proof, ...]:
    """What speaks for and against, adding up to the log10 odds against sound lines (of those: the likeliest fault)."""
    other = CardCause.HEALTHY
    if cause is CardCause.HEALTHY:
        faults = [one for one in CAUSES if one is not CardCause.HEALTHY]
        other = max(faults, key=belief.of)
    lines: list[Proof] = []
    rest = 0.0
    for piece in belief.pieces:
        weight = float(piece.logs[INDEX[cause]] - piece.logs[INDEX[other]]) / _LOG10
        if abs(weight) >= _WEIGHTY or piece.by_hand:
            odd = f": {_MISFIT}" if cause in piece.misfits else ""
            lines.append(Proof(piece.text + odd, round(weight, 2), dict(piece.numbers)))
        else:
            rest += weight
    lines.sort(key=lambda proof: -abs(proof.weight))
    rest += sum(proof.weight for proof in lines[_MOST_LINES:])
    lines = sorted(lines[:_MOST_LINES], key=lambda proof: -proof.weight)
    if abs(rest) >= _LEAST_REST:
        lines.append(Proof(REST, round(rest, 2), {}))
    return tuple(lines)


def _limits(evidence: CardEvidence) -> tuple[str, ...]:
    """What could not be seen, and what nobody told."""
    found = ["One cause at a time is weighed: of two faults at once the greater hides the other."]
    if not evidence.expected:
        found.append("What the controller is set to was not told (--expect FORMAT), so a wrong length is not weighed.")
    if not evidence.records and not any(read.pulses for read in evidence.reads):
        found.append("No pulses were seen, only bits: widths, levels, glitches and noise between reads are unknown.")
    elif not evidence.records:
        found.append("Only the pulses of reads were seen: lines at rest, glitches and stray pulses are unknown.")
    built = sum(read.built for read in evidence.reads)
    if built:
        found.append(f"{built} reads are numbers, not bits: what parity was received is unknown, and was not weighed.")
    if evidence.turned and not evidence.volts_seen:
        found.append(
            "Whether the lines rest low, or an inverting input recorded them, the record cannot show: measure DC volts "
            "from D0 to 0 V with no card at the reader."
        )
    keys = len(evidence.reads) - len(judged_reads(evidence))
    if keys:
        found.append(f"{keys} of the reads are keys of a keypad, beside sound cards: they were left out.")
    if len(evidence.reads) == 1:
        found.append("One read cannot show what comes and goes: hold the card to the reader a few times more.")
    return tuple(found)
