"""Makes samples: sets up a worked line, listens to it as a tap would, and takes its readings."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import combinations

import numpy as np

from benchtool.capture.chunk import Chunk, Item, LineCounts, TapInfo
from benchtool.diagnose.evidence import Evidence, Gatherer
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.model import CAUSES, may_meet
from benchtool.diagnose.priors import PRIORS
from benchtool.diagnose.proofs import gather as gather_proofs
from benchtool.diagnose.symptoms import symptoms
from benchtool.frames.decoder import BusDecoder
from benchtool.measure.tally import Tally
from benchtool.simulate.build import build_bus, tap_settings
from benchtool.simulate.specs import Scenario
from benchtool.taps.simulated import as_seen, lump
from benchtool.train.lines import Generator, Hearing, hearing
from benchtool.train.meter import readings
from benchtool.train.sample import Sample
from benchtool.train.spoil import as_heard, rng_for, worked_line
from benchtool.train.strange import silence, unknown_traffic

_TRIES = 4
_JOINS_LATE = 0.5
"""Share of taps that join, and leave, in the middle of a frame."""
_CUT_THINGS = 3
"""So many things look wrong where listening begins and ends in the middle of a frame, and nothing is."""
_GARBLED = ("damaged-worst", "marks-framing", "dead-with-octets")

OCTETS_ALONE = frozenset(
    {
        Cause.TERMINATOR_MISPLACED,
        Cause.STUB_TOO_LONG,
        Cause.LINE_TOO_LONG,
        Cause.NOISE_BROADBAND,
        Cause.NOISE_IMPULSIVE,
        Cause.NOISE_MAINS,
        Cause.BAUD_WRONG,
        Cause.FORMAT_WRONG,
        Cause.CLOCK_OFF,
        Cause.ADDRESS_DUPLICATE,
        Cause.TWO_CONTROLLERS,
        Cause.DEVICE_SILENT,
        Cause.DEVICE_SLOW,
        Cause.DEVICE_RESETTING,
        Cause.DRIVER_HELD_LATE,
        Cause.SEQUENCE_FAULTS,
    }
)
"""Causes that leave no mark, or no sure one, on a meter: octets show them, or a scope, or nothing."""


def causes_of(index: int, share_of_pairs: float, rng: Generator) -> tuple[Cause, ...]:
    """Which causes the worked line of this number has: all alike often, a sound bus four times as often as each.

    `none-of-these`, which has the most faces, comes twice as often.
    """
    if rng.random() < share_of_pairs:
        pairs = [
            pair
            for pair in combinations(CAUSES, 2)
            if may_meet(*pair) and not (Cause.LINE_TOO_LONG in pair and Cause.TERMINATOR_MISPLACED in pair)
        ]
        shares = np.array([math.sqrt(PRIORS[one] * PRIORS[other]) for one, other in pairs])
        return pairs[int(rng.choice(len(pairs), p=shares / shares.sum()))]
    place = int(rng.integers(len(CAUSES) + 5))
    if place == len(CAUSES):
        return (Cause.NONE_OF_THESE,)
    return () if place > len(CAUSES) else (CAUSES[place],)


def draw(seed: int, index: int, share_of_pairs: float, *, listen: bool = True) -> Sample:
    """The worked line of this number: with its octets, or (quicker) its readings alone."""
    rng = rng_for(seed, index)
    return sample(causes_of(index, share_of_pairs, rng), rng, index, listen=listen)


def sample(causes: tuple[Cause, ...], rng: Generator, index: int, *, listen: bool = True) -> Sample:
    """A worked line with these causes.

    Somebody who connects a tester mostly has a fault that shows: a line with a cause that no meter shows, and that left
    no mark in the octets either, is drawn again, a few times.
    """
    strange = Cause.NONE_OF_THESE in causes
    found: dict[str, float | None] = {}
    for attempt in range(_TRIES):
        line, address = worked_line(() if strange else causes, rng, fast=attempt > 0)
        if not listen:
            break
        found = _listened(line, causes, rng)
        if strange or shows(causes, found):
            break
    taken = readings(line, causes, address, rng)
    return Sample(index, causes, address, line.line.length_m, line.line.baud, found, taken)


def shows(causes: Sequence[Cause], found: Mapping[str, float | None]) -> bool:
    """Whether everything that only octets can show has left a mark in them, as far as that can be told."""
    if not OCTETS_ALONE.intersection(causes):
        return True
    if Cause.CLOCK_OFF in causes and not any(found.get(name) for name in _GARBLED):
        return False  # a device that understands nothing is silent: nothing tells its clock
    return (found.get("anything-wrong") or 0.0) > _CUT_THINGS


def _listened(line: Scenario, causes: Sequence[Cause], rng: Generator) -> dict[str, float | None]:
    """The symptoms that a tap would give."""
    hears = hearing(rng, line)
    if Cause.NONE_OF_THESE in causes:
        settings = tap_settings(line)
        chunks = silence() if rng.random() < 0.2 else unknown_traffic(rng, settings, hears.seconds)
    else:
        bus = build_bus(as_heard(line, causes, rng), int(rng.integers(1 << 30)))
        chunks = bus.run(round(hears.seconds * 1e9))
        if rng.random() < _JOINS_LATE:
            chunks = joined(chunks, rng)
    evidence, info = listen_to(chunks, line, hears)
    return symptoms(evidence, gather_proofs(evidence, info.settings), info.settings)


def joined(chunks: Iterator[Chunk], rng: Generator) -> Iterator[Chunk]:
    """As heard by somebody who joins, and leaves, in the middle of a frame."""
    first = next(chunks, None)
    if first is None:
        return
    kept = int(rng.integers(1, len(first.octets) + 1))
    each_ns = (first.end_ns - first.t_ns) // max(1, len(first.octets))
    last = Chunk(
        first.end_ns - kept * each_ns, first.end_ns, first.octets[-kept:], first.marks[-kept:], first.direction
    )
    for chunk in chunks:
        yield last
        last = chunk
    kept = int(rng.integers(1, len(last.octets) + 1))
    each_ns = (last.end_ns - last.t_ns) // max(1, len(last.octets))
    yield Chunk(last.t_ns, last.t_ns + kept * each_ns, last.octets[:kept], last.marks[:kept], last.direction)


def listen_to(chunks: Iterator[Chunk], line: Scenario, hears: Hearing) -> tuple[Evidence, TapInfo]:
    """What a tap makes of a bus."""
    settings = tap_settings(line)
    lump_ns = round(hears.lump_ms * 1e6)
    info = TapInfo("sim:worked", settings, hears.line_errors, lump_ns)
    items: Iterable[Item] = as_seen(lump(chunks, lump_ns, settings) if lump_ns else chunks, hears.line_errors)
    decoder = BusDecoder(settings, lump_ns)
    tally = Tally(info)
    gatherer = Gatherer(tally)
    tally.begin(0)
    for item in items:
        frames = [] if isinstance(item, LineCounts) else decoder.feed(item)
        gatherer.item(item)
        for frame in frames:
            gatherer.frame(frame)
    for frame in decoder.close():
        gatherer.frame(frame)
    gatherer.close(round(hears.seconds * 1e9))
    return gatherer.evidence(decoder.counters), info
