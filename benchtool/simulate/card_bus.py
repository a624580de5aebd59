"""Cards held to a simulated reader: what the two lines do, as records of edges at the controller's terminals.

The reader pulls (`card_reader.py`), the line and the controller's input do the rest (`wire/card_line.py`); what comes
from outside (noise, contacts that bounce) is laid over it. All is settled by the seed.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import replace

from benchtool.capture.card_lines import Edge, LineRecord
from benchtool.frames.card.bits import Bits
from benchtool.simulate import card_reader
from benchtool.simulate.card_reader import Output, Pulls
from benchtool.simulate.card_setup import CardSetup
from benchtool.wire.card_line import DataLine, Low

RESOLUTION_NS = 1000
"""How finely edges are timed: as the probe does."""
_BEFORE_S = 0.05
"""Quiet before each presentation."""
_AFTER_S = 0.1


def presentations(
    setup: CardSetup, cards: Sequence[Bits | str], seed: int, where: str = "simulated reader"
) -> Iterator[LineRecord]:
    """A record for each card held to the reader (`Bits` as printed in it) or PIN pressed (a string of keys).

    Records follow each other without a gap.
    """
    begin_ns = 0
    for place, card in enumerate(cards):
        draw = random.Random(f"{seed}/{place}")
        record = _record(setup, _sent(setup, card, draw), begin_ns, draw, where)
        begin_ns = record.end_ns
        yield record


def sent_bits(setup: CardSetup, card: Bits, draw: random.Random) -> Bits:
    """What the reader makes of a card: bits in its own order, parity as it thinks right."""
    value = card.value
    for place in setup.flipped:
        value ^= 1 << card.length - place
    if setup.free_parity:
        for group in setup.format.parity:
            # As a layout with other groups does: a function of the card, the same each time it is read.
            own = random.Random(f"{card.value}/{group.bit}")
            value ^= own.getrandbits(1) << card.length - group.bit
    bits = Bits(value, card.length)
    return bits.reversed() if setup.reversed else bits


def _sent(setup: CardSetup, card: Bits | str, draw: random.Random) -> Pulls:
    if not setup.powered:
        return [], []
    timing = setup.timing
    second = setup.other is not None and draw.random() < 0.5
    if second and setup.other is not None:
        timing = setup.other
    if isinstance(card, str):
        pulled = card_reader.keys(card, setup.keypad or 4, timing, draw)
    elif setup.output is Output.CLOCK_AND_DATA:
        pulled = card_reader.clock_and_data(card, draw)
    elif setup.output is Output.SERIAL:
        pulled = card_reader.serial(card, draw, pair=setup.serial_pair)
    else:
        pulled = card_reader.pulses(sent_bits(setup, card, draw), timing, draw)
    if setup.other is not None and draw.random() < setup.together:
        length = setup.format.length
        bits = card_reader.card_bits(setup.format, draw) if isinstance(card, str) else Bits(card.value, length)
        late = draw.uniform(0, 0.8) * length * timing.spacing_s
        pulled = _joined(pulled, card_reader.pulses(bits, setup.timing if second else setup.other, draw, late))
    if draw.random() < setup.resets:
        pulled = _reset(pulled, draw)
    return (pulled[1], pulled[0]) if setup.swapped else pulled


def _joined(one: Pulls, other: Pulls) -> Pulls:
    return merged([*one[0], *other[0]]), merged([*one[1], *other[1]])


def merged(lows: Sequence[Low]) -> list[Low]:
    """Pulls of several drivers on one line: low while any of them pulls."""
    found: list[Low] = []
    for low in sorted(lows):
        if found and low.start_s <= found[-1].start_s + found[-1].width_s:
            end_s = max(found[-1].start_s + found[-1].width_s, low.start_s + low.width_s)
            found[-1] = Low(found[-1].start_s, end_s - found[-1].start_s)
        else:
            found.append(low)
    return found


def _reset(pulled: Pulls, draw: random.Random) -> Pulls:
    """The supply breaks down somewhere in the frame; while the reader starts anew, outputs may be low for a while."""
    starts = sorted(low.start_s for line in pulled for low in line)
    cut_s = draw.uniform(0, (starts[-1] if starts else 0.0) + 1e-3)
    kept: Pulls = ([low for low in pulled[0] if low.start_s < cut_s], [low for low in pulled[1] if low.start_s < cut_s])
    if draw.random() < 0.5:
        low = Low(cut_s + draw.uniform(2e-3, 60e-3), math.exp(draw.uniform(math.log(0.5e-3), math.log(40e-3))))
        for line in draw.choice(((0, 1), (0, 1), (1,))):
            kept[line].append(low)
    return merged(kept[0]), merged(kept[1])


def _record(setup: CardSetup, pulled: Pulls, begin_ns: int, draw: random.Random, where: str) -> LineRecord:
    last_s = max((low.start_s + low.width_s for line in pulled for low in line), default=0.05)
    end_s = _BEFORE_S + last_s + _AFTER_S
    outside = _outside(setup, begin_ns, end_s, draw)
    # Lamp and beeper of the reader draw more in one presentation than in another.
    ground_v = setup.ground_v * draw.uniform(0.75, 1.25)
    edges: list[Edge] = []
    highs: list[bool] = []
    for number in (0, 1):
        lows = [Low(low.start_s + _BEFORE_S, low.width_s) for low in pulled[number]]
        lows = _lossy(lows, setup.disturbed.lost[number], draw)
        high, crossings = _received(setup, replace(setup.lines[number], ground_v=ground_v), lows, end_s)
        arrived = _let_go(setup, _lows(high, crossings, end_s), draw)
        spans = merged([*arrived, *_bounces(setup, crossings, draw), *outside[number]])
        high = not (spans and spans[0].start_s <= 0)
        highs.append(high)
        for low in spans:
            start, stop = (_tick(begin_ns, at) for at in (low.start_s, low.start_s + low.width_s))
            if low.start_s > 0:
                edges.append(Edge(start, number, high=False))
            if low.start_s + low.width_s < end_s:
                edges.append(Edge(max(stop, start + RESOLUTION_NS), number, high=True))
    edges.sort(key=lambda edge: edge.t_ns)
    end_ns = max([_tick(begin_ns, end_s), *(edge.t_ns for edge in edges)])
    return LineRecord(tuple(_alternating(edges, highs)), begin_ns, end_ns, (highs[0], highs[1]), RESOLUTION_NS, where)


def _tick(begin_ns: int, at_s: float) -> int:
    return begin_ns + round(at_s * 1e9 / RESOLUTION_NS) * RESOLUTION_NS


def _alternating(edges: Sequence[Edge], highs: Sequence[bool]) -> list[Edge]:
    """Without edges that lead to the level that a line has already: pauses too short for the resolution."""
    level = list(highs)
    found = []
    for edge in edges:
        if edge.high != level[edge.line]:
            level[edge.line] = edge.high
            found.append(edge)
    return found


def _received(
    setup: CardSetup, line: DataLine, lows: Sequence[Low], end_s: float
) -> tuple[bool, list[tuple[float, bool]]]:
    if setup.output is Output.INVERTED:
        # Pulls while it rests, and lets go for a pulse.
        edges = [0.0, *(at for low in lows for at in (low.start_s, low.start_s + low.width_s)), end_s]
        lows = [Low(begin, stop - begin) for begin, stop in zip(edges[::2], edges[1::2], strict=True)]
        settled_s = 0.05
        lows = [Low(low.start_s + settled_s if place else 0.0, low.width_s) for place, low in enumerate(lows)]
        lows[0] = Low(0.0, lows[0].width_s + settled_s)
        _, crossings = line.crossings(lows, end_s + settled_s, *setup.levels_v)
        kept = [(one.t_s - settled_s, one.high) for one in crossings]
        low_at_begin = any(t_s <= 0 and not high for t_s, high in kept)
        return not low_at_begin, [(t_s, high) for t_s, high in kept if t_s > 0]
    high, crossings = line.crossings(lows, end_s, *setup.levels_v)
    return high, [(one.t_s, one.high) for one in crossings]


def _lows(high: bool, crossings: Sequence[tuple[float, bool]], end_s: float) -> list[Low]:
    begin_s = None if high else 0.0
    found = []
    for t_s, to_high in crossings:
        if not to_high:
            begin_s = t_s
        elif begin_s is not None:
            found.append(Low(begin_s, t_s - begin_s))
            begin_s = None
    if begin_s is not None:
        found.append(Low(begin_s, end_s - begin_s))
    return found


def _lossy(lows: list[Low], share: float, draw: random.Random) -> list[Low]:
    return [low for low in lows if draw.random() >= share] if share else lows


def _bounces(setup: CardSetup, crossings: Sequence[tuple[float, bool]], draw: random.Random) -> list[Low]:
    """A second low soon after a pulse: ringing, or a contact that bounces."""
    found = []
    if setup.disturbed.doubled:
        for t_s, high in crossings:
            if high and draw.random() < setup.disturbed.doubled:
                late_s = draw.uniform(15e-6, 120e-6)
                found.append(Low(t_s + late_s, draw.uniform(8e-6, 60e-6)))
    return found


def _let_go(setup: CardSetup, lows: list[Low], draw: random.Random) -> list[Low]:
    """Pulses, of some of which the line comes back for a few microseconds."""
    found = []
    for low in lows:
        gap_s = draw.uniform(3e-6, 9e-6) if setup.disturbed.bounced else 0.0
        if gap_s and low.width_s > gap_s + 6e-6 and draw.random() < setup.disturbed.bounced:
            until_s = draw.uniform(3e-6, low.width_s - gap_s - 3e-6)
            found.append(Low(low.start_s, until_s))
            low = Low(low.start_s + until_s + gap_s, low.width_s - until_s - gap_s)
        found.append(low)
    return found


def _hum(setup: CardSetup, begin_ns: int, end_s: float, draw: random.Random) -> Pulls:
    """Lows in time with the mains on both lines, one of them somewhat later, through all records in one beat."""
    found: Pulls = ([], [])
    every_s = 1 / setup.disturbed.hum_hz
    later_s = 40e-6 * random.Random(setup.disturbed.hum_low_s).random()
    begin_s = begin_ns / 1e9
    for beat in range(math.ceil(begin_s / every_s), math.floor((begin_s + end_s) / every_s)):
        t_s = beat * every_s - begin_s + draw.gauss(0, 0.005) * every_s
        for line in (0, 1):
            start_s = t_s + line * later_s + draw.uniform(0, 9e-6)
            width_s = setup.disturbed.hum_low_s * math.exp(draw.gauss(0, 0.2))
            if 0 < start_s < end_s - width_s - 1e-3:
                found[line].append(Low(start_s, max(2e-6, min(width_s, 0.6 * every_s))))
    return merged(found[0]), merged(found[1])


def _outside(setup: CardSetup, begin_ns: int, end_s: float, draw: random.Random) -> Pulls:
    """Pulses from outside, in showers; on lines that float, in time with the mains (100 or 120 Hz)."""
    if setup.disturbed.hum_hz:
        return _hum(setup, begin_ns, end_s, draw)
    found: Pulls = ([], [])
    rate = setup.disturbed.noise_per_s
    if not rate:
        return found
    beat_s = 1 / (2 * 50)
    t_s = draw.expovariate(rate / 4)
    while t_s < end_s:
        for _ in range(draw.choice((1, 2, 4, 9))):
            lines = (0, 1) if draw.random() < setup.disturbed.both else (draw.randrange(2),)
            for line in lines:
                width_s = math.exp(draw.gauss(math.log(8e-6), 1.0))
                start_s = t_s + draw.uniform(0, 3e-6)
                if 0 < start_s < end_s - width_s - 1e-3:
                    found[line].append(Low(start_s, max(1e-6, width_s)))
            t_s += draw.expovariate(1 / 0.4e-3)
        t_s += draw.expovariate(rate / 4)
        if setup.disturbed.hum:
            t_s = math.ceil(t_s / beat_s) * beat_s + draw.gauss(0, 0.2e-3)
    return merged(found[0]), merged(found[1])
