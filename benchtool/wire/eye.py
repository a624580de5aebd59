"""Whether a receiver surely hears what is sent, whatever the octets, so that no voltage needs to be computed.

The worst case is computed (peak distortion): what every earlier bit still does is counted where it is against
the receiver, and Gaussian noise with seven standard deviations. Where that is too much, nothing is said, and the
voltages decide. Only the idle pair before and after may be less safe: then its margin is told.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from benchtool.capture.settings import LineSettings, Parity
from benchtool.wire.pair import Pair, Transfer
from benchtool.wire.response import StepResponse
from benchtool.wire.uart import UartReceiver

SAFE_SIGMAS = 7.0
"""Noise that would need more than this to change a decision is not drawn: 1.3e-12 a decision."""
_MOST_BITS = 100
_POINTS = 256
_ARRIVED = 1e-3


class Sure(NamedTuple):
    """Any octets arrive as sent, without marks; the line is at mark before and after, but for noise on the idle pair.

    `delay_s` is the time from a start bit's edge at the driver until the listener's comparator turns. `idle_margin_v`
    is how far noise must reach, at the least, to turn the comparator to space while the pair is idle, the driver
    enabled or let go; infinite where noise cannot.
    """

    delay_s: float
    idle_margin_v: float


class _Limits(NamedTuple):
    """The receiver's turning points, and how far noise may reach. Volts."""

    low: float
    high: float
    noise: float


def sure_way(
    pair: Pair,
    driver: str,
    listener: str,
    sent: LineSettings,
    receiver: UartReceiver,
    *,
    sender_clock_error: float = 0.0,
) -> Sure | None:
    """Whether one node surely hears another; None if anything is unsure. The listener's idle state must be mark."""
    own, other = pair.node(driver), pair.node(listener)
    if sent.format != receiver.settings.format or not (own.connected and other.connected):
        return None
    if not _bears(pair, driver, listener):
        return None
    part = other.receiver
    half = part.hysteresis_v / 2
    noise = SAFE_SIGMAS * pair.noise.rms_v
    limits = _Limits(part.threshold_v - half, part.threshold_v + half, noise)
    seen, near = pair.transfer(driver, listener), pair.transfer(driver, driver)
    swing = float(seen.edge.volts[-1])
    bit_s = 1.0 / (sent.baud * (1.0 + sender_clock_error))
    longest = max(seen.shape.settled_s, near.shape.settled_s)
    if seen.mark - limits.high <= noise or swing <= seen.mark - limits.low + noise or longest > _MOST_BITS * bit_s:
        return None
    # The driver's enabling may still ring as well.
    late = seen.shape.times_s > own.driver.lead_s + _first(seen.shape, _ARRIVED)
    enabling = abs(seen.mark - seen.idle) * float(np.abs(seen.shape.volts - 1.0).max(initial=0.0, where=late))
    space = seen.mark - swing
    worst = _Worst(seen.shape, bit_s)
    held = worst.held_s(
        (limits.low - noise - enabling - space) / swing, (limits.high + noise + enabling - space) / swing
    )
    older = swing * worst.sag
    if (
        held is None
        or seen.mark - older - enabling < limits.low + noise
        or not _votes_hold(*held, bit_s, sent, receiver)
    ):
        return None
    margin = _idle_margin_v(seen, near, limits, older, _Worst(near.shape, bit_s).off)
    return None if margin is None else Sure(_first(seen.shape, (seen.mark - limits.low) / swing), margin)


def _bears(pair: Pair, driver: str, listener: str) -> bool:
    part = pair.node(listener).receiver
    idle, mark, space = pair.levels({}), pair.levels({driver: True}), pair.levels({driver: False})
    return all(part.bears(levels[listener].common_v) for levels in (idle, mark, space))


def _votes_hold(begin: float, calm: float, bit_s: float, sent: LineSettings, receiver: UartReceiver) -> bool:
    """Whether all votes of a character fall between where its bits are calm and where the next edge begins."""
    form = sent.format
    tick = receiver.tick_s
    first_vote = receiver.oversample // 2 - 1
    last_bit = form.data_bits + (form.parity is not Parity.NONE) + 1
    drift = last_bit * (receiver.oversample * tick - bit_s)
    earliest = begin + first_vote * tick + min(0.0, drift)
    latest = calm + (first_vote + 3) * tick + max(0.0, drift)
    return calm <= earliest and latest <= bit_s + begin


def _idle_margin_v(seen: Transfer, near: Transfer, limits: _Limits, older: float, after: float) -> float | None:
    """How far noise must reach on the idle pair, while the driver is enabled, and when it lets go; None for unsure."""
    enabled = float((seen.idle + (seen.mark - seen.idle) * seen.shape.volts).min())
    # What still rings at the driver when it lets go is taken out of the pair: that too may ring.
    taken = after * abs(float(near.edge.volts[-1]) / near.drop) * float(np.abs(np.diff(seen.release.volts)).sum())
    released = float((seen.mark + seen.release.volts).min()) - older - taken
    lowest = min(seen.idle, enabled, released)
    if lowest > limits.low + limits.noise:
        return math.inf
    return lowest - limits.low if lowest > limits.low else None


def _first(shape: StepResponse, share: float) -> float:
    """When an edge first passes a share of its end value; its end if it never does."""
    place = int(np.argmax(shape.volts > share))
    if not shape.volts[place] > share:
        return shape.settled_s
    if place == 0:
        return float(shape.times_s[0])
    low, high = float(shape.volts[place - 1]), float(shape.volts[place])
    start, end = float(shape.times_s[place - 1]), float(shape.times_s[place])
    return start + (end - start) * (share - low) / (high - low)


class _Worst:
    """What any bits before can make of a bit, as shares of the swing: 0 is space, 1 is mark.

    Rows of `_parts` are what the bit itself, the one before it and so on still add, over one bit's time.
    """

    def __init__(self, shape: StepResponse, bit_s: float) -> None:
        self._arrival = _first(shape, _ARRIVED)
        self._step = bit_s / _POINTS
        count = max(2, math.ceil((shape.settled_s - self._arrival) / bit_s) + 2)
        times = self._arrival + np.arange(_POINTS) * self._step
        ages = np.arange(-1, count)[:, None] * bit_s
        self._parts = np.diff(shape.at((times + ages).ravel()).reshape(count + 1, _POINTS), axis=0)
        older = self._parts[2:]
        self._less = np.minimum(older, 0.0).sum(axis=0)
        self._more = np.maximum(older, 0.0).sum(axis=0)
        steady = self._parts[0] + self._parts[1]
        self.sag = max(0.0, 1.0 - float((steady + self._less).min()))
        """How far a mark after a mark falls at worst."""
        self.off = max(self.sag, float((steady + self._more).max()) - 1.0)
        """How far a mark after a mark is off at worst, either way."""

    def held_s(self, down: float, up: float) -> tuple[float, float] | None:
        """Until when a bit surely holds from before, and from when it surely is: at most `down`, at least `up`."""
        now, before = self._parts[0], self._parts[1]
        lost = (before + self._less < up) | (now + self._more > down)
        unsure = (now + np.minimum(before, 0.0) + self._less < up) | (np.maximum(before, 0.0) + self._more > down)
        if unsure[-1] or not lost.any() or lost[0]:
            return None
        begin = int(np.argmax(lost)) - 1
        calm = int(np.flatnonzero(unsure)[-1]) + 1
        return self._arrival + begin * self._step, self._arrival + calm * self._step
