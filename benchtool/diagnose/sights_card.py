"""What eyes and ears tell at a reader with data lines: its light, its beep, what happens when a card is held to it.

Weighed like a reading, but coarser. All likelihoods are judgements of this project from common practice, no published
source; docs/hunt.md prints the table.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from benchtool.diagnose.card_finding import CardCause
from benchtool.diagnose.card_model import CAUSES, Floats
from benchtool.diagnose.readings import DOORS

_LEAST = 0.005
"""No answer is impossible: people look at the wrong reader."""


@dataclass(frozen=True, slots=True)
class CardSight:
    """A question to the eyes and ears of whoever stands at the reader."""

    name: str
    ask: str
    how: str
    answers: tuple[tuple[str, str], ...]
    """The word that is kept, and what it says."""
    usual: tuple[float, ...]
    """How often each answer comes where no cause has a row of its own; shape (answers,), 1 in all."""
    rows: Mapping[CardCause, tuple[float, ...]]
    minutes: float
    caution: str = ""

    def words(self) -> tuple[str, ...]:
        """The answers as they are kept."""
        return tuple(word for word, _ in self.answers)

    def says(self, word: str) -> str:
        """What an answer says, for people."""
        return dict(self.answers)[word]

    def table(self) -> Floats:
        """How probable each answer is under each cause; shape (causes, answers)."""
        rows = np.array([self.rows.get(cause, self.usual) for cause in CAUSES])
        rows = np.maximum(rows, _LEAST)
        return np.asarray(rows / rows.sum(axis=1, keepdims=True))

    def log_likelihood(self, word: str) -> Floats:
        """Of an answer under each cause, shape (causes,)."""
        return np.asarray(np.log(self.table()[:, self.words().index(word)]))


_NOTHING_ARRIVES = (
    CardCause.D0_OPEN,
    CardCause.D1_OPEN,
    CardCause.D0_STUCK_LOW,
    CardCause.D1_STUCK_LOW,
    CardCause.GROUND_MISSING,
    CardCause.CLOCK_AND_DATA,
    CardCause.SERIAL_OUTPUT,
    CardCause.POLARITY_INVERTED,
    CardCause.READER_SILENT,
)
_COMES_AND_GOES = (
    CardCause.GROUND_SHIFT,
    CardCause.BITS_LOST,
    CardCause.BITS_DOUBLED,
    CardCause.PULSES_SHORT,
    CardCause.PULL_UP_WEAK,
    CardCause.NOISE,
    CardCause.TWO_READERS,
    CardCause.BROWN_OUT,
)
_ANOTHER_READER = (
    CardCause.BITS_REVERSED,
    CardCause.PARITY_ONE_WRONG,
    CardCause.PARITY_SENSE_WRONG,
    CardCause.LAYOUT_OTHER,
    CardCause.LENGTH_OTHER,
    CardCause.KEYPAD_BURSTS,
    CardCause.CLOCK_AND_DATA,
    CardCause.SERIAL_OUTPUT,
    CardCause.POLARITY_INVERTED,
    CardCause.PULSES_SHORT,
)

CARD_SIGHTS: tuple[CardSight, ...] = (
    CardSight(
        "reader-light",
        "What does the reader's light do while no card is near?",
        "Look for half a minute. Many readers show a steady light when they are ready, and flash while they start, or "
        "wait for a controller.",
        (
            ("steady", "it is on, and steady"),
            ("flashing", "it flashes, flickers, or starts anew again and again"),
            ("dark", "it is dark"),
        ),
        (0.86, 0.11, 0.03),
        {
            CardCause.READER_SILENT: (0.4, 0.15, 0.45),
            CardCause.BROWN_OUT: (0.45, 0.45, 0.1),
            CardCause.GROUND_MISSING: (0.65, 0.15, 0.2),
            CardCause.SERIAL_OUTPUT: (0.6, 0.37, 0.03),
        },
        0.5,
    ),
    CardSight(
        "card-held",
        "Hold a card to the reader: what does the reader do by itself?",
        "Most readers with power beep or blink at once when they read a card, whatever their data lines do. Try a card "
        "that works elsewhere.",
        (
            ("beeps", "it beeps, or its light blinks: it reads the card"),
            ("nothing", "nothing at all"),
            ("restarts", "it goes dark, or starts anew"),
        ),
        (0.91, 0.08, 0.01),
        {
            CardCause.READER_SILENT: (0.3, 0.65, 0.05),
            CardCause.BROWN_OUT: (0.5, 0.1, 0.4),
            CardCause.GROUND_MISSING: (0.78, 0.2, 0.02),
        },
        0.5,
        DOORS,
    ),
    CardSight(
        "led-answer",
        "Hold a card to the reader, and wait two seconds: does the controller answer at the reader's light?",
        "The reader's own beep comes at once; the controller's answer after it: another colour, a second beep, the "
        "lock. Where the wires for light and beep are not connected, it cannot be told: Enter.",
        (
            ("granted", "as for a card that may enter: green, or the door opens"),
            ("refused", "as for a strange card: red, or more beeps"),
            ("none", "no answer: nothing but the reader's own beep"),
        ),
        (0.05, 0.4, 0.55),
        {
            CardCause.HEALTHY: (0.5, 0.4, 0.1),
            CardCause.LAYOUT_OTHER: (0.05, 0.75, 0.2),
            **dict.fromkeys(_NOTHING_ARRIVES, (0.02, 0.08, 0.9)),
            **dict.fromkeys(_COMES_AND_GOES, (0.25, 0.35, 0.4)),
        },
        0.5,
        DOORS,
    ),
    CardSight(
        "which-cards",
        "Which cards fail?",
        "Ask the users, and try two or three cards of different kinds, each a few times.",
        (
            ("all", "every card, each time"),
            ("kind", "cards of one kind or batch; others work"),
            ("chance", "any card, now and then"),
        ),
        (0.85, 0.05, 0.1),
        {
            CardCause.HEALTHY: (0.35, 0.3, 0.35),
            CardCause.LAYOUT_OTHER: (0.5, 0.46, 0.04),
            CardCause.LENGTH_OTHER: (0.5, 0.46, 0.04),
            CardCause.NONE_OF_THESE: (0.5, 0.2, 0.3),
            **dict.fromkeys(_COMES_AND_GOES, (0.4, 0.05, 0.55)),
        },
        1.0,
        DOORS,
    ),
    CardSight(
        "lines-changed",
        "What was done just before it began?",
        "Ask the users, and whoever worked there last.",
        (
            ("nothing", "nothing that anybody knows of"),
            ("cable", "wires were touched: a repair, building work"),
            ("reader", "the reader was replaced, moved or newly fitted"),
            ("settings", "the controller was replaced or set anew"),
        ),
        (0.6, 0.15, 0.15, 0.1),
        {
            CardCause.LINES_SWAPPED: (0.1, 0.4, 0.48, 0.02),
            CardCause.TWO_READERS: (0.2, 0.3, 0.45, 0.05),
            **dict.fromkeys(
                (CardCause.D0_OPEN, CardCause.D1_OPEN, CardCause.D0_STUCK_LOW, CardCause.D1_STUCK_LOW),
                (0.4, 0.4, 0.18, 0.02),
            ),
            **dict.fromkeys((CardCause.GROUND_MISSING, CardCause.PULL_UP_WEAK), (0.35, 0.25, 0.35, 0.05)),
            **dict.fromkeys(_ANOTHER_READER, (0.15, 0.05, 0.55, 0.25)),
        },
        1.0,
    ),
)
"""In the order of docs/hunt.md."""

_SIGHTS = {sight.name: sight for sight in CARD_SIGHTS}


def card_sight_of(name: str) -> CardSight:
    """The sight by name; KeyError if there is none."""
    return _SIGHTS[name]


def seen_text(name: str, word: str) -> str:
    """What was seen, for people."""
    return f"seen: {name}: {card_sight_of(name).says(word)}"
