"""One data line of a reader: open-collector driver, cable, pull-up at the controller, and the controller's input.

Typical: 1 kOhm to 5 V at the controller (reference sheet 6.1), rest high, pulled low for a bit. The reader's 0 V is
lifted by its supply current in the ground wire: 100 mA through 10 ohm is 1 V (same place). Copper by gauge: sheet 1.6.
Capacitance and input levels are from memory: about 100 pF a metre from a core to all others, low below 0.8 V and high
above 2.0 V. The cable is short against its pulses, so it is one resistance with half its capacitance at either end.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from benchtool.wire.cable import AWG_OHM_PER_KM

LOW_V, HIGH_V = 0.8, 2.0
"""Input levels of a 5 V logic input (from memory)."""
FARAD_PER_M = 100e-12
"""A core of a cable against all others (from memory)."""
_LEAST_OHM = 0.05
_LEAST_FARAD = 50e-12
"""What terminals and an input have at least (from memory)."""
_HALVINGS = 40


class Low(NamedTuple):
    """The driver pulls from `start_s` for `width_s`."""

    start_s: float
    width_s: float


class Crossing(NamedTuple):
    """The input takes the line for high, or low, from here on."""

    t_s: float
    high: bool


@dataclass(frozen=True, slots=True)
class DataLine:
    """D0 or D1. Volts are against the controller's 0 V, ohms are 0 or more, infinite for what is not there."""

    length_m: float = 30.0
    ohm_per_m: float = AWG_OHM_PER_KM[22] / 1000
    """One core."""
    farad_per_m: float = FARAD_PER_M
    joint_ohm: float = 0.0
    """In series with the core: a bad joint, a protective resistor; infinite for a line that is open."""
    pull_up_ohm: float = 1000.0
    pull_up_v: float = 5.0
    reader_pull_up_ohm: float = math.inf
    """To the same voltage above the reader's own 0 V; many readers have one (common practice)."""
    driver_ohm: float = 5.0
    driver_v: float = 0.1
    """What the open collector leaves when it pulls, besides its resistance."""
    ground_v: float = 0.0
    """How far the reader's 0 V lies above the controller's."""
    leak_ohm: float = math.inf
    """From the line to the controller's 0 V, at the controller's end: damp, a crushed cable, a short."""

    @property
    def series_ohm(self) -> float:
        """From the reader to the controller."""
        return max(_LEAST_OHM, self.length_m * self.ohm_per_m + self.joint_ohm)

    @property
    def farad(self) -> float:
        """Of the whole line."""
        return max(2 * _LEAST_FARAD, self.length_m * self.farad_per_m)

    def steady_v(self, *, pulled: bool, load_ohm: float = math.inf) -> float:
        """At the controller, settled, while the reader pulls or not; with a resistor to 0 V held to the terminal."""
        return self._mode(pulled, load_ohm).end[0]

    def rise_s(self) -> float:
        """From 10 to 90 % of a lone RC: ln 9 (2.2) times pull-up times capacitance."""
        parallel = 1 / (1 / self.pull_up_ohm + 1 / self.reader_pull_up_ohm + 1 / self.leak_ohm)
        return math.log(9) * parallel * self.farad

    def volts(self, lows: Sequence[Low], times_s: Iterable[float]) -> list[float]:
        """At the controller at rising times; `lows` rising, apart from each other; settled before the first."""
        found = []
        spans = self._spans(lows)
        span = next(spans)
        following = next(spans, None)
        for t_s in times_s:
            while following is not None and t_s >= following.begin_s:
                span, following = following, next(spans, None)
            found.append(span.mode.at(span.state, t_s - span.begin_s)[0] if t_s > span.begin_s else span.state[0])
        return found

    def crossings(
        self, lows: Sequence[Low], end_s: float, low_v: float = LOW_V, high_v: float = HIGH_V
    ) -> tuple[bool, list[Crossing]]:
        """What an input with these two levels (hysteresis) takes the line for: at rest before, and each change."""
        spans = list(self._spans(lows))
        high = spans[0].state[0] > (low_v + high_v) / 2
        before = high
        found: list[Crossing] = []
        for place, span in enumerate(spans):
            until_s = spans[place + 1].begin_s if place + 1 < len(spans) else end_s
            length_s = until_s - (span.begin_s if place else min(until_s, 0.0))
            level_v = low_v if high else high_v
            if length_s <= 0 or (span.mode.at(span.state, length_s)[0] < level_v) != high:
                continue
            t_s = span.mode.when(span.state, level_v, length_s, falling=high)
            high = not high
            found.append(Crossing(span.begin_s + t_s, high))
        return before, found

    def _spans(self, lows: Sequence[Low]) -> Iterator[_Span]:
        return _walk(self._mode(False), self._mode(True), lows)

    def _mode(self, pulled: bool, load_ohm: float = math.inf) -> _Mode:
        cable = 1 / self.series_ohm
        end = 1 / self.pull_up_ohm + 1 / max(_LEAST_OHM, self.leak_ohm) + 1 / max(_LEAST_OHM, load_ohm)
        fed_end = self.pull_up_v / self.pull_up_ohm
        # A driver that is off leaks a little, so that a reader without pull-up has a level of its own too.
        begin = 1 / self.reader_pull_up_ohm + 1e-9
        fed_begin = (self.pull_up_v + self.ground_v) / self.reader_pull_up_ohm + 1e-9 * self.ground_v
        # An open collector pulls only what lies above its own low level.
        low_v = self.ground_v + self.driver_v
        pulls = pulled and low_v < self.pull_up_v
        if pulls:
            begin += 1 / max(_LEAST_OHM, self.driver_ohm)
            fed_begin += low_v / max(_LEAST_OHM, self.driver_ohm)
        half = self.farad / 2
        return _Mode.of(end + cable, cable, begin + cable, fed_end, fed_begin, half)


