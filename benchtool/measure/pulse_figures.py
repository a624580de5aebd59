"""Pulses of D0 and D1 against the published limits: width, spacing, never both low, idle high; jitter and what is odd.

Limits: reference sheet 6.1, as reader manuals quote SIA AC-01-1996.10. The manuals say "pulse interval" without saying
from where to where. Here spacing is from start to start, as their own typical frames come out; where counting from the
end of a pulse would give another verdict, none is given. Nor is one where the limit is nearer than the record is fine.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

from benchtool.frames.card.pulses import Burst, Odd
from benchtool.measure.waveform_limits import Verdict

WIDTH_NS = (20_000, 100_000)
SPACING_NS = (200_000, 20_000_000)
SOURCE = "SIA AC-01-1996.10, as reader manuals quote it"
_JITTER = 0.25
"""Spacings within this share of a frame's own belong to its rhythm; longer ones are pauses."""
_IDLE_ODD = (Odd.STUCK_LOW, Odd.LOW_AT_BEGIN, Odd.LOW_AT_END)


class Stats(NamedTuple):
    """Durations in nanoseconds."""

    number: int
    least: int
    median: float
    greatest: int
    mean: float
    deviation: float
    """Standard deviation of the sample, 0 for one."""


def stats(values: Sequence[int]) -> Stats | None:
    """Of durations in nanoseconds; None without any."""
    if not values:
        return None
    order = sorted(values)
    count = len(order)
    middle = (order[(count - 1) // 2] + order[count // 2]) / 2
    mean = math.fsum(order) / count
    variance = math.fsum((value - mean) ** 2 for value in order) / (count - 1) if count > 1 else 0.0
    return Stats(count, order[0], middle, order[-1], mean, math.sqrt(variance))


class PulseCheck(NamedTuple):
    """A rule and whether the pulses keep it."""

    name: str
    """What it is, in words."""
    stats: Stats | None
    """None for rules that count."""
    outside: int
    """How many break it for sure."""
    limit: str
    verdict: Verdict
    note: str
    """Why there is no verdict, or what breaks it; empty where nothing is to be said."""
    source: str = SOURCE


@dataclass(frozen=True, slots=True)
class PulseFigures:
    """All pulses seen."""

    reads: int
    bits: int
    width: tuple[Stats | None, Stats | None]
    """Of D0 and of D1."""
    spacing: Stats | None
    """From start to start, within frames."""
    gap: Stats | None
    """From the end of a pulse to the start of the next."""
    jitter_ns: float | None
    """Standard deviation of spacing about each frame's own median, pauses aside."""
    jitter_peak_ns: int | None
    """Greatest less least of the same, in the frame where it is most."""
    odd: dict[Odd, int]
    """How often each was seen; kinds that were not are left out."""
    resolution_ns: int
    checks: tuple[PulseCheck, ...]


class PulseTally:
    """Collects bursts; figures may be asked for at any time."""

    def __init__(self) -> None:
        self._width: tuple[list[int], list[int]] = ([], [])
        self._spacing: list[int] = []
        self._gap: list[int] = []
        self._about: list[float] = []
        self._peak = 0
        self._odd: dict[Odd, int] = {}
        self._reads = self._bits = 0
        self._resolution_ns = 1
        self._overlap_ns = 0

    def add(self, burst: Burst) -> None:
        """Count a burst."""
        for oddity in burst.oddities:
            self._odd[oddity.kind] = self._odd.get(oddity.kind, 0) + oddity.times
            if oddity.kind is Odd.OVERLAP:
                self._overlap_ns = max(self._overlap_ns, oddity.duration_ns)
        pulses = burst.read.pulses if burst.read is not None else None
        if burst.read is None or pulses is None:
            return
        self._reads += 1
        self._bits += len(pulses)
        self._resolution_ns = max(self._resolution_ns, burst.read.resolution_ns or 1)
        for pulse in pulses:
            self._width[pulse.line].append(pulse.width_ns)
        steps = [after.start_ns - before.start_ns for before, after in pairwise(pulses)]
        self._spacing += steps
        self._gap += [after.start_ns - before.start_ns - before.width_ns for before, after in pairwise(pulses)]
        unit = burst.spacing_ns
        if unit:
            near = [step for step in steps if abs(step - unit) <= _JITTER * unit]
            middle = stats(near)
            if middle is not None and len(near) > 2:
                self._about += [step - middle.median for step in near]
                self._peak = max(self._peak, middle.greatest - middle.least)

    def figures(self) -> PulseFigures:
        """The figures as they stand."""
        width = stats(self._width[0]), stats(self._width[1])
        spacing, gap = stats(self._spacing), stats(self._gap)
        jitter = math.sqrt(math.fsum(off * off for off in self._about) / len(self._about)) if self._about else None
        return PulseFigures(
            self._reads,
            self._bits,
            width,
            spacing,
            gap,
            jitter,
            self._peak if self._about else None,
            dict(self._odd),
            self._resolution_ns,
            tuple(self._checks(width, spacing, gap)),
        )

    def _checks(
        self, width: tuple[Stats | None, Stats | None], spacing: Stats | None, gap: Stats | None
    ) -> list[PulseCheck]:
        fine = self._resolution_ns
        found = []
        for line in (0, 1):
            judged, note = _judge(width[line], WIDTH_NS, fine)
            wrong = _outside(self._width[line], WIDTH_NS, fine)
            found.append(PulseCheck(f"width of D{line} pulses", width[line], wrong, "20 to 100 us", judged, note))
        judged, note = _judge(spacing, SPACING_NS, fine)
        other, _ = _judge(gap, SPACING_NS, fine)
        if spacing is not None and judged is not other and Verdict.UNKNOWN not in (judged, other):
            note = "from the end of a pulse it would be otherwise, and manuals do not say from where to count"
            judged = Verdict.UNKNOWN
        wrong = _outside(self._spacing, SPACING_NS, fine)
        found.append(PulseCheck("spacing, start to start", spacing, wrong, "200 us to 20 ms", judged, note))
        overlaps = self._odd.get(Odd.OVERLAP, 0)
        found.append(_counted("both lines low at once", overlaps, "never", self._bits, self._overlap_ns <= fine, fine))
        idle = sum(self._odd.get(kind, 0) for kind in _IDLE_ODD)
        found.append(_counted("idle and not high", idle, "never", self._bits, False, fine))
        return found


def _counted(name: str, times: int, limit: str, bits: int, doubtful: bool, fine: int) -> PulseCheck:
    if not times:
        judged, note = (Verdict.PASS, "") if bits else (Verdict.UNKNOWN, "no pulse was seen")
    elif doubtful:
        judged, note = Verdict.UNKNOWN, f"seen, but for no longer than the record is fine ({_us(fine)})"
    else:
        judged, note = Verdict.FAIL, ""
    return PulseCheck(name, None, times, limit, judged, note)


def _judge(seen: Stats | None, limit: tuple[int, int], fine: int) -> tuple[Verdict, str]:
    """Whether all values keep a limit. Each may be off by one resolution: what is nearer to the limit is not judged."""
    if seen is None:
        return Verdict.UNKNOWN, "none was seen"
    low, high = limit
    if seen.least + fine < low or seen.greatest - fine > high:
        return Verdict.FAIL, ""
    if seen.least - fine < low or seen.greatest + fine > high:
        # Timed to a nanosecond, exactly at the limit is inside.
        if fine == 1 and low <= seen.least and seen.greatest <= high:
            return Verdict.PASS, ""
        return Verdict.UNKNOWN, f"nearer to the limit than times are fine ({_us(fine)})"
    return Verdict.PASS, ""


def _outside(values: Sequence[int], limit: tuple[int, int], fine: int) -> int:
    return sum(value + fine < limit[0] or value - fine > limit[1] for value in values)


def _us(value: float) -> str:
    return f"{value / 1e6:.4g} ms" if value >= 1e6 else f"{value / 1e3:.3g} us"
