"""The way from one driver to one listener, both set, and where transmissions on it lie on the listener's clock.

The times of so many octets are the same for any octets: they are worked out once.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from benchtool.capture.settings import LineSettings
from benchtool.wire.eye import Sure
from benchtool.wire.uart import ReceivedOctet, UartReceiver

IDLE_BITS = 12
"""How long the receiver is followed after the driver has let go, in bits."""
PHASES = 64
"""Ways in which a receiver's clock lies to a transmission, each as likely as the others."""
_MOST_GRIDS = 4096


class Grid(NamedTuple):
    """Where a transmission of so many octets lies on the receiver's clock. Seconds from the first start bit's edge."""

    start_s: float
    stop_s: float
    end_s: float
    begins: tuple[float, ...]
    """When each octet begins at the receiver, on a sure way; else empty."""
    ends: tuple[float, ...]
    driven: tuple[int, int]


class Way(NamedTuple):
    """From one driver to one listener, both set."""

    number: int
    phase: int
    """What the receiver's clock is drawn from, with the octets."""
    driver: str
    listener: str
    sent: LineSettings
    sender_error: float
    receiver: UartReceiver
    bit_s: float
    lead_s: float
    hold_s: float
    delay_s: float
    sure: Sure | None
    trips: float
    """On a sure way: how likely, at the most, noise at a tick of the idle pair makes it a space."""
    mask: bytes
    """What arrives of each octet: fewer than 8 data bits leave the upper ones out."""
    grids: dict[tuple[int, float, int], Grid]
    """By how many octets, their pause, and the phase of the clock."""

    def grid(self, count: int, gap_bits: float, phase: int) -> Grid:
        """The times of `count` octets, which are the same for any octets."""
        known = self.grids.get((count, gap_bits, phase))
        if known is None:
            if len(self.grids) >= _MOST_GRIDS:
                self.grids.clear()
            known = self.grids[count, gap_bits, phase] = self._grid(count, gap_bits, phase)
        return known

    def _grid(self, count: int, gap_bits: float, phase: int) -> Grid:
        receiver, tick_s = self.receiver, self.receiver.tick_s
        start = -self.lead_s - (2 * receiver.oversample + phase / PHASES) * tick_s
        pitch_s = (self.sent.format.bits + gap_bits) * self.bit_s
        end = max(0.0, count * pitch_s - gap_bits * self.bit_s) + self.delay_s
        stop = end + self.hold_s + IDLE_BITS * receiver.bit_s
        on = math.ceil((self.delay_s - self.lead_s - start) / tick_s)
        off = math.ceil((end + self.hold_s - start) / tick_s)
        told: list[ReceivedOctet] = []
        if self.sure is not None:
            first = self.sure.delay_s - start
            told = receiver.timed([(0, 0, math.ceil((first + n * pitch_s) / tick_s)) for n in range(count)], start)
        begins, ends = tuple(octet.start_s for octet in told), tuple(octet.end_s for octet in told)
        return Grid(start, stop, end, begins, ends, (on, off))
