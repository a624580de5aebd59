"""What the decoder costs at worst, counted in calls rather than in time, for the machine may stall."""

from __future__ import annotations

import sys
from types import FrameType
from typing import Any

import pytest

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.frame import Frame
from tests.frames.test_decoder_resync import ACK, POLL, READ

CHAR = LineSettings(9600).char_ns
PATTERNS = {
    "start octets": b"\x53",
    "headers that cannot be": bytes.fromhex("5300ff0304"),
    "headers that can be": bytes.fromhex("5300a00504"),
    "addresses": b"\x03",
    "marks": b"\xff",
    "marks and start octets": b"\xff\x53",
    "identification": b"\x2b\x0e",
    "headers and good frames": bytes.fromhex("5300a00504") * 2 + READ,
    "junk and good frames": b"\x80\x91" + POLL,
}


def feed(stream: bytes, lump: int) -> tuple[int, int]:
    """Calls made and the most octets undecided, the stream fed in lumps."""
    calls = 0

    def count(frame: FrameType, event: str, argument: Any) -> None:
        nonlocal calls
        calls += event in ("call", "c_call")

    decoder = BusDecoder(LineSettings(9600))
    out: list[Frame] = decoder.feed(Chunk(-1000 * CHAR, -984 * CHAR, POLL + ACK))
    answered = most = 0
    chunks = [
        Chunk(at * CHAR, min(len(stream), at + lump) * CHAR, stream[at : at + lump])
        for at in range(0, len(stream), lump)
    ]
    fed = 0
    for chunk in chunks:
        sys.setprofile(count)
        try:
            out = decoder.feed(chunk)
        finally:
            sys.setprofile(None)
        fed += len(chunk.octets)
        answered += sum(len(frame.lead) + len(frame.octets) for frame in out)
        most = max(most, fed - answered)
    return calls, most


@pytest.mark.parametrize("lump", [1, 64, 100_000])
@pytest.mark.parametrize("name", PATTERNS)
def test_twice_the_octets_cost_twice_the_calls(name: str, lump: int) -> None:
    pattern = PATTERNS[name]
    stream = (pattern * 8000)[:8000]
    short, most_short = feed(stream[:4000], lump)
    long, most_long = feed(stream, lump)
    assert long - short <= 1.5 * short
    assert long <= 400 * len(stream)
    if lump < 100:
        assert max(most_short, most_long) <= 2 * 1440


@pytest.mark.parametrize("lump", [1, 7, 1440, 5000, 50_000])
def test_a_bad_header_without_end_is_cut(lump: int) -> None:
    """On a line that is never silent: what is undecided stays bounded, and is cut alike however it came."""
    stream = b"\x53" * 4000 + b"\xff\xff" + POLL + b"\x53\xff" * 1000 + ACK
    decoder = BusDecoder(LineSettings(9600))
    frames = decoder.feed(Chunk(-1000 * CHAR, -984 * CHAR, POLL + ACK))
    for at in range(0, len(stream), lump):
        part = stream[at : at + lump]
        frames += decoder.feed(Chunk(at * CHAR, (at + len(part)) * CHAR, part))
    frames += decoder.close()
    assert b"".join(frame.lead + frame.octets for frame in frames) == POLL + ACK + stream
    assert [frame.octets for frame in frames if frame.ok] == [POLL, ACK, POLL, ACK]
    assert [len(frame.octets) for frame in frames if not frame.ok][:3] == [1440, 1440, 1120]
    assert max(len(frame.octets) for frame in frames) <= 1440


def test_a_chunk_of_many_pieces_gives_what_its_octets_give() -> None:
    """A large chunk is looked at in pieces; times stay those of the whole, here with a span that does not divide."""
    stream = (b"\x80\x91" + POLL + ACK + READ + b"\xff" + POLL[:-1] + b"\x00") * 500
    span = len(stream) * CHAR + 12_345_677
    whole = Chunk(7, 7 + span, stream)
    decoder = BusDecoder(LineSettings(9600))
    once = decoder.feed(whole) + decoder.close()
    count = len(stream)
    decoder = BusDecoder(LineSettings(9600))
    singly: list[Frame] = []
    for at in range(count):
        singly += decoder.feed(Chunk(7 + at * span // count, 7 + (at + 1) * span // count, stream[at : at + 1]))
    singly += decoder.close()
    assert singly == once
