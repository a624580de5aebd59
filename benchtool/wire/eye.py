"""Whether a receiver surely hears what is sent, whatever the octets, so that no voltage needs to be computed.

The worst case is bounded: every edge that is still ringing counts with the most it can do from then on, all against
the receiver, and Gaussian noise with seven standard deviations. Where that is too much, nothing is said, and the
voltages decide. Only the idle pair before and after may be less safe: then its margin is told.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from benchtool.capture.settings import LineSettings, Parity
from benchtool.wire.pair import Pair, Transfer
from benchtool.wire.response import Floats, StepResponse
from benchtool.wire.uart import UartReceiver

SAFE_SIGMAS = 7.0
"""Noise that would need more than this to change a decision is not drawn: 1.3e-12 a decision."""
_MOST_BITS = 200
_ARRIVED = 1e-3
_NO_DIP_V = 0.01


class Sure(NamedTuple):
    """Any octets arrive as sent, without marks; the line is at mark before and after, but for noise on the idle pair.

    `delay_s` is the time from a start bit's edge at the driver until the listener's comparator turns. `idle_margin_v`
    is how far noise must reach on the idle pair to turn it to space; infinite where noise cannot.
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
    limits = _Limits(part.threshold_v - half, part.threshold_v + half, SAFE_SIGMAS * pair.noise.rms_v)
    seen = pair.transfer(driver, listener)
    swing = float(seen.edge.volts[-1])
    space = seen.mark - swing
    bit_s = 1.0 / (sent.baud * (1.0 + sender_clock_error))
    room = min(seen.mark - limits.high, limits.low - space) - limits.noise
    if room <= 0 or seen.shape.settled_s > _MOST_BITS * bit_s:
        return None
    ringing = _Ringing(seen.shape, bit_s)
    room -= abs(seen.mark - seen.idle) * float(ringing.most(np.array([own.driver.lead_s]))[0])
    arrival = _first(seen.shape, _ARRIVED)
    older = swing * ringing.together(arrival + bit_s)
    begin = _first(seen.shape, max(0.0, room - older) / swing)
    calm = ringing.calm_s(room / swing)
    if calm is None or older >= room:
        return None
    if not _votes_hold(begin, calm, bit_s, sent, receiver):
        return None
    after = _Ringing(pair.transfer(driver, driver).shape, bit_s).together(bit_s + own.driver.hold_s)
    margin = _idle_margin_v(seen, pair.transfer(driver, driver), limits, older, after)
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
    # Noise is then drawn for the idle level: nothing else may be nearer to the turning point.
    return seen.idle - limits.low if lowest > max(limits.low, seen.idle - _NO_DIP_V) else None


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


class _Ringing:
    """How far an edge, and all before it at their worst, may be from their end values, as shares of the swing."""

    def __init__(self, shape: StepResponse, bit_s: float) -> None:
        self._times = shape.times_s
        self._bit_s = bit_s
        self._most = np.maximum.accumulate(np.abs(shape.volts - 1.0)[::-1])[::-1]
        self._edges = max(1, math.ceil((shape.settled_s - float(shape.times_s[0])) / bit_s) + 1)

    def most(self, after_s: Floats) -> Floats:
        """The most that one edge is off, at any time from then on."""
        return np.asarray(np.interp(after_s, self._times, self._most, right=0.0))

    def together(self, after_s: float) -> float:
        """An edge of that age, and one of every bit before it."""
        return float(self.most(after_s + np.arange(self._edges) * self._bit_s).sum())

    def calm_s(self, share: float) -> float | None:
        """The age from which on all together stay within a share; None if that takes more than a bit."""
        first = float(self._times[0])
        if self.together(first + self._bit_s) > share:
            return None
        low, high = first, first + self._bit_s
        for _ in range(30):
            middle = (low + high) / 2
            low, high = (low, middle) if self.together(middle) <= share else (middle, high)
        return high
