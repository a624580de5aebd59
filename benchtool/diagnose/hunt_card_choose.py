"""What a hunt at data lines asks next: a look, where that settles more for its time than the best measurement."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from benchtool.diagnose import card_model
from benchtool.diagnose.card_belief import believe
from benchtool.diagnose.card_evidence import CardEvidence
from benchtool.diagnose.card_finding import CardDiagnosis
from benchtool.diagnose.card_model import CAUSES, INDEX, Floats
from benchtool.diagnose.card_readings import CARD_METER
from benchtool.diagnose.card_steps import entropy
from benchtool.diagnose.hunt_choose import LEAST_GAIN
from benchtool.diagnose.hunt_question import Ask, Question
from benchtool.diagnose.sights_card import CARD_SIGHTS, CardSight

_LOOK_MINUTES, _SETUP_MINUTES = 0.5, 1.0
"""Added to the time of looking, which wants no tool, and of a measurement: as at the bus."""
_METER = frozenset(kind.name for kind in CARD_METER)


def best_card_look(
    evidence: CardEvidence, found: CardDiagnosis, done: Collection[str], measured: Question | None
) -> Question | None:
    """A look, or `measured`, the best question for the meter: what settles more bits a minute; of a group of causes,
    if there is one. None where neither is worth its time.
    """
    shares = believe(evidence).probability
    if found.group is not None:
        kept = np.zeros(len(CAUSES))
        rows = [INDEX[cause] for cause in found.group.causes]
        kept[rows] = shares[rows]
        shares = kept / kept.sum()
    looks = [(_gain(sight.table(), shares), sight) for sight in CARD_SIGHTS if sight.name not in done]
    looks = [(gain, sight) for gain, sight in looks if gain >= LEAST_GAIN]
    best = max(looks, key=lambda look: look[0] / (look[1].minutes + _LOOK_MINUTES), default=None)
    if best is None:
        return measured
    gain, sight = best
    if measured is not None:
        bits = measured.gain_bits
        if measured.name in _METER:
            bits = _gain(card_model.load().meter_table(measured.name), shares)
        if bits / (measured.minutes + _SETUP_MINUTES) >= gain / (sight.minutes + _LOOK_MINUTES):
            return measured
    return _asked(sight, gain)


def _asked(sight: CardSight, gain: float) -> Question:
    return Question(
        sight.name,
        Ask.CHOICE,
        sight.ask,
        sight.answers,
        sight.how,
        (),
        sight.caution,
        "",
        round(gain, 3),
        sight.minutes,
    )


def _gain(table: Floats, probability: Floats) -> float:
    """Expected fall of the entropy, in bits; `table`: shape (causes, answers)."""
    joint = probability[:, None] * table
    total = joint.sum(axis=0)
    after = sum(share * entropy(joint[:, place] / share) for place, share in enumerate(total) if share > 1e-9)
    return entropy(probability) - float(after)
