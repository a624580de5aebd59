"""What a simulated reader's lines are made of: what is fitted, wired, set and disturbed; faults change it."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field, replace

from benchtool.frames.card.bits import Bits
from benchtool.frames.card.formats import FORMATS, CardFormat
from benchtool.simulate.card_reader import Output, Timing, card_bits
from benchtool.wire.cable import AWG_OHM_PER_KM
from benchtool.wire.card_line import HIGH_V, LOW_V, DataLine, Low, ground_shift_v

_SOUND_LOW = 0.75
"""A sound line's low lies below this share of what any input takes for low."""
_SOUND_WIDTH_S = 20e-6, 100e-6
"""Of a sound line's pulse at the controller, as published."""


@dataclass(frozen=True, slots=True)
class Disturbed:
    """What spoils pulses on the way, as chances and rates."""

    lost: tuple[float, float] = (0.0, 0.0)
    """Share of pulses on D0 and D1 that never arrive."""
    doubled: float = 0.0
    """Share of pulses followed by another one that the reader never sent."""
    noise_per_s: float = 0.0
    """Pulses from outside, in showers."""
    both: float = 0.6
    """Share of those that are on both lines at once."""
    hum: bool = False
    """Lines floating at the reader's end: showers at twice the mains frequency."""
    hum_hz: float = 0.0
    """Lows in time with the mains without end, on both lines: 50 or 60 a second, or twice that; 0 for none."""
    hum_low_s: float = 0.0
    """How long each of those lasts."""
    bounced: float = 0.0
    """Share of pulses in which the line comes back for a few microseconds."""


@dataclass(frozen=True, slots=True)
class CardSetup:
    """A reader, its cable, its controller."""

    format: CardFormat = FORMATS[0]
    """What the reader sends."""
    expected: CardFormat = FORMATS[0]
    """What the controller is set to."""
    timing: Timing = field(default_factory=Timing)
    output: Output = Output.DATA_LINES
    serial_pair: bool = True
    lines: tuple[DataLine, DataLine] = (DataLine(), DataLine())
    """Their ground voltage is worked out from the supply current, by `wired`."""
    swapped: bool = False
    reversed: bool = False
    flipped: tuple[int, ...] = ()
    """Places of the bits sent the wrong way round, such as parity bits."""
    free_parity: bool = False
    """The parity bits carry something else."""
    levels_v: tuple[float, float] = (LOW_V, HIGH_V)
    """The controller's input levels."""
    least_pulse_s: float = 10e-6
    """Shorter ones the controller does not count."""
    ground_ohm: float = 1.6
    """The 0 V wire; infinite where there is none."""
    floating_v: float = 0.0
    """What the reader's 0 V rests at where it hangs free."""
    supply_v: float = 12.0
    """At the reader's terminals, while it is reading."""
    supply_a: float = 0.1
    powered: bool = True
    """Whether the reader sends at all."""
    resets: float = 0.0
    """Chance that the reader starts anew in the middle of a presentation."""
    keypad: int = 0
    """Bits a key: 0 for cards."""
    other: Timing | None = None
    """A second reader's pulses on the same pair."""
    together: float = 0.0
    """Chance that both readers send at once."""
    disturbed: Disturbed = field(default_factory=Disturbed)
    mixed: float = 0.0
    """Share of cards that are in the controller's format all the same."""

    @property
    def ground_v(self) -> float:
        """How far the reader's 0 V lies above the controller's."""
        if math.isinf(self.ground_ohm):
            return self.floating_v
        return ground_shift_v(self.supply_a if self.powered else 0.0, self.ground_ohm)


def a_card(setup: CardSetup, draw: random.Random) -> Bits:
    """An invented card as people at that reader have them."""
    return card_bits(setup.expected if setup.mixed and draw.random() < setup.mixed else setup.format, draw)


def plain(row: CardFormat) -> CardSetup:
    """A sound line of middling length: 30 m of AWG 22, 1 kOhm to 5 V, 50 us every millisecond."""
    return CardSetup(row, row)


def drawn(draw: random.Random, row: CardFormat | None = None) -> CardSetup:
    """A sound line drawn at random within what is published or common practice."""
    while True:
        setup = _drawn(draw, row)
        line = replace(setup.lines[0], ground_v=setup.ground_v)
        if line.steady_v(pulled=True) >= _SOUND_LOW * LOW_V:
            continue
        width_s = setup.timing.width_s
        _, crossings = line.crossings([Low(0.0, width_s)], width_s + 1e-3, *setup.levels_v)
        if len(crossings) == 2 and _SOUND_WIDTH_S[0] < crossings[1].t_s - crossings[0].t_s < _SOUND_WIDTH_S[1]:
            return setup


def _drawn(draw: random.Random, row: CardFormat | None) -> CardSetup:
    row = draw.choice(FORMATS) if row is None else row
    length_m = math.exp(draw.uniform(math.log(2), math.log(100)))
    ohm_per_m = AWG_OHM_PER_KM[draw.choice((18, 22, 22, 24))] / 1000
    line = DataLine(
        length_m,
        ohm_per_m,
        draw.uniform(50e-12, 150e-12),
        joint_ohm=draw.choice((0.0, 0.0, 47.0, 100.0)),
        pull_up_ohm=draw.choice((1000.0, 1000.0, 1000.0, 2200.0, 4700.0)),
        pull_up_v=5.0 * draw.gauss(1, 0.02),
        reader_pull_up_ohm=draw.choice((math.inf, math.inf, 4700.0, 10_000.0)),
        driver_v=draw.uniform(0.05, 0.25),
    )
    return CardSetup(
        row,
        row,
        Timing(
            draw.choice((40e-6, 50e-6, 50e-6, 80e-6, 90e-6, draw.uniform(20e-6, 100e-6))),
            draw.choice((0.5e-3, 1e-3, 1e-3, 2e-3, 2e-3, math.exp(draw.uniform(math.log(0.22e-3), math.log(18e-3))))),
            draw.choice((0.002, 0.01, 0.03, 0.1)),
        ),
        lines=(line, line),
        levels_v=draw.choice(((LOW_V, HIGH_V), (LOW_V, HIGH_V), (1.5, 3.5), (1.2, 1.8))),
        least_pulse_s=draw.choice((1e-6, 5e-6, 10e-6, 15e-6)),
        ground_ohm=min(3.0, length_m * ohm_per_m) + draw.uniform(0.05, 0.3),
        supply_v=12.0 * draw.gauss(1, 0.04),
        supply_a=draw.uniform(0.04, 0.12),
    )
