"""What holds for the frame decoder whatever a line carries: no octet lost, nothing raised, chunks of no consequence."""

from __future__ import annotations

import random
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from benchtool.capture.chunk import Chunk, Direction, Gap, Item, LineCounts
from benchtool.capture.files import open_capture
from benchtool.capture.settings import LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.frame import Frame, Protocol, Role
from benchtool.frames.osdp.build import build_frame
from tests.strategies import capture_items, line_bursts, osdp_octets

SETTINGS = LineSettings(9600)
CHAR = SETTINGS.char_ns
FIXTURES = Path(__file__).parents[2] / "fixtures"

Burst = tuple[int, bytes]


def chunks_of(bursts: Iterable[Burst]) -> list[Chunk]:
    """One chunk a burst, at the line's own pace."""
    made = []
    now = 0
    for silence, octets in bursts:
        now += silence * CHAR
        made.append(Chunk(now, now + len(octets) * CHAR, octets, b"", Direction.RECEIVED))
        now += len(octets) * CHAR
    return made


def cut(chunk: Chunk, places: Iterable[int]) -> list[Chunk]:
    """The chunk in parts, each octet at the time that it has in the whole; only exact for one octet a part, or a
    chunk whose octets all last the same."""
    count = len(chunk.octets)
    span = chunk.end_ns - chunk.t_ns
    edges = sorted({0, count, *(place % count for place in places)}) if count else [0]
    return [
        Chunk(
            chunk.t_ns + low * span // count,
            chunk.t_ns + high * span // count,
            chunk.octets[low:high],
            chunk.marks[low:high],
            chunk.direction,
        )
        for low, high in pairwise(edges)
    ]


def single(chunk: Chunk) -> list[Chunk]:
    """The chunk octet by octet."""
    return cut(chunk, range(len(chunk.octets)))


def decode(items: Iterable[Item], resolution_ns: int = 0) -> list[Frame]:
    """All frames of the items."""
    decoder = BusDecoder(SETTINGS, resolution_ns)
    frames: list[Frame] = []
    for item in items:
        frames += decoder.feed(item)
    return frames + decoder.close()


def joined(frames: Iterable[Frame]) -> bytes:
    """The octets of the frames, in their order."""
    return b"".join(frame.lead + frame.octets for frame in frames)


@given(st.lists(st.one_of(capture_items(largest_mark=255), st.builds(Chunk, st.just(0), st.just(0), osdp_octets()))))
def test_every_octet_comes_out_once_in_order(items: list[Item]) -> None:
    frames = decode(items)
    fed = [item for item in items if isinstance(item, Chunk)]
    assert joined(frames) == b"".join(chunk.octets for chunk in fed)
    assert all(frame.octets for frame in frames)
    assert all(len(frame.marks) in (0, len(frame.octets)) for frame in frames)
    assert all(frame.silence_ns is None or frame.silence_ns >= 0 for frame in frames)


@given(line_bursts(), st.lists(st.integers(-(10**9), 10**10), max_size=8))
def test_flush_at_any_time_loses_nothing(bursts: list[Burst], times: list[int]) -> None:
    decoder = BusDecoder(SETTINGS)
    frames: list[Frame] = []
    for index, chunk in enumerate(chunks_of(bursts)):
        frames += decoder.feed(chunk)
        if index < len(times):
            frames += decoder.flush(times[index])
    frames += decoder.close()
    assert joined(frames) == b"".join(octets for _, octets in bursts)
    assert decoder.close() == []
    assert decoder.flush(10**15) == []


@settings(max_examples=400)
@given(line_bursts(), st.lists(st.integers(0, 400), max_size=12))
@example([(0, bytes.fromhex("FF530108000560 8B33 53"))], [1, 2])
@example([(0, bytes.fromhex("530148000560 8B33 53810800054039 35")), (30, bytes.fromhex("5301080005608B33"))], [3, 9])
def test_chunks_make_no_difference(bursts: list[Burst], places: list[int]) -> None:
    chunks = chunks_of(bursts)
    whole = decode(chunks)
    assert decode(part for chunk in chunks for part in cut(chunk, places)) == whole
    assert decode(part for chunk in chunks for part in single(chunk)) == whole


@given(line_bursts(), st.integers(1, 40))
def test_bursts_without_silence_between_may_lie_in_one_chunk(bursts: list[Burst], most: int) -> None:
    merged: list[Burst] = []
    for silence, octets in bursts:
        if merged and silence == 0 and len(merged[-1][1]) < most:
            merged[-1] = (merged[-1][0], merged[-1][1] + octets)
        else:
            merged.append((silence, octets))
    assert decode(chunks_of(merged)) == decode(chunks_of(bursts))


@given(line_bursts(), st.lists(st.integers(0, 10**7), min_size=8, max_size=8))
def test_times_that_do_not_divide_evenly(bursts: list[Burst], extra: list[int]) -> None:
    """A chunk's octets share its time by whole nanoseconds, `t + i * span // n`; fed singly they carry just that."""
    chunks = []
    now = 0
    for (silence, octets), odd in zip(bursts, extra, strict=False):
        now += silence * CHAR
        end = now + len(octets) * CHAR + odd
        chunks.append(Chunk(now, end, octets))
        now = end
    assert decode(part for chunk in chunks for part in single(chunk)) == decode(chunks)


