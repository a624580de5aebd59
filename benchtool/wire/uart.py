"""Asynchronous characters: octets to a line signal, and a 16-times receiver that makes octets of a line again.

Facts: character layout and the receiver's votes, sheet section 2 (samples 8, 9 and 10 of 16, counted from the first
low sample). The receiver sees nothing but its comparator, so wrong speed, wrong parity or a reversed pair come out
as a real one would show them.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchtool.capture.chunk import Mark
from benchtool.capture.settings import CharFormat, LineSettings, Parity
from benchtool.wire.signal import MARK, SPACE, Bools, Signal, Times

Sampler = Callable[[Times], Bools]
"""Asked for instants in rising order, each once; answers True where the comparator shows mark."""

_BLOCK_TICKS = 1 << 14


class ReceivedOctet(NamedTuple):
    """One octet out of a receiver. `marks` holds `Mark` bits. Times are those of its start edge and of its end."""

    value: int
    marks: int
    start_s: float
    end_s: float


def parity_bit(value: int, parity: Parity) -> int:
    """The parity bit, 0 or 1, that belongs to `value`; 1 also for no parity, where none is sent."""
    if parity is Parity.EVEN:
        return value.bit_count() & 1
    if parity is Parity.ODD:
        return 1 - (value.bit_count() & 1)
    return 0 if parity is Parity.SPACE else 1


@lru_cache(maxsize=64)
def _patterns(form: CharFormat) -> NDArray[np.int8]:
    """Rows of +1 and -1 for each value: start, data with the lowest bit first, parity if any, stop."""
    rows = []
    for value in range(1 << form.data_bits):
        bits = [0, *((value >> place) & 1 for place in range(form.data_bits))]
        if form.parity is not Parity.NONE:
            bits.append(parity_bit(value, form.parity))
        rows.append([*bits, 1])
    return np.where(np.array(rows) > 0, MARK, SPACE).astype(np.int8)


def encode(octets: bytes, settings: LineSettings, *, gap_bits: float = 0.0, clock_error: float = 0.0) -> Signal:
    """Octets as a sender puts them on the line, from t = 0, the first start bit's edge.

    `gap_bits` is the pause between characters in bit times. `clock_error` is a share of the rate: +0.02 sends 2 % too
    fast. Where fewer than 8 data bits are set, the octet's upper bits are not sent.
    """
    form = settings.format
    bit_s = 1.0 / (settings.baud * (1.0 + clock_error))
    rows = _patterns(form)
    values = np.frombuffer(octets, dtype=np.uint8) & ((1 << form.data_bits) - 1)
    pitch = form.bits + gap_bits
    places = np.arange(len(octets))[:, None] * pitch + np.arange(rows.shape[1])
    levels = rows[values].ravel()
    before = np.concatenate((np.array([MARK], dtype=np.int8), levels[:-1])) if len(octets) else levels
    edges = np.flatnonzero(levels != before)
    duration = (len(octets) * pitch - gap_bits) * bit_s if octets else 0.0
    return Signal(places.ravel()[edges] * bit_s, levels[edges], duration)


class _Reading(NamedTuple):
    """What the votes of one character say. A false start has no value."""

    value: int
    marks: int
    false_start: bool


@lru_cache(maxsize=64)
def _readings(form: CharFormat) -> dict[int, _Reading]:
    """A table, filled as needed, from the votes (one octet a bit, in one integer) to what they say."""
    del form
    return {}


def read_bits(bits: bytes, form: CharFormat) -> tuple[int, int]:
    """Value and marks of one character; `bits` are 0 or 1: data with the lowest first, parity if any, first stop."""
    value = sum(bit << place for place, bit in enumerate(bits[: form.data_bits]))
    marks = Mark.NONE
    if form.parity is not Parity.NONE and bits[form.data_bits] != parity_bit(value, form.parity):
        marks |= Mark.PARITY
    if not bits[-1]:
        marks |= Mark.FRAMING
        if not any(bits):
            # A break says nothing of parity: whether its zero "fits" is chance.
            marks = Mark.FRAMING | Mark.BREAK
    return value, int(marks)


class GridDecoder:
    """The receiver's logic over comparator samples, one a tick of its own clock; push, in lumps of any size.

    After a good stop bit it looks for the next low sample at once; after a framing error it first waits for high.
    """

    def __init__(self, form: CharFormat, oversample: int = 16, *, high: bool = True) -> None:
        if oversample < 8 or oversample % 2:
            raise ValueError(f"a receiver samples a bit 8, 16 or another even number of times, not {oversample}")
        self._form = form
        self._table = _readings(form)
        self._step = oversample
        self._vote = oversample // 2 - 1
        self._bits = form.data_bits + (form.parity is not Parity.NONE) + 2
        self._reach = self._vote + 3 + oversample * (self._bits - 1)
        self._high = high
        self._pending = b""
        self._base = 0

    @property
    def is_idle(self) -> bool:
        """True if nothing has begun: no low sample since the last character, and not waiting for high."""
        return self._high and not self._pending

    @property
    def is_held_low(self) -> bool:
        """True if it waits for the line to go high."""
        return not self._high

    def feed(self, samples: bytes) -> list[tuple[int, int, int]]:
        """Take samples (0 or 1 an octet); give (value, marks, tick of the start edge) for each finished character."""
        line = self._pending + samples if self._pending else samples
        found: list[tuple[int, int, int]] = []
        step, vote, reach = self._step, self._vote, self._reach
        size = len(line)
        position = 0
        while True:
            if not self._high:
                position = line.find(1, position)
                if position < 0:
                    position = size
                    break
                self._high = True
            edge = line.find(0, position)
            if edge < 0:
                position = size
                break
            end = edge + reach
            if end > size:
                position = edge
                break
            one = int.from_bytes(line[edge + vote : end - 2 : step], "big")
            two = int.from_bytes(line[edge + vote + 1 : end - 1 : step], "big")
            three = int.from_bytes(line[edge + vote + 2 : end : step], "big")
            votes = (one & two) | (one & three) | (two & three)
            reading = self._table.get(votes) or self._read(votes)
            if reading.false_start:
                position = edge + vote + 3
                continue
            found.append((reading.value, reading.marks, self._base + edge))
            self._high = not reading.marks & Mark.FRAMING
            # A fast sender's next start bit may be under the last of the three samples that the stop bit was voted by.
            position = end - 1 if self._high else end
        self._pending = line[position:]
        self._base += position
        return found

    def _read(self, votes: int) -> _Reading:
        bits = votes.to_bytes(self._bits, "big")
        value, marks = read_bits(bits[1:], self._form)
        reading = self._table[votes] = _Reading(value, marks, bool(bits[0]))
        return reading


class UartReceiver:
    """A receiver set to `settings`; `clock_error` +0.02 means that its clock runs 2 % fast.

    `oversample` is the ticks a bit. `ideal=True` is the receiver of sheet section 11 instead: the exact start edge,
    one sample in the middle of each bit.
    """

    def __init__(
        self, settings: LineSettings, *, clock_error: float = 0.0, oversample: int = 16, ideal: bool = False
    ) -> None:
        GridDecoder(settings.format, oversample)
        self.settings = settings
        self.oversample = oversample
        self.ideal = ideal
        self.bit_s = 1.0 / (settings.baud * (1.0 + clock_error))
        self.tick_s = self.bit_s / oversample

    def receive(
        self, sample: Sampler, start_s: float, stop_s: float, *, line_high_before: bool = True
    ) -> list[ReceivedOctet]:
        """Every character whose stop bit is sampled in `start_s` … `stop_s`.

        `line_high_before=False`: the line was at space before, the receiver waits for mark and reports no break for it.
        """
        if self.ideal:
            return self._receive_ideal(sample, start_s, stop_s)
        decoder = GridDecoder(self.settings.format, self.oversample, high=line_high_before)
        ticks = max(0, int((stop_s - start_s) / self.tick_s) + 1)
        found: list[tuple[int, int, int]] = []
        for first in range(0, ticks, _BLOCK_TICKS):
            places = np.arange(first, min(ticks, first + _BLOCK_TICKS))
            found += decoder.feed(sample(start_s + places * self.tick_s).tobytes())
        return self.timed(found, start_s)

    def timed(self, found: list[tuple[int, int, int]], start_s: float) -> list[ReceivedOctet]:
        """Turn ticks into seconds. An octet ends a character's length after its edge, or where the next one begins."""
        length = self.settings.format.bits * self.bit_s
        tick = self.tick_s
        starts = [start_s + edge * tick for _, _, edge in found]
        after = [*starts[1:], float("inf")][: len(starts)]
        ends = [min(begin + length, following) for begin, following in zip(starts, after, strict=True)]
        return [
            ReceivedOctet(value, marks, begin, end)
            for (value, marks, _), begin, end in zip(found, starts, ends, strict=True)
        ]

    def _receive_ideal(self, sample: Sampler, start_s: float, stop_s: float) -> list[ReceivedOctet]:
        edges = _falling_edges(sample, start_s, stop_s, self.tick_s)
        form = self.settings.format
        count = form.data_bits + (form.parity is not Parity.NONE) + 1
        middles = (np.arange(count + 1) + 0.5) * self.bit_s
        found: list[ReceivedOctet] = []
        place = 0
        while place < len(edges):
            edge = float(edges[place])
            stop_sample = edge + float(middles[-1])
            if stop_sample > stop_s:
                break
            bits = sample(edge + middles).tobytes()
            if bits[0]:
                place += 1
                continue
            value, marks = read_bits(bits[1:], form)
            found.append(ReceivedOctet(value, marks, edge, edge + form.bits * self.bit_s))
            place = int(np.searchsorted(edges, stop_sample))
        return found


def _falling_edges(sample: Sampler, start_s: float, stop_s: float, step_s: float) -> Times:
    """Instants at which a noise-free line falls: seen on a grid, then narrowed by halving to a millionth of a step."""
    grid = start_s + np.arange(max(2, int((stop_s - start_s) / step_s) + 1)) * step_s
    seen = sample(grid)
    places = np.flatnonzero(seen[:-1] & ~seen[1:])
    high, low = grid[places], grid[places + 1]
    for _ in range(24 if len(places) else 0):
        middle = (high + low) / 2
        still = sample(middle)
        high, low = np.where(still, middle, high), np.where(still, low, middle)
    return np.asarray(low, dtype=np.float64)
