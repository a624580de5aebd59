"""Traffic that fits no cause: protocols that nobody here knows, and lines on which nobody talks."""

from __future__ import annotations

from collections.abc import Iterator

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.train.lines import Generator, log_uniform


def unknown_traffic(rng: Generator, settings: LineSettings, seconds: float) -> Iterator[Chunk]:
    """A controller and devices of an invented protocol: fixed beginning, address, length, a sum or some other check."""
    begin = rng.bytes(int(rng.integers(0, 3))) or bytes((int(rng.integers(1, 250)),))
    if begin[0] == 0x53:
        begin = b"\x02" + begin[1:]
    ending = rng.bytes(int(rng.integers(0, 2)))
    count = int(rng.integers(1, 9))
    replies = rng.random() < 0.8
    body = int(rng.integers(1, 9))
    fixed = rng.random() < 0.5
    gap_ns = round(log_uniform(rng, 1, 200) * 1e6)
    wait_ns = round(log_uniform(rng, 0.5, 20) * 1e6)
    constant = rng.bytes(body)
    now = 0
    turn = 0

    def frame(address: int, data: bytes) -> bytes:
        inner = bytes((address, len(data))) + data
        return begin + inner + bytes(((sum(inner) ^ 0x5A) & 0xFF,)) + ending

    def chunk(octets: bytes) -> Chunk:
        return Chunk(now, now + len(octets) * settings.char_ns, octets)

    while now < seconds * 1e9:
        address = 1 + turn % count
        asked = chunk(frame(address, constant if fixed else rng.bytes(body)))
        yield asked
        now = asked.end_ns + wait_ns
        if replies:
            answered = chunk(frame(address | 0x80, rng.bytes(int(rng.integers(1, 12))) if not fixed else constant))
            yield answered
            now = answered.end_ns
        now += gap_ns
        turn += 1


def silence() -> Iterator[Chunk]:
    """Nobody talks."""
    return iter(())
