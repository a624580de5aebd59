"""What a hidden fault was, explained with what the learner could see: the two or three signs that decide come first."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence

from benchtool.diagnose import model
from benchtool.diagnose.advice import ADVICE
from benchtool.diagnose.card_advice import CARD_ADVICE
from benchtool.diagnose.card_belief import believe
from benchtool.diagnose.card_engine import diagnose_lines
from benchtool.diagnose.card_evidence import CardEvidence
from benchtool.diagnose.card_finding import CardCause, CardFinding
from benchtool.diagnose.card_readings import card_kind
from benchtool.diagnose.conclude import conclude
from benchtool.diagnose.finding import REST, Cause, Finding, Proof
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.readings import ByHand, kind_of
from benchtool.reports import practice_card_text, practice_together
from benchtool.reports.diagnosis_text import weight_words
from benchtool.reports.practice_tells import SIGNS, tells
from benchtool.reports.practice_text import cause_words, shown_signs
from benchtool.reports.practice_together import FIT, MEASURED, Together
from benchtool.reports.practice_words import reading_words

_DECIDING, _UNSEEN = 3, 2
_TELLING, _AGAINST, _SMALL = 0.3, 0.7, 0.02
"""Weights (log10): less than a factor of two tells nothing, less than five against it is not worth a line."""
_SPLITS, _SURELY, _MOST_SPLITS = 0.25, 3.0, 2
"""Weights (log10) from which a sign tells two faults apart, and from which it settles it."""
_MARK, _FIGURE = re.compile(r"framing error|parity error"), re.compile(r"\d+")
_NOTHING = "You had gathered nothing that could speak for it."
_MAINS = "tested against the mains"


def explained(truth: Cause, tap: str, observed: Observed, said: str = "", *, numbered: bool = True) -> list[str]:
    """What it was, what of the learner's evidence told it, and how it is mended.

    `said`: what it is at this installation, where the usual sentence would say something else; `numbered`: whether
    frames carry sequence numbers there.
    """
    found = conclude(observed)
    mine = next((one for one in found.findings if one.cause is truth), None)
    summary = cause_words(truth) if mine is None else mine.summary
    lines = [f"It was {truth.value}: {said or summary}", f"How it mostly shows: {tells(truth, numbered=numbered)}."]
    first = found.findings[0]
    ahead = _ahead(first, first.cause is truth)
    if observed.symptoms is None and observed.by_hand == ByHand():
        lines.append(_NOTHING)
    elif mine is None:
        lines.append(f"What you gathered hardly speaks for it{ahead}")
    else:
        lines.append(f"What you gathered makes it {mine.probability:.0%} probable{ahead}")
        # Score against the mains is a figure for a machine, unless it is the mains.
        proofs = [one for one in mine.evidence if truth is Cause.NOISE_MAINS or _MAINS not in one.text]
        seen = {text for name in shown_signs(observed) for text in observed.told.get(name, ("",))[:1]}
        proofs = [_of_all(one, observed) if one.text in seen or _spoilt(one) else one for one in proofs]
        readings = observed.by_hand.readings
        shown = {one.text(): reading_words(one.name, one.value, kind_of(one.kind).unit) for one in readings}
        lines += proof_lines(
            _as_shown(proofs, shown),
            _signs(truth, observed),
            healthy=truth is Cause.HEALTHY,
            unseen=_unseen(observed, seen),
            known_by=_known_by(truth, observed),
            together=practice_together.of_bus(truth, observed),
        )
        lines += _splitting(truth, observed)
    lines += [f"> {todo}" for todo in ADVICE[truth].todo]
    lines.append(f"The same to every other command: {tap}")
    lines.append(f"Read on: docs/faults/{truth.value}.md")
    return lines


def card_explained(truth: CardCause, tap: str, evidence: CardEvidence) -> list[str]:
    """The same of a fault of data lines."""
    found = diagnose_lines(evidence)
    mine = next((one for one in found.findings if one.cause is truth), None)
    said = practice_card_text.said_here(truth, evidence)
    lines = [f"It was {truth.value}: {said or CARD_ADVICE[truth].summary}"]
    first = found.findings[0]
    ahead = _ahead(first, first.cause is truth)
    if not (evidence.presented or evidence.readings):
        lines.append(_NOTHING)
    elif mine is None:
        lines.append(f"What you gathered hardly speaks for it{ahead}")
    else:
        lines.append(f"What you gathered makes it {mine.probability:.0%} probable{ahead}")
        shown = {one.text(): reading_words(one.kind, one.value, card_kind(one.kind).unit) for one in evidence.readings}
        told = proof_lines(
            _as_shown(mine.evidence, shown),
            sum(not piece.text.startswith(FIT) for piece in believe(evidence).pieces),
            healthy=truth is CardCause.HEALTHY,
            together=practice_together.of_lines(truth, evidence),
        )
        lines += [line.replace("on a sound bus", "on sound lines") for line in told]
    lines += [f"> {todo}" for todo in CARD_ADVICE[truth].todo]
    lines.append(f"The same to every other command: {tap}")
    lines.append(f"Read on: docs/card-faults.md, {truth.value}")
    return lines


def _ahead(first: Finding | CardFinding, mine: bool) -> str:
    """What the evidence speaks for instead, in words; a full stop where it speaks for the truth."""
    if mine:
        return "."
    return f"; it looks more like {first.cause.value}, {first.probability:.0%}: {first.summary}"


def proof_lines(
    proofs: Sequence[Proof],
    signs: int,
    *,
    healthy: bool = False,
    unseen: frozenset[str] = frozenset(),
    known_by: Sequence[Proof] = (),
    together: Together | None = None,
) -> list[str]:
    """The two or three signs that decide; the strongest against; all others counted.

    `signs`: how many pieces of evidence there are in all; `unseen`: texts of those that nobody showed the learner,
    told apart, as what benchtool works out of the same octets; `known_by`: signs by which a person knows the fault,
    told whatever their weights; `together`: what all readings say at once, where there are several.
    """
    proofs = [*known_by, *(one for one in proofs if one.text not in {known.text for known in known_by})]
    known = [one.text for one in known_by]
    ranked = sorted(
        (one for one in proofs if one.text != REST and not one.text.startswith(FIT)),
        key=lambda one: -abs(one.weight) - _TELLING * (one.text in known),
    )
    speaking = [one for one in ranked if one.weight >= _TELLING]
    seen = _each_once(one for one in ranked if one.text in known or (one in speaking and one.text not in unseen))
    seen = seen[:_DECIDING]
    worked = [one for one in speaking if one.text in unseen and one.weight >= 2 * _TELLING][:_UNSEEN]
    against = [one for one in ranked if one.weight <= -_AGAINST and one.text not in unseen][:1]
    told = {one.text for one in (*seen, *worked, *against)}
    readings = 0
    weight = 0.0 if together is None else together.weight
    if abs(weight) >= _TELLING:
        # Told all at once: none of them is left among the small signs, nor what corrects their sum.
        counted = [one for one in proofs if one.text.startswith((MEASURED, FIT))]
        readings = together.readings - sum(one.text in told for one in counted) if together is not None else 0
        told |= {one.text for one in counted}
    left = sum(one.weight for one in proofs if one.text not in told)
    lines = ["What speaks for it most:" if seen else "No single sign that you saw decides."]
    lines += _weighed(seen, healthy=healthy)
    if together is not None and weight >= _TELLING:
        words = weight_words(weight, healthy=healthy)
        lines.append(f"- all {together.readings} readings at once, as they say in part the same: {words}")
    if worked:
        lines += ["What benchtool works out of the same octets:", *_weighed(worked, healthy=healthy)]
    clash = _clash(together, healthy=healthy)
    if against or clash:
        lines += ["What speaks against it:", *_weighed(against, healthy=healthy), *clash]
    count = max(0, signs - len(seen) - len(worked) - len(against) - readings)
    if count:
        which = "point to it" if left >= _TELLING else "point away from it" if left <= -_TELLING else "say little"
        told_of = "1 small sign" if count == 1 else f"{count} small signs, which together {which}"
        lines.append(f"Besides: {told_of}.")
    return lines


def _each_once(proofs: Iterable[Proof]) -> list[Proof]:
    """Marked characters told once: they are counted, and so many are what no sound bus has."""
    found: dict[tuple[str, ...], Proof] = {}
    for one in proofs:
        mark = _MARK.search(one.text)
        found.setdefault((one.text,) if mark is None else (mark[0], *_FIGURE.findall(one.text)), one)
    return list(found.values())


def _clash(together: Together | None, *, healthy: bool) -> list[str]:
    """Readings that hardly go together on such a bus, with the one that goes least with the others."""
    if together is None or together.weight > -_AGAINST:
        return []
    words = weight_words(together.weight, healthy=healthy)
    return [f"- all {together.readings} readings at once: {words}; what goes least with it is {together.clash}"]


def _as_shown(proofs: Sequence[Proof], shown: Mapping[str, str]) -> list[Proof]:
    """Readings as the meter shows them: `shown` by how the diagnosis writes them."""
    found = []
    for one in proofs:
        text = one.text.removeprefix(MEASURED)
        # What does not fit says so behind its reading.
        reading, colon, odd = text.partition(": ")
        said = f"{MEASURED}{shown[reading]}{colon}{odd}" if text != one.text and reading in shown else one.text
        found.append(Proof(said, one.weight, one.numbers))
    return found


def _weighed(proofs: Sequence[Proof], *, healthy: bool) -> list[str]:
    """What stands behind `times` is said once."""
    lines: list[str] = []
    said = False
    for one in proofs:
        text = one.text.replace("waveform: ", "scope: ", 1)
        if abs(one.weight) < _TELLING:
            lines.append(f"- {text}")
            continue
        words = weight_words(one.weight, healthy=healthy)
        if said:
            words = words.partition(" than ")[0].partition(" with ")[0].partition(" on ")[0]
        lines.append(f"- {text} ({words})")
        said = True
    return lines


def _signs(truth: Cause, observed: Observed) -> int:
    """How many pieces of evidence there are: signs heard that say anything of it, and what was found by hand."""
    hand = observed.by_hand
    found = len(hand.readings) + len(hand.tried) + len(hand.seen) + len(hand.scope)
    if observed.symptoms is None:
        return found
    known = model.CAUSES if truth is Cause.HEALTHY else (truth,)
    weights = [model.load().weights(observed.symptoms, one) for one in known if one is not Cause.HEALTHY]
    names = {name for row in weights for name, weight in row.items() if abs(weight) / math.log(10) >= _SMALL}
    return found + len(names & observed.told.keys())


def _known_by(truth: Cause, observed: Observed) -> list[Proof]:
    """Signs heard and shown by which a person knows the fault, where they speak for it."""
    if observed.symptoms is None:
        return []
    shown = [name for name in SIGNS.get(truth, ()) if name in shown_signs(observed) and name in observed.told]
    if truth is Cause.HEALTHY:
        return [Proof(observed.told[name][0], 0.0, {}) for name in shown]
    weights = model.load().weights(observed.symptoms, truth)
    found = [Proof(observed.told[name][0], round(weights.get(name, 0.0) / math.log(10), 2), {}) for name in shown]
    return [one for one in found if one.weight > _SMALL]


def _unseen(observed: Observed, seen: set[str]) -> frozenset[str]:
    return frozenset(text for text, _ in observed.told.values()) - seen


def _spoilt(proof: Proof) -> bool:
    return proof.text.endswith("replies are damaged")


def _of_all(proof: Proof, observed: Observed) -> Proof:
    """Where every address is damaged, the damage is not that of the one that is named first."""
    rows = [one for one in observed.addresses if one.requests]
    if not _spoilt(proof) or any(2 * one.damaged < one.requests for one in rows):
        return proof
    asked, damaged = sum(one.requests for one in rows), sum(one.damaged for one in rows)
    return Proof(f"all {len(rows)} addresses: {damaged} of {asked} replies are damaged", proof.weight, {})


def _splitting(truth: Cause, observed: Observed) -> list[str]:
    """What the learner heard that tells it from the fault that comes next: weights against a sound bus do not."""
    if observed.symptoms is None or truth is Cause.HEALTHY:
        return []
    known = model.load()
    shares = {one.cause: one.probability for one in conclude(observed).findings}
    faults = [one for one in model.CAUSES if one not in (truth, Cause.HEALTHY, Cause.NONE_OF_THESE)]
    sums = {one: sum(known.weights(observed.symptoms, one).values()) for one in faults}
    rival = max(faults, key=lambda one: (shares.get(one, 0.0), sums[one]))
    if rival not in shares:
        return []
    mine, other = known.weights(observed.symptoms, truth), known.weights(observed.symptoms, rival)
    names = [name for name in mine if name in observed.told and name in shown_signs(observed)]
    apart = {name: (mine[name] - other.get(name, 0.0)) / math.log(10) for name in names}
    best = sorted((name for name in names if apart[name] >= _SPLITS), key=lambda name: -apart[name])[:_MOST_SPLITS]
    lines = [
        f"- {observed.told[name][0]} ({10 ** apart[name]:,.2g} times likelier with it)"
        if apart[name] < _SURELY
        else f"- {observed.told[name][0]} (far likelier with it)"
        for name in best
    ]
    words = cause_words(rival).rstrip(".")
    return [f"What you heard that splits it from {rival.value} ({words}):", *lines] if lines else []