class _Mode(NamedTuple):
    """Two nodes with capacitance, controller's and reader's, joined by the cable, while nothing is switched."""

    end: tuple[float, float]
    """Volts of both in the end."""
    slow: float
    fast: float
    """Rates of decay, 1/s, both below 0."""
    share: tuple[float, float, float, float]
    """Of a distance from the end, what decays slowly: a matrix."""

    @classmethod
    def of(cls, first: float, across: float, second: float, fed: float, fed_far: float, farad: float) -> _Mode:
        """From conductances at each node (`across` joins them) and the currents fed in."""
        whole = first * second - across * across
        end = ((fed * second + fed_far * across) / whole, (fed_far * first + fed * across) / whole)
        a, b, d = -first / farad, across / farad, -second / farad
        root = math.hypot(a - d, 2 * b)
        fast = (a + d - root) / 2
        slow = (a * d - b * b) / fast  # their product is the determinant: no digits lost where they lie far apart
        span = slow - fast
        return cls(end, slow, fast, ((a - fast) / span, b / span, b / span, (d - fast) / span))

    def at(self, state: tuple[float, float], after_s: float) -> tuple[float, float]:
        x, y = state[0] - self.end[0], state[1] - self.end[1]
        slow_x = self.share[0] * x + self.share[1] * y
        slow_y = self.share[2] * x + self.share[3] * y
        one, other = math.exp(self.slow * after_s), math.exp(self.fast * after_s)
        return (self.end[0] + one * slow_x + other * (x - slow_x), self.end[1] + one * slow_y + other * (y - slow_y))

    def when(self, state: tuple[float, float], level_v: float, within_s: float, *, falling: bool) -> float:
        """When the controller's end crosses a level that it has crossed by `within_s`."""
        early, late = 0.0, within_s
        for _ in range(_HALVINGS):
            middle = (early + late) / 2
            if (self.at(state, middle)[0] < level_v) == falling:
                late = middle
            else:
                early = middle
        return late


class _Span(NamedTuple):
    begin_s: float
    state: tuple[float, float]
    mode: _Mode


def _walk(off: _Mode, on: _Mode, lows: Sequence[Low]) -> Iterator[_Span]:
    state, begin_s, mode = off.end, -math.inf, off
    yield _Span(0.0 if not lows else min(0.0, lows[0].start_s), state, off)
    for low in lows:
        for t_s, following in ((low.start_s, on), (low.start_s + low.width_s, off)):
            if math.isfinite(begin_s):
                state = mode.at(state, t_s - begin_s)
            begin_s, mode = t_s, following
            yield _Span(begin_s, state, mode)


def ground_shift_v(supply_a: float, ground_ohm: float) -> float:
    """How far a supply current lifts the reader's 0 V: 100 mA through 10 ohm is 1 V (sheet 6.1)."""
    return supply_a * ground_ohm
