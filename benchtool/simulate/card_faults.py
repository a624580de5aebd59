"""Faults of a reader's lines as changes of what is fitted, wired or set; physics and chance do the rest.

How bad each is, is drawn: from just above what is allowed to hopeless. The names are the causes of docs/card-faults.md.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import replace

from benchtool.frames.card.formats import FORMATS, CardField, CardFormat, ParityGroup, Sense
from benchtool.simulate.card_reader import Output, Timing
from benchtool.simulate.card_setup import CardSetup, Disturbed
from benchtool.simulate.specs import ScenarioError, meant
from benchtool.wire.card_line import DataLine, Low

Change = Callable[[CardSetup, random.Random], CardSetup]


def _spread(draw: random.Random, low: float, high: float) -> float:
    """Between two figures, evenly by factors."""
    return math.exp(draw.uniform(math.log(low), math.log(high)))


def _lines(setup: CardSetup, which: tuple[int, ...], change: Callable[[DataLine], DataLine]) -> CardSetup:
    zero, one = (change(line) if place in which else line for place, line in enumerate(setup.lines))
    return replace(setup, lines=(zero, one))


def _open(which: int) -> Change:
    return lambda setup, draw: _lines(setup, (which,), lambda line: replace(line, joint_ohm=math.inf))


def _stuck(which: int) -> Change:
    def change(setup: CardSetup, draw: random.Random) -> CardSetup:
        ohm = _spread(draw, 0.2, 100)
        return _lines(setup, (which,), lambda line: replace(line, leak_ohm=ohm))

    return change


def _ground_missing(setup: CardSetup, draw: random.Random) -> CardSetup:
    """Either the supply has no other way back and the reader is dead, or it floats, and only hum arrives."""
    if draw.random() < 0.4:
        return replace(setup, ground_ohm=math.inf, powered=False, floating_v=draw.uniform(6, 12), supply_v=0.0)
    floating_v = draw.uniform(2.5, 9) * draw.choice((-1, 1, 1)) if draw.random() < 0.3 else draw.uniform(3, 9)
    setup = replace(setup, ground_ohm=math.inf, floating_v=floating_v)
    if draw.random() < 0.5:
        rate, both = _spread(draw, 5, 300), draw.uniform(0.4, 0.95)
        return replace(setup, disturbed=replace(setup.disturbed, noise_per_s=rate, both=both, hum=True))
    hum_hz = draw.choice((50.0, 60.0, 100.0, 120.0))
    low_s = _spread(draw, 10e-6, 0.5 / hum_hz)
    return replace(setup, disturbed=replace(setup.disturbed, hum=True, hum_hz=hum_hz, hum_low_s=low_s))


def _ground_shift(setup: CardSetup, draw: random.Random) -> CardSetup:
    """A bad joint or a thin core in the 0 V wire: near the input's lower level, so that some pulses vanish, or all."""
    wanted_v = (draw.uniform(0.7, 1.6) if draw.random() < 0.75 else draw.uniform(1.6, 4.0)) * setup.levels_v[0]
    return replace(setup, ground_ohm=wanted_v / setup.supply_a)


def _parity(which: tuple[int, ...]) -> Change:
    def change(setup: CardSetup, draw: random.Random) -> CardSetup:
        bits = [group.bit for group in setup.format.parity]
        one = (draw.choice(bits),) if bits else ()
        return replace(setup, flipped=tuple(bits) if which else one)

    return change


def _length_other(setup: CardSetup, draw: random.Random) -> CardSetup:
    """Half of them in a format that no table has; now and then cards of both sorts are in use."""
    others = [row for row in FORMATS if row.length != setup.expected.length]
    row = draw.choice(others) if draw.random() < 0.5 else _unknown(draw)
    return replace(setup, format=row, mixed=draw.uniform(0.2, 0.8) if draw.random() < 0.2 else 0.0)


def _unknown(draw: random.Random) -> CardFormat:
    """A whole frame of a length that no format here has, with parity over either half or with none."""
    known = {row.length for row in FORMATS}
    length = draw.choice([size for size in range(20, 65) if size not in known])
    if draw.random() < 0.05:
        length = draw.randrange(65, 201)
    if draw.random() < 0.5:
        return CardFormat(
            f"{length} bits", length, (CardField("card_number", tuple(range(1, length + 1))),), (), "invented"
        )
    half = (length + 1) // 2
    groups = (
        ParityGroup(1, Sense.EVEN, tuple(range(2, half + 1))),
        ParityGroup(length, Sense.ODD, tuple(range(half + 1, length))),
    )
    return CardFormat(
        f"{length} bits", length, (CardField("card_number", tuple(range(2, length))),), groups, "invented"
    )


def _lost(setup: CardSetup, draw: random.Random) -> CardSetup:
    """A loose terminal on one line, or a receiver that is too slow for both."""
    share = _spread(draw, 0.008, 0.25)
    lost = draw.choice(((share, 0.0), (0.0, share), (share, share)))
    return replace(setup, disturbed=replace(setup.disturbed, lost=lost))


def _doubled(setup: CardSetup, draw: random.Random) -> CardSetup:
    """A second low after a pulse, or a contact that lets go for a moment within it."""
    if draw.random() < 0.3:
        return replace(setup, disturbed=replace(setup.disturbed, bounced=_spread(draw, 0.008, 0.3)))
    return replace(setup, disturbed=replace(setup.disturbed, doubled=_spread(draw, 0.008, 0.3)))


