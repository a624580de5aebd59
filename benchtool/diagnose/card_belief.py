"""Bayes' rule over the causes of wrong card reads: pieces of evidence in words, each with its weight for each cause."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from benchtool.diagnose import card_model
from benchtool.diagnose.card_evidence import CardEvidence
from benchtool.diagnose.card_finding import CardCause
from benchtool.diagnose.card_kinds import (
    LENGTH_RIGHT,
    Kind,
    Printed,
    expected_formats,
    judged_reads,
    kinds,
    printed_agrees,
)
from benchtool.diagnose.card_model import CAUSES, INDEX, Floats
from benchtool.diagnose.card_readings import CardMeterReading
from benchtool.diagnose.card_shape import FIGURES, figures

APART = math.log(2.5)
SUREST = 0.6
"""As for the bus (`weigh.py`): causes nearer than `APART` are a group, in which none gets more than `SUREST`."""
_LEAST = 0.01
"""Less probable causes are not named in a group."""

Numbers = dict[str, float | int | str]


class Piece(NamedTuple):
    """One piece of evidence."""

    text: str
    numbers: Numbers
    logs: Floats
    """Log-likelihood under each cause, shape (causes,)."""
    by_hand: bool = False
    """A meter reading, which is shown whatever it weighs."""


class Belief(NamedTuple):
    """Everything weighed."""

    pieces: tuple[Piece, ...]
    logs: Floats
    """Log-likelihood of all pieces together."""
    probability: Floats

    def of(self, cause: CardCause) -> float:
        """Probability of a cause."""
        return float(self.probability[INDEX[cause]])

    def group(self, leader: CardCause) -> tuple[CardCause, ...]:
        """Causes as likely in the evidence as the leader, most probable first, without it."""
        mine = self.logs[INDEX[leader]]
        alike = [
            cause
            for place, cause in enumerate(CAUSES)
            if cause is not leader and abs(self.logs[place] - mine) < APART and self.probability[place] >= _LEAST
        ]
        return tuple(sorted(alike, key=lambda cause: -self.of(cause)))


def believe(evidence: CardEvidence) -> Belief:
    """Weigh everything given."""
    pieces = (*_of_reads(evidence), *_of_shape(evidence), *_of_meter(evidence))
    logs = np.sum([piece.logs for piece in pieces], axis=0) if pieces else np.zeros(len(CAUSES))
    prior = card_model.log_prior(length_told=bool(evidence.expected))
    return Belief(pieces, logs, normalised(logs + prior))


def normalised(logs: Floats) -> Floats:
    """Probabilities from logarithms of weights."""
    shares = np.exp(logs - logs.max())
    return np.asarray(shares / shares.sum())


def _of_reads(evidence: CardEvidence) -> list[Piece]:
    seen = kinds(evidence)
    if not seen:
        return []
    evidence = without_keys(evidence)
    expected = expected_formats(evidence)
    frames = {read.bits: kind for read, kind in zip(evidence.reads, seen, strict=False)}
    different = [*frames.values(), *seen[len(evidence.reads) :]]
    lengths, parity = card_model.load().log_kinds(seen, different, expected)
    wanted = "/".join(str(length) for length in sorted({row.length for row in expected}))
    wanted += " bits wanted" if evidence.expected else " bits of the format that fits best"
    came = [read.bits.length for read in evidence.reads]
    found = [Piece(_lengths_text(came, seen, wanted), _lengths_numbers(came, seen), lengths)]
    if any(kind in LENGTH_RIGHT for kind in seen):
        counts = {kind: different.count(kind) for kind in LENGTH_RIGHT if kind in different}
        text = "of frames that differ " + "; ".join(f"{count}: {kind.value}" for kind, count in counts.items())
        found.append(Piece(text, {kind.name.lower(): count for kind, count in counts.items()}, parity))
    else:
        # What lengths say of parity where none is right: nothing beyond the lengths themselves.
        found[0] = found[0]._replace(logs=lengths + parity)
    found += _of_repeats(evidence, seen)
    return found + _of_printed(evidence, seen)


def without_keys(evidence: CardEvidence) -> CardEvidence:
    """The evidence with judged reads alone, their printed numbers with them."""
    kept = judged_reads(evidence)
    if len(kept) == len(evidence.reads):
        return evidence
    printed = evidence.printed
    if len(printed) > 1:
        places = [place for place, read in enumerate(evidence.reads) if any(read is one for one in kept)]
        printed = tuple(printed[place] for place in places if place < len(printed))
    return replace(evidence, reads=kept, printed=printed)


def _lengths_text(came: list[int], seen: list[Kind], wanted: str) -> str:
    if not came:
        return f"a card was presented {len(seen)} times, and no read came"
    parts = []
    for kind in dict.fromkeys(seen):
        count = seen.count(kind)
        if kind in LENGTH_RIGHT:
            continue
        parts.append(f"{count} of {len(seen)}: {kind.value}")
    right = sum(kind in LENGTH_RIGHT for kind in seen)
    rest = f"; {'; '.join(parts)}" if parts else ""
    return f"{right} of {len(seen)} reads have the {wanted}{rest}"


def _lengths_numbers(came: list[int], seen: list[Kind]) -> Numbers:
    found: Numbers = {"reads": len(came), "right_length": sum(kind in LENGTH_RIGHT for kind in seen)}
    return found | {kind.name.lower(): seen.count(kind) for kind in dict.fromkeys(seen) if kind not in LENGTH_RIGHT}


def _of_repeats(evidence: CardEvidence, seen: list[Kind]) -> list[Piece]:
    """Whether wrong reads repeat bit by bit: wiring and settings do, damage does not."""
    wrong = [read.bits for read, kind in zip(evidence.reads, seen, strict=False) if kind not in (Kind.SOUND, Kind.KEY)]
    if len(wrong) < 2:
        return []
    again = len(wrong) - len(set(wrong))
    same = card_model.repeat_chances()
    if again * 2 >= len(wrong) - 1:
        text = f"{again + 1} of {len(wrong)} wrong reads are the same bit by bit"
        return [Piece(text, {"wrong": len(wrong), "same": again + 1}, np.log(same))]
    if evidence.same_card:
        text = f"{len(wrong)} wrong reads of one card differ: damage, not a rule"
        return [Piece(text, {"wrong": len(wrong), "different": len(set(wrong))}, np.log(1 - same))]
    return []


def _of_printed(evidence: CardEvidence, seen: list[Kind]) -> list[Piece]:
    """The agreement with printed numbers: of the wrong reads first, each different frame once."""
    if not evidence.printed:
        return []
    expected = expected_formats(evidence)
    places = {
        read.bits: place
        for place, read in enumerate(evidence.reads)
        if evidence.printed_of(place) is not None and read.bits.length
    }
    chosen = sorted(places.values(), key=lambda place: (seen[place] is Kind.SOUND, place))[:3]
    logs, told, numbers = np.zeros(len(CAUSES)), [], {}
    for place in chosen:
        entry = evidence.printed_of(place)
        if entry is None:
            continue
        agreement = printed_agrees(evidence.reads[place].bits, entry, expected)
        logs += np.log(card_model.printed_chances(seen[place])[:, list(Printed).index(agreement)])
        if agreement.value not in told:
            told.append(agreement.value)
        numbers[f"read {place + 1}"] = agreement.name.lower()
    return [Piece("; ".join(told), dict(numbers), logs)] if told else []


def _of_shape(evidence: CardEvidence) -> list[Piece]:
    values = figures(evidence)
    model = card_model.load()
    found = []
    for figure in FIGURES:
        if figure.name in values:
            value = values[figure.name]
            text = figure.text.format(value=value)
            found.append(Piece(text, {figure.name: round(value, 4)}, model.log_figure(figure, value)))
    return found


def last_readings(evidence: CardEvidence) -> tuple[CardMeterReading, ...]:
    """Of two readings of one kind the last."""
    return tuple({reading.kind: reading for reading in evidence.readings}.values())


def _of_meter(evidence: CardEvidence) -> list[Piece]:
    """Each reading by itself, and what all of them say together beyond that, as one line must explain all."""
    readings = last_readings(evidence)
    model = card_model.load()
    found = [
        Piece(f"measured: {reading.text()}", {reading.kind: reading.value}, model.log_meter((reading,)), by_hand=True)
        for reading in readings
    ]
    if len(readings) > 1:
        beyond = model.log_meter(readings) - np.sum([piece.logs for piece in found], axis=0)
        found.append(Piece("how the readings fit together on one line", {}, np.asarray(beyond)))
    return found
