"""Bayes' rule over the causes of wrong card reads: pieces of evidence in words, each with its weight for each cause."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from benchtool.diagnose import card_model, card_rules
from benchtool.diagnose.card_evidence import CardEvidence
from benchtool.diagnose.card_finding import CardCause
from benchtool.diagnose.card_kinds import (
    LENGTH_RIGHT,
    Kind,
    Printed,
    alike_in_length,
    expected_formats,
    judged_reads,
    kinds,
    printed_agrees,
)
from benchtool.diagnose.card_model import CAUSES, INDEX, Floats
from benchtool.diagnose.card_readings import CardMeterReading
from benchtool.diagnose.card_shape import FIGURES, figures
from benchtool.diagnose.sights_card import card_sight_of, seen_text

APART = math.log(2.5)
SUREST = 0.6
"""As for the bus (`weigh.py`): causes nearer than `APART` are a group, in which none gets more than `SUREST`."""
_LEAST = 0.01
"""Less probable causes are not named in a group."""
_INVERTING = 0.45
"""How likely levels that were turned over are with a reader that rests high, beside one that rests low: somebody used
an inverting input, which is less common (judgement)."""
_TURNED_VOLTS = 0.002
"""The same for volts, which no scope inverts unless it is set to."""
_BESIDES = 0.3
"""None of these: share of it in which one cause of the list makes the reads, and something else the readings."""

Numbers = dict[str, float | int | str]


class Piece(NamedTuple):
    """One piece of evidence."""

    text: str
    numbers: Numbers
    logs: Floats
    """Log-likelihood under each cause, shape (causes,)."""
    by_hand: bool = False
    """A meter reading, which is shown whatever it weighs."""
    misfits: tuple[CardCause, ...] = ()
    """Under which it can be hardly anything but a slip."""


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
    lines = _through(evidence, [*_of_reads(evidence), *_of_shape(evidence)])
    pieces = (*lines, *_of_meter(evidence), *_of_eyes(evidence), *_besides(evidence, lines))
    logs = np.sum([piece.logs for piece in pieces], axis=0) if pieces else np.zeros(len(CAUSES))
    prior = card_model.log_prior(length_told=bool(evidence.expected) or alike_in_length(evidence)[1] > 0)
    return Belief(pieces, logs, normalised(logs + prior))


def _through(evidence: CardEvidence, lines: list[Piece]) -> list[Piece]:
    """What the lines show, where a record was not made as a controller sees them: turned over, or cut at half swing."""
    if not lines:
        return lines
    whole = np.sum([piece.logs for piece in lines], axis=0)
    sound = INDEX[CardCause.HEALTHY]
    alike = [CardCause.POLARITY_INVERTED] if evidence.turned else []
    if evidence.volts_seen and whole[sound] > whole[INDEX[CardCause.GROUND_SHIFT]]:
        # A low that is too high for an input is low all the same beside half of the swing.
        alike.append(CardCause.GROUND_SHIFT)
    found = []
    for piece in lines:
        logs = piece.logs.copy()
        logs[[INDEX[cause] for cause in alike]] = logs[sound]
        found.append(piece._replace(logs=logs))
    if evidence.turned:
        logs = np.full(len(CAUSES), math.log(_TURNED_VOLTS if evidence.volts_seen else _INVERTING))
        logs[INDEX[CardCause.POLARITY_INVERTED]] = 0.0
        how = "in volts" if evidence.volts_seen else "in the record: the lines do, or an inverting input made it"
        found.append(Piece(f"both lines rest low and pulse high {how}", {"turned": 1}, logs))
    return found


def _of_eyes(evidence: CardEvidence) -> list[Piece]:
    """What was seen and heard at the reader."""
    return [
        Piece(seen_text(name, word), {name: word}, card_sight_of(name).log_likelihood(word), by_hand=True)
        for name, word in dict(evidence.seen).items()
    ]


def _besides(evidence: CardEvidence, lines: list[Piece]) -> list[Piece]:
    """Reads that one cause explains, beside readings that it does not: that too is none of these."""
    if not lines or not _readings(evidence):
        return []
    whole = np.sum([piece.logs for piece in lines], axis=0)
    prior = np.log([card_model.PRIOR[cause] for cause in CAUSES[:-1]])
    one_of_list = math.log(_BESIDES) + float(np.logaddexp.reduce(whole[:-1] + prior))
    logs = np.zeros(len(CAUSES))
    logs[-1] = max(0.0, one_of_list - float(whole[-1]))
    return [Piece("reads that fit one cause, beside readings that fit another", {}, logs)]


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
    # Of a frame that was made from a number nobody received the parity.
    frames = {read.bits: kind for read, kind in zip(evidence.reads, seen, strict=False) if not read.built}
    different = [*frames.values(), *seen[len(evidence.reads) :]]
    most, wrong, length = alike_in_length(evidence)
    lengths, parity = card_model.load().log_kinds(seen, different, expected, (most, wrong))
    wanted = "/".join(str(length) for length in sorted({row.length for row in expected}))
    wanted += " bits wanted" if evidence.expected else " bits of the format that fits best"
    came = [read.bits.length for read in evidence.reads]
    said = f"; {most} of the {wrong} of another length have {length} bits" if wrong > 1 else ""
    found = [Piece(_lengths_text(came, seen, wanted) + said, _lengths_numbers(came, seen), lengths)]
    if any(kind in LENGTH_RIGHT for kind in different):
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
    same = card_rules.repeat_chances()
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
        chances = card_rules.printed_chances(seen[place], built=evidence.reads[place].built)
        logs += np.log(chances[:, list(Printed).index(agreement)])
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
            found.append(Piece(figure.words(value), {figure.name: round(value, 4)}, model.log_figure(figure, value)))
    return found


def last_readings(evidence: CardEvidence) -> tuple[CardMeterReading, ...]:
    """Of two readings of one kind the last."""
    return tuple({reading.kind: reading for reading in evidence.readings}.values())


def _readings(evidence: CardEvidence) -> tuple[CardMeterReading, ...]:
    """By hand, and from a scope's record what was not measured by hand too."""
    by_hand = last_readings(evidence)
    kinds_done = {reading.kind for reading in by_hand}
    return (*by_hand, *(reading for reading in evidence.scope if reading.kind not in kinds_done))


def _of_meter(evidence: CardEvidence) -> list[Piece]:
    """Each reading by itself, and what all of them say together beyond that, as one line must explain all."""
    readings = _readings(evidence)
    model = card_model.load()
    found = []
    for reading in readings:
        by = "in the record" if reading in evidence.scope else "measured"
        misfits = tuple(cause for cause, misfit in zip(CAUSES, model.misfits(reading), strict=True) if misfit)
        logs = model.log_meter((reading,))
        found.append(Piece(f"{by}: {reading.text()}", {reading.kind: reading.value}, logs, True, misfits))
    if len(readings) > 1:
        beyond = model.log_meter(readings) - np.sum([piece.logs for piece in found], axis=0)
        found.append(Piece("how the readings fit together on one line", {}, np.asarray(beyond)))
    return found