def _short(setup: CardSetup, draw: random.Random) -> CardSetup:
    """A reader set too fast, or so much resistance and capacitance that the line falls late and rises at once."""
    if draw.random() < 0.5:
        return replace(setup, timing=replace(setup.timing, width_s=_spread(draw, 2e-6, 14e-6)))
    long_m = draw.uniform(150, 400)
    slow = _lines(setup, (0, 1), lambda line: replace(line, length_m=long_m, farad_per_m=150e-12))
    # The divider of joint and pull-up still gets below the input's lower level in the end, though late.
    ground_v = setup.ground_v * 1.25
    wanted_v = draw.uniform(0.9, 0.99) * setup.levels_v[0]
    line = replace(slow.lines[0], ground_v=ground_v, joint_ohm=0.0)
    pull_up = 1 / (1 / line.pull_up_ohm + 1 / line.reader_pull_up_ohm)
    whole = pull_up * (wanted_v - ground_v - line.driver_v) / (line.pull_up_v - wanted_v)
    joint = max(0.0, whole - line.series_ohm - line.driver_ohm)
    slow = _lines(slow, (0, 1), lambda line: replace(line, joint_ohm=joint, reader_pull_up_ohm=math.inf))
    # What the reader sends is just long enough, or just too short, for the line to fall in.
    _, crossings = replace(slow.lines[0], ground_v=setup.ground_v).crossings([Low(0.0, 1e-3)], 5e-3, *setup.levels_v)
    fall_s = crossings[0].t_s if crossings else 40e-6
    return replace(slow, timing=replace(setup.timing, width_s=max(5e-6, fall_s * draw.uniform(0.9, 1.25))))


def _weak(setup: CardSetup, draw: random.Random) -> CardSetup:
    ohm = _spread(draw, 10e3, 300e3)
    return _lines(
        setup,
        (0, 1),
        lambda line: replace(
            line, pull_up_ohm=ohm, reader_pull_up_ohm=math.inf, length_m=max(30.0, line.length_m), joint_ohm=0.0
        ),
    )


def _noise(setup: CardSetup, draw: random.Random) -> CardSetup:
    rate = _spread(draw, 1, 150)
    both = 1.0 if draw.random() < 0.3 else draw.uniform(0.2, 0.9)
    return replace(setup, disturbed=Disturbed(noise_per_s=rate, both=both))


def _two(setup: CardSetup, draw: random.Random) -> CardSetup:
    other = Timing(draw.choice((30e-6, 50e-6, 80e-6, 100e-6)), draw.choice((0.4e-3, 0.8e-3, 1e-3, 1.5e-3, 2e-3)))
    return replace(setup, other=other, together=draw.uniform(0.1, 0.8))


def _serial(setup: CardSetup, draw: random.Random) -> CardSetup:
    silent = draw.random() < 0.25  # a device that speaks only when it is polled
    return replace(setup, output=Output.SERIAL, serial_pair=draw.random() < 0.5, powered=not silent)


def _brown(setup: CardSetup, draw: random.Random) -> CardSetup:
    return replace(setup, supply_v=draw.uniform(6.0, 9.8), resets=draw.uniform(0.15, 0.9))


def _silent(setup: CardSetup, draw: random.Random) -> CardSetup:
    return replace(setup, powered=False, supply_v=0.0 if draw.random() < 0.6 else setup.supply_v)


CARD_FAULTS: dict[str, Change] = {
    "healthy": lambda setup, draw: setup,
    "lines-swapped": lambda setup, draw: replace(setup, swapped=True),
    "bits-reversed": lambda setup, draw: replace(setup, reversed=True),
    "d0-open": _open(0),
    "d1-open": _open(1),
    "d0-stuck-low": _stuck(0),
    "d1-stuck-low": _stuck(1),
    "ground-missing": _ground_missing,
    "ground-shift": _ground_shift,
    "parity-one-wrong": _parity(()),
    "parity-sense-wrong": _parity((0, 1)),
    "layout-other": lambda setup, draw: replace(setup, free_parity=True),
    "length-other": _length_other,
    "bits-lost": _lost,
    "bits-doubled": _doubled,
    "pulses-short": _short,
    "pull-up-weak": _weak,
    "noise": _noise,
    "two-readers": _two,
    "keypad-bursts": lambda setup, draw: replace(setup, keypad=draw.choice((4, 6, 8))),
    "clock-and-data": lambda setup, draw: replace(setup, output=Output.CLOCK_AND_DATA),
    "serial-output": _serial,
    "polarity-inverted": lambda setup, draw: replace(setup, output=Output.INVERTED),
    "brown-out": _brown,
    "reader-silent": _silent,
}
"""By name; the drawn figures come from the random numbers given."""


def apply_card_fault(setup: CardSetup, name: str, draw: random.Random) -> CardSetup:
    """The setup with a fault. ScenarioError for a name that is none."""
    change = CARD_FAULTS.get(name)
    if change is None:
        raise ScenarioError(f"no fault {name!r} of a reader's lines; {meant(name, CARD_FAULTS, 'there are:')}")
    return change(setup, draw)