@given(line_bursts(), st.data())
def test_marks_and_directions_make_no_difference_to_that(bursts: list[Burst], data: st.DataObject) -> None:
    chunks = []
    for chunk in chunks_of(bursts):
        marks = data.draw(st.one_of(st.just(b""), _sparse_marks(len(chunk.octets))))
        chunks.append(chunk._replace(marks=marks, direction=data.draw(st.sampled_from(Direction))))
    whole = decode(chunks)
    assert decode(part for chunk in chunks for part in single(chunk)) == whole
    fed = b"".join(chunk.marks or bytes(len(chunk.octets)) for chunk in chunks)
    kept = b"".join(bytes(len(frame.lead)) + (frame.marks or bytes(len(frame.octets))) for frame in whole)
    lead = b"".join(b"\x00" * len(frame.lead) + b"\x01" * len(frame.octets) for frame in whole)
    assert kept == bytes(mark * flag for mark, flag in zip(fed, lead, strict=True))


def _sparse_marks(count: int) -> st.SearchStrategy[bytes]:
    def make(seed: int) -> bytes:
        chance = random.Random(seed)
        return bytes(chance.choice((0,) * 12 + (1, 2, 4, 8)) for _ in range(count))

    return st.integers(0, 2**32).map(make)


@given(line_bursts())
def test_times_and_silences_are_those_of_the_line(bursts: list[Burst]) -> None:
    starts: list[int] = []
    for chunk in chunks_of(bursts):
        starts += [chunk.t_ns + index * CHAR for index in range(len(chunk.octets))]
    at = 0
    before: int | None = None
    for frame in decode(chunks_of(bursts)):
        first, begin = starts[at], starts[at + len(frame.lead)]
        at += len(frame.lead) + len(frame.octets)
        end = starts[at - 1] + CHAR
        assert (frame.t_ns, frame.end_ns) == (begin, end)
        assert frame.silence_ns == (None if before is None else first - before)
        assert frame.direction is Direction.RECEIVED
        before = end


def test_a_gap_ends_what_is_pending_and_the_silence_after_it_is_unknown() -> None:
    poll = build_frame(1, 0x60, sequence=1)
    decoder = BusDecoder(SETTINGS)
    assert decoder.feed(Chunk(0, 5 * CHAR, poll[:5])) == []
    ended = decoder.feed(Gap(6 * CHAR, 600 * CHAR, "unplugged"))
    assert joined(ended) == poll[:5]
    (after,) = decoder.feed(Chunk(700 * CHAR, 708 * CHAR, poll))
    assert after.ok
    assert after.silence_ns is None


def test_counted_errors_change_nothing() -> None:
    poll = build_frame(1, 0x60, sequence=1)
    decoder = BusDecoder(SETTINGS)
    assert decoder.feed(Chunk(0, 4 * CHAR, poll[:4])) == []
    assert decoder.feed(LineCounts(4 * CHAR, 1, 2, 3, 4)) == []
    (frame,) = decoder.feed(Chunk(4 * CHAR, 8 * CHAR, poll[4:]))
    assert frame.octets == poll


def test_a_peer_session_decodes_without_damage() -> None:
    """fixtures/osdp/peer-session.log: an independent stack on both ends."""
    with open_capture(FIXTURES / "osdp" / "peer-session.log", SETTINGS) as capture:
        items = list(capture)
    frames = decode(items)
    assert len(frames) > 20
    assert all(frame.ok and frame.protocol is Protocol.OSDP for frame in frames)
    assert [frame.role for frame in frames[:4]] == [Role.REQUEST, Role.REPLY, Role.REQUEST, Role.REPLY]
    assert decode(part for item in items if isinstance(item, Chunk) for part in single(item)) == frames


@pytest.mark.parametrize("lump_ms", [1, 16])
def test_lumps_of_an_adapter_give_the_same_frames(lump_ms: int) -> None:
    """Adapters deliver what came in 16 ms together (sheet 10.3): several frames a lump, frames split between lumps."""
    with open_capture(FIXTURES / "osdp" / "peer-session.log", SETTINGS) as capture:
        exact = [item for item in capture if isinstance(item, Chunk)]
    octets = [part for chunk in exact for part in single(chunk)]
    lump_ns = lump_ms * 1_000_000
    lumps: dict[int, list[Chunk]] = {}
    for octet in octets:
        lumps.setdefault(octet.end_ns // lump_ns, []).append(octet)
    items = []
    last = 0
    for number, parts in lumps.items():
        end = (number + 1) * lump_ns
        begin = max(last, end - len(parts) * CHAR)
        items.append(Chunk(begin, end, b"".join(part.octets for part in parts)))
        last = end
    found = decode(items, resolution_ns=16_000_000)
    assert all(frame.ok for frame in found)
    assert [frame.lead + frame.octets for frame in found] == [frame.lead + frame.octets for frame in decode(exact)]
