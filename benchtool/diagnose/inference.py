"""From evidence to findings: one hypothesis a cause, a likelihood a piece of evidence, and Bayes' rule.

The pieces: how many frames are damaged, which addresses never answer, whether swapping the wires on paper or another
bit rate makes check values pass, whether damage repeats itself bit for bit. A finding's evidence lines are those pieces
with the weight each had.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchtool.capture.chunk import LineErrors
from benchtool.capture.settings import LineSettings
from benchtool.diagnose import likelihood as like
from benchtool.diagnose.evidence import Evidence
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.likelihood import Share
from benchtool.diagnose.proofs import Inversion, Proofs, RateProof
from benchtool.diagnose.reflections import share_that_shows
from benchtool.frames.frame import Protocol, Reason
from benchtool.measure.tally import AddressFigures

PRIORS: dict[Cause, float] = {
    Cause.HEALTHY: 0.50,
    Cause.DEVICE_SILENT: 0.14,
    Cause.REVERSED_AT_DEVICE: 0.06,
    Cause.REVERSED_AT_TAP: 0.08,
    Cause.BAUD_WRONG: 0.08,
    Cause.NOISE: 0.08,
    Cause.TERMINATOR_MISSING: 0.04,
    Cause.NONE_OF_THESE: 0.02,
}
"""How often each cause is met before anything is measured: a judgement of this project, no published source."""

_REFUTED = -40.0
"""Log-likelihood of octets in a device's slot that no undoing makes a frame of, were its pair swapped."""

LEAST_SPANS = 3
"""With fewer damaged spans of some length, breaks are just breaks."""

LEAST_REQUESTS = 3
"""An address asked less often than this is not called silent."""


class Piece:
    """Names of the pieces of evidence."""

    DAMAGE = "damage"
    UNANSWERED = "unanswered"
    SWAPPED = "swapped"
    SLOTS = "slots"
    RATE = "rate"
    REPEATS = "repeats"
    STRAYS = "strays"
    MARKS = "marks"


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """A cause with the log-likelihood of each piece of evidence under it."""

    cause: Cause
    pieces: dict[str, float]

    @property
    def total(self) -> float:
        """Log-likelihood of everything seen."""
        return sum(self.pieces.values())


@dataclass(frozen=True, slots=True)
class Posterior:
    """Probabilities of the causes, and the weight that each piece had for each."""

    probability: dict[Cause, float]
    weights: dict[Cause, dict[str, float]]
    """log10 of the likelihood under the cause over that on a healthy bus; for `healthy` over all others together."""
    silent: tuple[AddressFigures, ...]
    """Addresses that practically never answer."""
    reversed_share: dict[tuple[Protocol, int], float]
    """For each of those, the probability that its pair is reversed rather than that it is silent for other reasons."""


def never_answers(figures: AddressFigures) -> bool:
    """Whether an address was asked often enough and practically never gave a sound reply."""
    return figures.requests >= LEAST_REQUESTS and figures.answered <= 0.02 * figures.requests


def infer(evidence: Evidence, proofs: Proofs, settings: LineSettings, length_m: float | None) -> Posterior:
    """Weigh all causes. `length_m` is the pair's length if known; it decides whether reflections could show."""
    figures = evidence.figures
    silent = tuple(address for address in figures.addresses if never_answers(address))
    hypotheses = _hypotheses(evidence, proofs, settings, silent, length_m)
    logs = {hypothesis.cause: math.log(PRIORS[hypothesis.cause]) + hypothesis.total for hypothesis in hypotheses}
    top = max(logs.values())
    scale = sum(math.exp(value - top) for value in logs.values())
    probability = {cause: math.exp(value - top) / scale for cause, value in logs.items()}
    return Posterior(
        probability,
        {hypothesis.cause: _weights(hypothesis, hypotheses) for hypothesis in hypotheses},
        silent,
        {(a.protocol, a.address): _reversed_share(a, proofs) for a in silent},
    )


