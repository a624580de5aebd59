"""What all readings of a learner say together: one bus, or one line, must explain them all.

One by one they count the same thing several times (a short shows in every voltage and in every resistance), so that
their weights do not add up. What they are more than all together is no evidence against a fault: it was counted twice.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

from benchtool.diagnose import card_model, draws, model, weigh
from benchtool.diagnose.card_belief import believe
from benchtool.diagnose.card_evidence import CardEvidence
from benchtool.diagnose.card_finding import CardCause
from benchtool.diagnose.card_readings import card_kind
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.readings import ByHand, kind_of
from benchtool.diagnose.state import state_of
from benchtool.reports.practice_words import reading_words

FIT = "how the readings fit together"
"""How the piece of evidence begins that takes back what the readings, one by one, count twice."""
MEASURED = "measured: "


class Together(NamedTuple):
    """All readings at once."""

    readings: int
    weight: float
    """log10 of how many times likelier they are with the fault than on a sound bus; for a sound bus, than with the
    likeliest fault."""
    clash: str
    """The reading without which that is greatest, as the meter shows it."""


def of_bus(truth: Cause, observed: Observed) -> Together | None:
    """Of a bus; None for fewer than two readings."""
    state = state_of(observed)
    readings = weigh.that_counts(observed.by_hand, observed.symptoms).readings
    faults = state.belief.probability[1 : 1 + len(model.CAUSES)]
    mine, other = (0, 1 + int(faults.argmax())) if truth is Cause.HEALTHY else (1 + model.INDEX[truth], 0)

    def weight(places: Sequence[int]) -> float:
        hand = ByHand(tuple(readings[place] for place in places))
        logs = draws.load().log_likelihood(hand, observed.length_m, state.heard_at)
        return float(logs[mine] - logs[other])

    return _together([reading_words(one.name, one.value, kind_of(one.kind).unit) for one in readings], weight)


def of_lines(truth: CardCause, evidence: CardEvidence) -> Together | None:
    """Of data lines; None for fewer than two readings."""
    readings, other = evidence.readings, CardCause.HEALTHY
    if truth is CardCause.HEALTHY:
        other = max((one for one in CardCause if one is not truth), key=believe(evidence).of)

    def weight(places: Sequence[int]) -> float:
        logs = card_model.load().log_meter([readings[place] for place in places])
        return float(logs[card_model.INDEX[truth]] - logs[card_model.INDEX[other]])

    return _together([reading_words(one.kind, one.value, card_kind(one.kind).unit) for one in readings], weight)


def _together(texts: Sequence[str], weight: Callable[[Sequence[int]], float]) -> Together | None:
    every = range(len(texts))
    if len(texts) < 2:
        return None
    clash = max(every, key=lambda left: weight([place for place in every if place != left]))
    return Together(len(texts), weight(every) / math.log(10), texts[clash])
