"""Received octets as chunks: what a station or the tap is handed of one transmission or one silence."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.wire.uart import ReceivedOctet

NS = 1_000_000_000
_APART_CHARS = 1.5
"""Octets further apart than this are delivered as separate chunks."""


def to_chunks(octets: Iterable[ReceivedOctet], start_ns: int, settings: LineSettings) -> Iterator[Chunk]:
    """Received octets, timed from `start_ns`, as chunks of octets that follow each other without a pause."""
    apart_s = _APART_CHARS * settings.char_ns / NS
    run: list[ReceivedOctet] = []
    for octet in octets:
        if run and octet.start_s - run[-1].end_s > apart_s:
            yield _chunk(run, start_ns)
            run = []
        run.append(octet)
    if run:
        yield _chunk(run, start_ns)


def moved(chunks: Iterable[Chunk], by_ns: int) -> list[Chunk]:
    """The same chunks, `by_ns` later."""
    return [Chunk(by_ns + t_ns, by_ns + end_ns, values, marks) for t_ns, end_ns, values, marks, _ in chunks]


def _chunk(run: list[ReceivedOctet], start_ns: int) -> Chunk:
    marks = bytes(octet.marks for octet in run)
    return Chunk(
        start_ns + round(run[0].start_s * NS),
        start_ns + round(run[-1].end_s * NS),
        bytes(octet.value for octet in run),
        marks if any(marks) else b"",
    )
