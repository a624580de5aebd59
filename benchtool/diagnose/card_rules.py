"""How likely reads repeat, and agree with a printed number, under each cause: judgements, no worked lines.

Wiring and settings make the same mistake with every card; damage changes from read to read (reference sheet 6.7).
"""

from __future__ import annotations

import numpy as np

from benchtool.diagnose.card_finding import CardCause
from benchtool.diagnose.card_kinds import LENGTH_RIGHT, Kind, Printed
from benchtool.diagnose.card_model import CAUSES, Floats

_SAME_EVERY_TIME = frozenset(
    {
        CardCause.LINES_SWAPPED,
        CardCause.BITS_REVERSED,
        CardCause.D0_OPEN,
        CardCause.D1_OPEN,
        CardCause.D0_STUCK_LOW,
        CardCause.D1_STUCK_LOW,
        CardCause.PARITY_ONE_WRONG,
        CardCause.PARITY_SENSE_WRONG,
        CardCause.LAYOUT_OTHER,
        CardCause.LENGTH_OTHER,
        CardCause.CLOCK_AND_DATA,
        CardCause.SERIAL_OUTPUT,
        CardCause.POLARITY_INVERTED,
    }
)
"""What changes every frame alike: the same card reads wrong in the same way each time."""


def repeat_chances() -> Floats:
    """Probability that wrong reads of one card are the same, shape (causes,): rules, with a share for accidents."""
    chances = [0.95 if cause in _SAME_EVERY_TIME else 0.5 if cause is CAUSES[-1] else 0.12 for cause in CAUSES]
    return np.array(chances)


_AGREES: dict[CardCause, dict[Printed, float]] = {
    CardCause.LINES_SWAPPED: {Printed.INVERTED: 0.9},
    CardCause.BITS_REVERSED: {Printed.REVERSED: 0.9},
    CardCause.D0_OPEN: {Printed.ONES: 0.88},
    CardCause.D0_STUCK_LOW: {Printed.ONES: 0.88},
    CardCause.D1_OPEN: {Printed.ZEROS: 0.88},
    CardCause.D1_STUCK_LOW: {Printed.ZEROS: 0.88},
    CardCause.PARITY_ONE_WRONG: {Printed.AS_GIVEN: 0.9},
    CardCause.PARITY_SENSE_WRONG: {Printed.AS_GIVEN: 0.9},
    CardCause.LAYOUT_OTHER: {Printed.AS_GIVEN: 0.15},
    CardCause.NONE_OF_THESE: {Printed.AS_GIVEN: 0.2, Printed.INVERTED: 0.05, Printed.REVERSED: 0.05},
}
_SOUND_AGREES = 0.9
"""A number can be printed in a way that is not tried."""
_DAMAGED_AGREES = 0.08
"""Damage in a parity bit alone."""
_ACCIDENT = 0.004


def printed_chances(kind: Kind, *, built: bool = False) -> Floats:
    """Probability of each agreement with a printed number for a read of this kind, shape (causes, agreements).

    `built`: the frame was made from a number, so that no kind is known of it.
    """
    table = np.full((len(CAUSES), len(Printed)), _ACCIDENT)
    for place, cause in enumerate(CAUSES):
        if built:
            chances = _AGREES.get(cause, {Printed.AS_GIVEN: _SOUND_AGREES})
        elif kind is Kind.SOUND and cause is not CardCause.LAYOUT_OTHER:
            chances = {Printed.AS_GIVEN: _SOUND_AGREES}
        else:
            chances = _AGREES.get(cause, {Printed.AS_GIVEN: _DAMAGED_AGREES if kind in LENGTH_RIGHT else _ACCIDENT})
        for column, agreement in enumerate(Printed):
            table[place, column] += chances.get(agreement, 0.0)
        table[place, -1] = max(_ACCIDENT, 1.0 - table[place, :-1].sum())
    return np.asarray(table / table.sum(axis=1, keepdims=True))
