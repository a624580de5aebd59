"""Transmissions that overlap: the voltage at a listener while any number of drivers are on, off, or hold mark.

Where one driver alone is on, its edges and reflections are those of `Pair.volts`; where several are, the
direct-current network says the level.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from benchtool.capture.settings import LineSettings
from benchtool.wire.pair import Pair
from benchtool.wire.response import Floats
from benchtool.wire.signal import Signal
from benchtool.wire.uart import encode

DEAF_V = 1e6
"""Stands for the voltage where the common mode is out of the receiver's range: no noise changes its answer, mark."""


class Sent(NamedTuple):
    """A transmission among others: who, when its first start bit begins at the driver, what, and how it is set.

    `hold_s` is how long the driver stays on after the last stop bit, its own time if None. Without octets it is a
    driver that does nothing but hold mark.
    """

    node: str
    start_s: float
    octets: bytes
    settings: LineSettings
    clock_error: float = 0.0
    hold_s: float | None = None


class Talk(NamedTuple):
    """A transmission as the listener sees it: when its driver goes on, its last stop bit ends, its driver goes off."""

    node: str
    signal: Signal
    start_s: float
    delay_s: float
    hold_s: float
    on_s: float
    end_s: float
    off_s: float


def talk_of(pair: Pair, sent: Sent, listener: str) -> Talk:
    """A transmission as `listener` sees it."""
    driver = pair.node(sent.node).driver
    signal = encode(sent.octets, sent.settings, clock_error=sent.clock_error)
    hold_s = driver.hold_s if sent.hold_s is None else sent.hold_s
    delay = pair.delay_s(sent.node, listener)
    end_s = sent.start_s + signal.duration_s + delay
    on_s = sent.start_s + delay - driver.lead_s
    return Talk(sent.node, signal, sent.start_s, delay, hold_s, on_s, end_s, end_s + hold_s)


def volts_together(pair: Pair, talks: Sequence[Talk], listener: str, times: Floats) -> Floats:
    """Voltage at the listener's ticks; where the common mode is out of its range, what stands for mark."""
    states = np.zeros((len(talks), len(times)), dtype=np.int64)
    for state, talk in zip(states, talks, strict=True):
        if pair.node(talk.node).connected:
            marks = talk.signal.marks_at(times - talk.delay_s - talk.start_s)
            state[:] = np.where((times >= talk.on_s) & (times < talk.off_s), np.where(marks, 1, 2), 0)
    codes, places = np.unique(3 ** np.arange(len(talks)) @ states, return_inverse=True)
    seen = []
    for code in codes:
        digits = [int(code) // 3**place % 3 for place in range(len(talks))]
        driving = {talk.node: digit == 1 for talk, digit in zip(talks, digits, strict=True) if digit}
        seen.append(pair.levels(driving)[listener])
    volts = np.array([level.difference_v for level in seen])[places]
    on = states > 0
    alone = on.sum(axis=0) <= 1
    # Whose edges or letting go a tick shows: who is on, else who was last, before all the first.
    ends = np.array([[talk.off_s] for talk in talks]) - times[0]
    latest = np.argmax(np.where(on, np.inf, np.where(ends <= times - times[0], ends, -ends)), axis=0)
    for index, talk in enumerate(talks):
        own = np.flatnonzero(alone & (latest == index))
        volts[own] = pair.volts(talk.node, listener, talk.signal, times[own] - talk.start_s, hold_s=talk.hold_s)
    receiver = pair.node(listener).receiver
    deaf = np.array([not receiver.bears(level.common_v) for level in seen])[places]
    volts[deaf] = DEAF_V
    return volts
