"""Makes samples: sets up a worked line, listens to it as a tap would, and takes its readings."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
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
    """A worked line with these causes."""
    strange = Cause.NONE_OF_THESE in causes
    line, address = worked_line((), rng) if strange else worked_line(causes, rng)
    hears = hearing(rng, line)
    found: dict[str, float | None] = {}
    if listen:
        if strange:
            settings = tap_settings(line)
            chunks = silence() if rng.random() < 0.2 else unknown_traffic(rng, settings, hears.seconds)
        else:
            bus = build_bus(as_heard(line, causes, rng), int(rng.integers(1 << 30)))
            chunks = bus.run(round(hears.seconds * 1e9))
        evidence, info = listen_to(chunks, line, hears)
        found = symptoms(evidence, gather_proofs(evidence, info.settings), info.settings)
    taken = readings(line, causes, address, rng)
    return Sample(index, causes, address, line.line.length_m, line.line.baud, found, taken)


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