def _weights(mine: Hypothesis, all_of_them: list[Hypothesis]) -> dict[str, float]:
    if mine.cause is not Cause.HEALTHY:
        others = [other for other in all_of_them if other.cause is Cause.HEALTHY]
    else:
        others = [other for other in all_of_them if other.cause is not Cause.HEALTHY]
    if not others:
        return {}
    shares = [PRIORS[other.cause] for other in others]
    weights = {}
    for piece, value in mine.pieces.items():
        top = max(other.pieces[piece] for other in others)
        mean = sum(
            share * math.exp(other.pieces[piece] - top) for share, other in zip(shares, others, strict=True)
        ) / sum(shares)
        weights[piece] = (value - top - math.log(mean)) / math.log(10)
    return weights


def _hypotheses(
    evidence: Evidence,
    proofs: Proofs,
    settings: LineSettings,
    silent: tuple[AddressFigures, ...],
    length_m: float | None,
) -> list[Hypothesis]:
    figures = evidence.figures
    damaged = _counted_damage(evidence)
    frames = figures.sound + damaged
    in_slots = min(damaged, sum(address.damaged for address in silent))
    asked = [(a.silent + a.damaged, a.requests) for a in figures.addresses if a.requests]
    others = [(a.silent + a.damaged, a.requests) for a in figures.addresses if a.requests and a not in silent]
    mute = [(a.silent + a.damaged, a.requests) for a in silent]

    def answers(counts: list[tuple[int, int]], share: Share) -> float:
        return sum(share.log_likelihood(missed, total) for missed, total in counts)

    at_tap = (proofs.at_tap.kinds_passed, proofs.at_tap.kinds)
    swapped_by_chance = like.NEVER_BY_CHANCE.log_likelihood(*at_tap)
    rate_by_chance, rate_if_wrong = _rate(proofs, evidence)
    slots_by_chance = sum(
        like.NEVER_BY_CHANCE.log_likelihood(found.kinds_passed, found.kinds) for found in proofs.at_address.values()
    )
    repeated = (evidence.long_repeats, evidence.long_spans)
    strays = (evidence.strays, evidence.strays + frames)

    # Octets alone in silences: where they can come at all, they may just as well not.
    some_strays = like.mix(like.ANY.log_likelihood(*strays), like.RARE_STRAYS.log_likelihood(*strays), 0.5)

    def marks(share: Share) -> float:
        return share.log_likelihood(*marked_octets(evidence))

    some_marks = _marks_with_damage(evidence, damaged, frames)

    def make(cause: Cause, **pieces: float) -> Hypothesis:
        base = {
            Piece.DAMAGE: like.RARE.log_likelihood(damaged, frames),
            Piece.UNANSWERED: answers(asked, like.RARE_UNANSWERED),
            Piece.SWAPPED: swapped_by_chance,
            Piece.SLOTS: slots_by_chance,
            Piece.RATE: rate_by_chance,
            Piece.REPEATS: like.ANY.log_likelihood(*repeated),
            Piece.STRAYS: like.RARE_STRAYS.log_likelihood(*strays),
            Piece.MARKS: marks(like.RARE),
        }
        return Hypothesis(cause, {**base, **pieces})

    hypotheses = [
        make(Cause.HEALTHY),
        make(
            Cause.NONE_OF_THESE,
            # Half of it for octets of a protocol that nobody here knows: then nothing is sound.
            damage=like.mix(
                like.ANY.log_likelihood(damaged, frames),
                like.NEARLY_EVERY.log_likelihood(damaged, frames),
                0.5,
            )
            if not figures.sound
            else like.mix(like.ANY.log_likelihood(damaged, frames), like.RARE.log_likelihood(damaged, frames), 0.5),
            unanswered=answers(asked, like.ANY),
            # Octets in silences are the mark of noise: something unknown seldom brings them.
            strays=like.mix(like.ANY.log_likelihood(*strays), like.RARE_STRAYS.log_likelihood(*strays), 0.03),
            marks=like.mix(marks(like.ANY), marks(like.RARE), 0.5),
        ),
    ]
    if frames + evidence.strays == 0:
        # Nothing was heard: that is no sound bus.
        return [hypothesis for hypothesis in hypotheses if hypothesis.cause is Cause.NONE_OF_THESE]
    noise_damage, noise_unanswered = like.noise(damaged, frames, asked)
    hypotheses += [
        make(
            Cause.NOISE,
            damage=noise_damage,
            unanswered=noise_unanswered,
            repeats=like.RARE_REPEATS.log_likelihood(*repeated),
            strays=some_strays,
            marks=some_marks,
        ),
        *([_terminator(make, damaged, frames, asked, evidence, settings, length_m)] if figures.sound else []),
        make(
            Cause.REVERSED_AT_TAP,
            damage=like.NEARLY_EVERY.log_likelihood(damaged, frames),
            unanswered=answers(asked, like.ANY),
            strays=some_strays,
            marks=some_marks,
            # Reversed is proved or not said: without a single check value that passes it is unlikely.
            swapped=like.UNDONE.log_likelihood(*at_tap) if at_tap[0] else math.log(0.02),
        ),
        make(
            Cause.BAUD_WRONG,
            damage=like.NEARLY_EVERY.log_likelihood(damaged, frames),
            unanswered=answers(asked, like.ANY),
            strays=some_strays,
            # Up to about ten times too fast, then every octet is a break.
            marks=like.mix(marks(like.MANY_MARKS), marks(like.ALMOST_ALL), 0.8)
            if evidence.long_spans >= LEAST_SPANS
            else marks(like.MANY_MARKS),
            rate=rate_if_wrong,
        ),
    ]
    if silent:
        at_device = {
            "damage": like.RARE.log_likelihood(damaged - in_slots, frames - in_slots),
            "unanswered": answers(mute, like.ALMOST_ALL) + answers(others, like.RARE_UNANSWERED),
        }
        slots = sum(_slot_log(a, proofs, reversed_pair=False) for a in silent)
        turned = sum(_slot_log(a, proofs, reversed_pair=True) for a in silent)
        rest = _chance_outside(proofs, silent)
        hypotheses += [
            make(Cause.DEVICE_SILENT, **at_device, slots=slots + rest),
            make(Cause.REVERSED_AT_DEVICE, **at_device, slots=turned + rest),
        ]
        # The other causes must explain the same octets in the slots.
        extra = sum(math.log(0.5) * min(a.damaged, 1) for a in silent)
        hypotheses = [
            h
            if h.cause in (Cause.DEVICE_SILENT, Cause.REVERSED_AT_DEVICE)
            else Hypothesis(h.cause, {**h.pieces, Piece.SLOTS: h.pieces[Piece.SLOTS] + extra})
            for h in hypotheses
        ]
    return hypotheses


