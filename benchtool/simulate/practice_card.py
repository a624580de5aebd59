"""Practice at a reader's data lines: a simulated reader with a hidden fault, drawn by level and seed."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from benchtool.frames.card.bits import Bits
from benchtool.simulate.card_address import simulated
from benchtool.simulate.card_meter import card_meter
from benchtool.simulate.card_setup import CardSetup
from benchtool.simulate.specs import MOST_SEED

_LOUD = ("d0-open", "d1-open", "d0-stuck-low", "d1-stuck-low", "polarity-inverted", "serial-output", "keypad-bursts")
_PLAIN = ("reader-silent", "noise", "length-other", "parity-one-wrong", "clock-and-data", "brown-out", "two-readers")
_HARD = ("ground-shift", "ground-missing", "pull-up-weak", "bits-lost", "bits-doubled", "pulses-short")
_SLY = ("lines-swapped", "bits-reversed", "parity-sense-wrong", "layout-other", "healthy")
CARD_LEVELS: dict[int, tuple[str, ...]] = {
    1: _LOUD,
    2: (*_PLAIN, *_LOUD[:2]),
    3: (*_HARD, *_PLAIN[:2]),
    4: (*_SLY, *_HARD[:2]),
}
"""Faults by how hard they are to find: at last those that only the number printed on the card tells apart, or none."""


@dataclass(frozen=True, slots=True)
class HiddenReader:
    """A practice reader and what is wrong with it."""

    level: int
    seed: int
    fault: str
    """The cause's name."""
    tap: str
    """The address that shows the same reader to every other command."""
    setup: CardSetup
    cards: tuple[Bits | str, ...] = field(repr=False)
    """Invented. A string is a PIN."""


def hide_reader(level: int, seed: int, turn: int = 0) -> HiddenReader:
    """The reader of a level and seed; always the same for the same two.

    How bad a fault is, is drawn too, from hardly a mark to hopeless; a further `turn` is the same fault drawn again.
    """
    draw = random.Random(f"practice reader {level} {seed}")
    fault = draw.choice(CARD_LEVELS[level])
    line_seed = draw.randrange(MOST_SEED // 2) + turn
    tap = f"sim:card?fault={fault}&line=drawn&seed={line_seed}"
    setup, cards, _ = simulated(tap)
    return HiddenReader(level, seed, fault, tap, setup, tuple(cards))


def card_reading(hidden: HiddenReader, kind: str) -> float:
    """A reading by the name that `--meter` has for it, in volts or ohms, with a meter's own error of 1 %."""
    draw = random.Random(f"{hidden.tap} {kind}")
    # What chance settles (a floating line, a reader that is off) is the same whatever is measured first.
    value = card_meter(hidden.setup, random.Random(hidden.tap))[kind]
    return value * (1 + draw.gauss(0, 0.01)) + (0.0 if kind.endswith("ohms") else draw.gauss(0, 0.003))
