"""A reader as its driver sees it: when it pulls D0 and D1, for a card, a key, or in another output mode.

Times in seconds from the beginning of the presentation. Pulses as published (reference sheet 6.1); clock and data and
serial output are from memory: data is low for a 1 while the clock is low; ten bits a character at 9600 bit/s.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from benchtool.frames.card.bits import Bits
from benchtool.frames.card.build import build_values
from benchtool.frames.card.formats import CardFormat
from benchtool.frames.card.keypad import BURSTS, KEYS
from benchtool.wire.card_line import Low

Pulls = tuple[list[Low], list[Low]]
"""When D0 and D1 are pulled, each rising in time."""
_TRIES = 20


class Output(Enum):
    """What a reader is set to send."""

    DATA_LINES = "data lines"
    CLOCK_AND_DATA = "clock and data"
    SERIAL = "serial"
    INVERTED = "inverted"


@dataclass(frozen=True, slots=True)
class Timing:
    """A reader's own pulses, in seconds."""

    width_s: float = 50e-6
    spacing_s: float = 1e-3
    """From the beginning of one pulse to that of the next."""
    jitter: float = 0.01
    """Standard deviation of both, as a share."""


def card_bits(row: CardFormat, draw: random.Random) -> Bits:
    """An invented card of a format. Raises ValueError where the format's parity cannot be worked out."""
    for _ in range(_TRIES):
        try:
            return build_values(row, {field.name: draw.randint(field.lowest, field.highest) for field in row.fields})
        except ValueError:  # a check value that these digits cannot have
            continue
    return build_values(row, {field.name: field.lowest for field in row.fields})


def pulses(bits: Bits, timing: Timing, draw: random.Random, begin_s: float = 0.0) -> Pulls:
    """One pulse a bit, on D0 for a 0, on D1 for a 1."""
    pulled: Pulls = ([], [])
    t_s = begin_s
    for place in range(bits.length):
        width_s = timing.width_s * max(0.2, draw.gauss(1, timing.jitter))
        pulled[bits.bit(place + 1)].append(Low(t_s, width_s))
        t_s += max(1.2 * timing.width_s, timing.spacing_s * draw.gauss(1, timing.jitter))
    return pulled


def keys(pressed: str, size: int, timing: Timing, draw: random.Random) -> Pulls:
    """Keys pressed one after the other, each a burst of `size` (4, 6 or 8) bits."""
    code = {(key, length): value for (value, length), key in BURSTS.items()}
    pulled: Pulls = ([], [])
    t_s = 0.0
    for key in pressed:
        burst = pulses(Bits(code[key, size], size), timing, draw, t_s)
        for line in (0, 1):
            pulled[line].extend(burst[line])
        t_s += draw.uniform(0.25, 0.6)
    return pulled


def some_keys(draw: random.Random) -> str:
    """An invented PIN with its end key."""
    return "".join(draw.choice(KEYS[:10]) for _ in range(draw.choice((4, 4, 5, 6)))) + "#"


def clock_and_data(bits: Bits, draw: random.Random) -> Pulls:
    """The card's number as decimal characters of five bits between leading and trailing zeros; D0 data, D1 clock."""
    digits = [int(digit) for digit in f"{bits.value:014d}"[-14:]]
    sent = [0] * 10
    for digit in (11, *digits, 15):
        character = [digit >> place & 1 for place in range(4)]
        sent += [*character, 1 - sum(character) & 1]
    sent += [0] * 10
    bit_s = draw.uniform(0.6e-3, 1.2e-3)
    data: list[Low] = []
    clock: list[Low] = []
    for place, bit in enumerate(sent):
        t_s = place * bit_s
        clock.append(Low(t_s + bit_s / 3, bit_s / 3))
        if bit and data and data[-1].start_s + data[-1].width_s > t_s - bit_s / 2:
            data[-1] = Low(data[-1].start_s, t_s + bit_s - data[-1].start_s)
        elif bit:
            data.append(Low(t_s, bit_s))
    return data, clock


def serial(bits: Bits, draw: random.Random, *, pair: bool) -> Pulls:
    """Characters at 9600 bit/s: on both lines against each other (`pair`), or on one line alone.

    Of a pair the other line is low wherever the first is high, from the first start bit to the last stop bit.
    """
    bit_s = 1 / 9600
    sent: list[int] = []
    for octet in b"\x02" + f"{bits.value:010X}".encode()[-10:] + b"\r\n\x03":
        sent += [0, *(octet >> place & 1 for place in range(8)), 1]
    first, other = _runs(sent, 0, bit_s), _runs(sent, 1, bit_s) if pair else []
    return (first, other) if draw.random() < 0.5 else (other, first)


def _runs(sent: Sequence[int], level: int, bit_s: float) -> list[Low]:
    lows: list[Low] = []
    begin: int | None = None
    for place, bit in enumerate([*sent, 1 - level]):
        if bit == level and begin is None:
            begin = place
        elif bit != level and begin is not None:
            lows.append(Low(begin * bit_s, (place - begin) * bit_s))
            begin = None
    return lows