def marked_octets(evidence: Evidence) -> tuple[int, int]:
    """Octets with a framing error, and all octets, of sound frames too; nothing where marks cannot be seen."""
    figures = evidence.figures
    if figures.line_errors is not LineErrors.MARKED:
        return 0, 0
    return figures.marks["framing"], figures.octets


def _marks_with_damage(evidence: Evidence, damaged: int, frames: int) -> float:
    """Framing errors where something damages frames: some or hardly any, but not more than the damage explains.

    An octet whose stop bit is damaged hardly ever leaves its frame sound.
    """
    marked, total = marked_octets(evidence)
    rare = like.RARE.log_likelihood(marked, total)
    if not total or (marked / total > 0.02 + damaged / max(1, frames) and not evidence.strays):
        return rare
    return like.mix(like.SOME_MARKS.log_likelihood(marked, total), rare, 0.5)


def _counted_damage(evidence: Evidence) -> int:
    """Damaged spans but strays, less the one that the beginning of the capture may have cut."""
    figures = evidence.figures
    damaged = figures.damaged - evidence.strays
    cut = 1 if figures.frames_bad.get(Reason.TRUNCATED, 0) + figures.frames_bad.get(Reason.NOT_RECOGNISED, 0) else 0
    return max(0, damaged - (cut if figures.sound > 5 else 0))


