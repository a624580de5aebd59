"""The octets in a waveform's edges, burst by burst: the rate is known, polarity and character format are found out.

Each burst is received by the 16-times receiver of `wire.uart`, both ways round, in the usual formats; what gives the
fewest line errors is taken. Frames come from the same decoder as everywhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.frame import Frame
from benchtool.measure.waveform_record import Floats
from benchtool.wire.uart import GridDecoder, ReceivedOctet

FORMATS = tuple(CharFormat.parse(text) for text in ("8N1", "8E1", "8O1"))
"""Formats that can be told apart: 7E1 reads as 8N1 with the parity in its top bit, 8N2 as 8N1 with pauses."""
BURST_BITS = 12.5
"""No edge for so long: a pause lies between (FF has 9 bits of mark at its end, 10 with two stop bits)."""
_OVERSAMPLE = 16
_JUDGED_BURSTS = 12
_LEAST_MIXED = 3
"""So many octets must speak for each side before talkers are said to differ."""


class Polarity(Enum):
    """Which way round the leads are, from the data."""

    NORMAL = "normal"
    """Mark is positive."""
    REVERSED = "reversed"
    """Mark is negative: the leads, or the pair, are exchanged."""
    MIXED = "mixed"
    """Some talkers are one way round, some the other."""
    UNKNOWN = "unknown"


class Burst(NamedTuple):
    """Edges with no silence between them."""

    first: int
    end: int
    """Edges `first` to `end - 1`."""
    reversed_pair: bool
    octets: tuple[ReceivedOctet, ...]
    sure: bool
    """Whether the octets tell the polarity: without line errors this way round, with errors the other."""


def split_bursts(edges: Floats, bit_s: float) -> list[tuple[int, int]]:
    """First edge and the one after the last of each burst."""
    if not len(edges):
        return []
    cuts = np.flatnonzero(np.diff(edges) > BURST_BITS * bit_s) + 1
    return list(zip([0, *cuts.tolist()], [*cuts.tolist(), len(edges)], strict=True))


def receive(
    edges: Floats, rises: npt.NDArray[np.bool_], bit_s: float, form: CharFormat, *, reversed_pair: bool
) -> list[ReceivedOctet]:
    """What a receiver makes of one burst that comes out of idle. `rises` as the leads give them."""
    to_mark = ~rises if reversed_pair else rises
    first, end = _inner(to_mark)
    edges, to_mark = edges[first:end], to_mark[first:end]
    if not len(edges):
        return []
    tick = bit_s / _OVERSAMPLE
    start = float(edges[0]) - 2 * bit_s
    ticks = int((float(edges[-1]) - start) / tick + (form.bits + 1) * _OVERSAMPLE)
    instants = start + (np.arange(ticks) + 0.5) * tick
    passed = np.searchsorted(edges, instants, side="right")
    levels = np.concatenate((np.ones(1, dtype=np.bool_), to_mark))[passed]
    found = GridDecoder(form, _OVERSAMPLE).feed(levels.tobytes())
    length = form.bits * bit_s
    begun = [start + edge * tick for _, _, edge in found]
    after = [*begun[1:], float("inf")][: len(begun)]
    return [
        ReceivedOctet(value, marks, begin, min(begin + length, following))
        for (value, marks, _), begin, following in zip(found, begun, after, strict=True)
    ]


def _inner(to_mark: npt.NDArray[np.bool_]) -> tuple[int, int]:
    """Which edges belong to characters: a burst comes out of idle, which is mark, and ends there.

    A first edge to mark is a driver that is enabled on a pair left otherwise; a last edge to space, that nothing
    follows for a character, is the pair let go to a level below the middle.
    """
    first, end = 0, len(to_mark)
    if end and to_mark[0]:
        first = 1
    if end > first and not to_mark[end - 1]:
        end -= 1
    return first, end


def _faults(octets: Sequence[ReceivedOctet]) -> int:
    """Line errors. Nothing received is no merit."""
    return sum(octet.marks != 0 for octet in octets) if octets else 1


def find_octets(
    edges: Floats, rises: npt.NDArray[np.bool_], bit_s: float, idle_reversed: bool | None
) -> tuple[CharFormat, list[Burst]]:
    """Format and bursts. `idle_reversed`: what the idle level says of the polarity, None where it says nothing."""
    spans = split_bursts(edges, bit_s)
    longest = sorted(spans, key=lambda span: span[0] - span[1])[:_JUDGED_BURSTS]
    best: tuple[int, int] | None = None
    form = FORMATS[0]
    for place, tried in enumerate(FORMATS):
        faults = 0
        for first, end in longest:
            part = edges[first:end], rises[first:end], bit_s, tried
            faults += min(_faults(receive(*part, reversed_pair=turned)) for turned in (False, True))
        if best is None or (faults, place) < best:
            best, form = (faults, place), tried
        if faults == 0:
            break
    bursts = [_judge(edges, rises, bit_s, form, span) for span in spans]
    sure = [burst.reversed_pair for burst in bursts if burst.sure]
    prior = idle_reversed if not sure else sum(sure) * 2 > len(sure)
    settled = [
        burst if burst.sure else _receive_burst(edges, rises, bit_s, form, span, bool(prior))
        for burst, span in zip(bursts, spans, strict=True)
    ]
    return form, [burst for burst in settled if burst.end > burst.first]


def _receive_burst(
    edges: Floats,
    rises: npt.NDArray[np.bool_],
    bit_s: float,
    form: CharFormat,
    span: tuple[int, int],
    reversed_pair: bool,
) -> Burst:
    first, end = span
    octets = receive(edges[first:end], rises[first:end], bit_s, form, reversed_pair=reversed_pair)
    skip, upto = _inner(rises[first:end] != reversed_pair)
    return Burst(first + skip, first + max(skip, upto), reversed_pair, tuple(octets), False)


def _judge(edges: Floats, rises: npt.NDArray[np.bool_], bit_s: float, form: CharFormat, span: tuple[int, int]) -> Burst:
    both = [_receive_burst(edges, rises, bit_s, form, span, turned) for turned in (False, True)]
    # A burst that ends at space ends in a break that is no character.
    faults = [_faults(burst.octets) + (burst.end < span[1]) for burst in both]
    better = both[1] if faults[1] < faults[0] else both[0]
    count = len(better.octets)
    sure = abs(faults[0] - faults[1]) >= max(1, 0.2 * count) and min(faults) <= 0.1 * count
    if not sure or min(faults):
        settings = LineSettings(max(50, min(20_000_000, round(1 / bit_s))), form)
        framed = [sum(len(f.octets) for f in find_frames([burst], settings, 0.0) if f.ok) for burst in both]
        if framed[0] != framed[1]:
            return both[framed[1] > framed[0]]._replace(sure=True)
    return better._replace(sure=sure and count >= 2)


def find_frames(bursts: Sequence[Burst], settings: LineSettings, start_s: float) -> tuple[Frame, ...]:
    """Frames of all bursts; their times count from `start_s`."""
    decoder = BusDecoder(settings)
    frames: list[Frame] = []
    for burst in bursts:
        if not burst.octets:
            continue
        # Octets with pauses between them are fed one run at a time: a chunk has none inside.
        run: list[ReceivedOctet] = []
        for octet in burst.octets:
            if run and octet.start_s - run[-1].end_s > 0.5 * settings.char_ns * 1e-9:
                frames += decoder.feed(_chunk(run, start_s))
                run = []
            run.append(octet)
        frames += decoder.feed(_chunk(run, start_s))
    return (*frames, *decoder.close())


def _chunk(run: Sequence[ReceivedOctet], start_s: float) -> Chunk:
    marks = bytes(octet.marks for octet in run)
    begin = round((run[0].start_s - start_s) * 1e9)
    end = max(begin, round((run[-1].end_s - start_s) * 1e9))
    return Chunk(begin, end, bytes(octet.value for octet in run), marks if any(marks) else b"")


def polarity_of(bursts: Sequence[Burst], idle_reversed: bool | None) -> Polarity:
    """What the bursts say together; where they say nothing, the idle level."""
    sides = [sum(len(b.octets) for b in bursts if b.sure and b.reversed_pair is turned) for turned in (False, True)]
    # Two that talk at once leave scraps, and a scrap of some octets fits either way.
    if min(sides) >= _LEAST_MIXED:
        return Polarity.MIXED
    sure = {sides[1] > sides[0]} if any(sides) else set()
    if not sure:
        if idle_reversed is None:
            return Polarity.UNKNOWN
        sure = {idle_reversed}
    return Polarity.REVERSED if True in sure else Polarity.NORMAL
