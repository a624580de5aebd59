"""What well-known short frames look like to a receiver at the wrong rate, computed forward for all addresses.

A poll is the same octets for a given address and sequence number, so every way it can be heard at half, double or
any other rate can be listed, and a span that equals one of them exactly is named. Both neighbours are taken where a
sample falls on an edge. Receiver as in sheet sections 2 and 11 (a start bit that is gone at its middle is none);
character frame 8N1 at the sender (OSDP, sheet 5.2).
"""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from benchtool.capture.settings import CharFormat, Parity
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Command, Reply

_QUERIES = ((Command.POLL, b""), (Command.ID, b"\0"), (Command.CAP, b"\0"), (Command.LSTAT, b""))
_ADDRESSES = range(127)
_TICKS = 32
"""Parts of a receiver bit that time is counted in."""


@lru_cache(maxsize=1)
def _frames() -> tuple[tuple[bytes, ...], npt.NDArray[np.int8]]:
    """All frames of the list, and their line bits: shape (frames, longest in bits), idle after the end."""
    frames = [
        build_frame(address, code, data, sequence=sequence, crc=crc, reply=reply)
        for address in _ADDRESSES
        for crc in (True, False)
        for sequence in range(4)
        for code, data, reply in (*((c, d, False) for c, d in _QUERIES), (Reply.ACK, b"", True))
    ]
    longest = max(map(len, frames))
    padded = np.array([list(frame.ljust(longest, b"\0")) for frame in frames], dtype=np.uint8)
    data = np.unpackbits(padded, axis=1, bitorder="little").reshape(len(frames), longest, 8)
    lines = np.ones((len(frames), longest, 10), dtype=np.int8)
    lines[:, :, 0] = 0
    lines[:, :, 1:9] = data
    for index, frame in enumerate(frames):
        lines[index, len(frame) :] = 1
    return tuple(frames), lines.reshape(len(frames), longest * 10)


@lru_cache(maxsize=64)
def heard_as(
    ratio: Fraction, heard: CharFormat = CharFormat(), *, inverted: bool = False
) -> dict[bytes, tuple[bytes, ...]]:
    """Octets as received → the frames that sound like that, for a receiver `ratio` times as fast as the sender.

    `inverted`: the pair is reversed on the way, so the line idles low.
    """
    frames, lines = _frames()
    if inverted:
        lines = (1 - lines).astype(np.int8)
    table: dict[bytes, list[bytes]] = {}
    # Where a start bit is no longer than a sample's distance from an edge, receivers differ: some look again at its
    # middle, some do not.
    for lean, verify in ((1, True), (-1, True), *(((1, False), (-1, False)) if ratio < 1 else ())):
        for index, octets in enumerate(_listen(lines, ratio, heard, lean, verify=verify, idle=not inverted)):
            known = table.setdefault(octets, [])
            if frames[index] not in known:
                known.append(frames[index])
    return {octets: tuple(known) for octets, known in table.items()}


def _listen(
    lines: npt.NDArray[np.int8], ratio: Fraction, heard: CharFormat, lean: int, *, verify: bool, idle: bool
) -> list[bytes]:
    """Octets per line. Time in 1/`_TICKS` receiver bits; `lean` moves samples off exact edges, late or early."""
    count, width = lines.shape
    bit = ratio * _TICKS
    stop = heard.data_bits + (heard.parity is not Parity.NONE)
    octets: list[list[int]] = [[] for _ in range(count)]
    at = np.zeros(count)  # when the next look for a falling edge begins
    step = float(bit)
    rows = np.arange(count)
    alive = np.ones(count, dtype=bool)
    while alive.any():
        start = _next_fall(lines, at / step, idle)
        alive &= start < width
        start = np.where(alive, start, 0)
        begin = start * step
        middle = begin + 0.5 * _TICKS + lean * 0.5
        is_start = (
            alive.copy()
            if not verify
            else alive & (lines[rows, np.minimum((middle / step).astype(int), width - 1)] == 0)
        )
        value: npt.NDArray[np.int64] = np.zeros(count, dtype=np.int64)
        for bit_index in range(stop + 1):
            instant = begin + (1.5 + bit_index) * _TICKS + lean * 0.5
            place = np.minimum((instant / step).astype(int), width - 1)
            level = lines[rows, place]
            if bit_index < heard.data_bits:
                value |= level.astype(np.int64) << bit_index
            elif bit_index == stop:
                at = np.where(is_start, instant, middle)
        for index in np.flatnonzero(is_start):
            octets[index].append(int(value[index]))
    return [bytes(row) for row in octets]


def _next_fall(lines: npt.NDArray[np.int8], after: npt.NDArray[np.float64], idle: bool) -> npt.NDArray[np.int64]:
    """First bit at or after `after` (in bits) at which the line falls; the width where it never does.

    A line that is low at `after` must rise before it can fall, so a framing error needs no special case.
    """
    count, width = lines.shape
    before = np.concatenate([np.full((count, 1), idle, dtype=np.int8), lines[:, :-1]], axis=1)
    falls = (lines == 0) & (before == 1)
    falls &= np.arange(width)[None, :] >= np.ceil(after - 1e-9)[:, None]
    first: npt.NDArray[np.int64] = np.where(falls.any(axis=1), falls.argmax(axis=1), width)
    return first