def _terminator(
    make: object,
    damaged: int,
    frames: int,
    asked: list[tuple[int, int]],
    evidence: Evidence,
    settings: LineSettings,
    length_m: float | None,
) -> Hypothesis:
    shows = share_that_shows(settings.baud, length_m)
    repeated = (evidence.long_repeats, evidence.long_spans)
    hidden = like.RARE.log_likelihood(damaged, frames)
    shown = like.SOMETIMES.log_likelihood(damaged, frames)
    hidden_answers = sum(like.RARE_UNANSWERED.log_likelihood(*count) for count in asked)
    # Reflections spoil what some devices hear or say, and leave others alone.
    shown_answers = sum(
        like.mix(like.ANY.log_likelihood(*count), like.RARE_UNANSWERED.log_likelihood(*count), 0.5) for count in asked
    )
    assert callable(make)
    hypothesis: Hypothesis = make(
        Cause.TERMINATOR_MISSING,
        damage=like.mix(shown, hidden, shows),
        unanswered=like.mix(shown_answers, hidden_answers, 0.5 if damaged > 0.01 * frames else shows),
        repeats=like.MOSTLY_REPEATS.log_likelihood(*repeated),
        marks=_marks_with_damage(evidence, damaged, frames),
    )
    return hypothesis


def _rate(proofs: Proofs, evidence: Evidence) -> tuple[float, float]:
    """Log-likelihoods of the re-reading at another rate: by chance, and if the rate is wrong."""
    rate = proofs.rate
    if rate is None:
        return 0.0, math.log(0.02) if proofs.at_tap.tried else 0.0
    chance = like.NEVER_BY_CHANCE.log_likelihood(rate.kinds_strong, rate.kinds)
    # Only OSDP polls and the like can be named at another rate: on other buses nothing can.
    wrong = like.mix(like.ANY.log_likelihood(rate.kinds_strong, rate.kinds), chance, 0.5)
    values = rate.values
    if values is None or values.share < 0.95:
        return chance, wrong + math.log(_unproved_rate(evidence, rate))
    by_chance = Share(1.5, 2).log_likelihood(values.inside, values.total)
    by_rate = Share(80, 0.3).log_likelihood(values.inside, values.total)
    if values.set_size == 1 or len(set(evidence.damaged_octets)) < 3:
        # Breaks alone look alike; single ones, far apart, say nothing of a rate.
        by_rate = min(by_rate, by_chance + math.log(40 if evidence.long_spans >= LEAST_SPANS else 0.5))
    return chance + by_chance, wrong + by_rate


def _unproved_rate(evidence: Evidence, rate: RateProof) -> float:
    """Share of wrong rates that leave so little proof: no closed set, and perhaps no frame that could be named."""
    if rate.kinds_strong:
        return 0.4
    marked, total = marked_octets(evidence)
    # Framing errors at least say that the line is not read as it was sent; without them it may be another protocol.
    return 0.3 if 10 * marked > total else 0.02


def _slot_log(address: AddressFigures, proofs: Proofs, *, reversed_pair: bool) -> float:
    found = proofs.at_address.get((address.protocol, address.address), Inversion())
    quiet = Share(0.3, 100).log_likelihood(address.damaged, address.requests)
    if not reversed_pair:
        return quiet + like.NEVER_BY_CHANCE.log_likelihood(found.kinds_passed, found.kinds)
    # A device whose pair is reversed hears nothing sensible either: it mostly stays silent, but some talk unasked.
    heard = Share(5, 1).log_likelihood(address.damaged, address.requests)
    return like.mix(
        quiet + like.NEVER_BY_CHANCE.log_likelihood(found.kinds_passed, found.kinds),
        # Proved or not said: a swapped pair whose octets no undoing turns into a frame is none.
        heard + (like.UNDONE.log_likelihood(found.kinds_passed, found.kinds) if found.kinds_passed else _REFUTED),
        0.6,
    )


def _chance_outside(proofs: Proofs, silent: tuple[AddressFigures, ...]) -> float:
    inside = {(a.protocol, a.address) for a in silent}
    return sum(
        like.NEVER_BY_CHANCE.log_likelihood(found.kinds_passed, found.kinds)
        for key, found in proofs.at_address.items()
        if key not in inside
    )


def _reversed_share(address: AddressFigures, proofs: Proofs) -> float:
    silent = math.log(PRIORS[Cause.DEVICE_SILENT]) + _slot_log(address, proofs, reversed_pair=False)
    turned = math.log(PRIORS[Cause.REVERSED_AT_DEVICE]) + _slot_log(address, proofs, reversed_pair=True)
    top = max(silent, turned)
    return math.exp(turned - top) / (math.exp(silent - top) + math.exp(turned - top))
