"""Levels of D0 and D1 to card reads: which pulses are bits, where a frame ends, and what is neither.

A pulse on D0 is a 0, on D1 a 1; both rest high (reference sheet 6.1). Published: pulses of 20 to 100 us, from 200 us to
20 ms apart; so a frame has ended when nothing began for longer than 20 ms. How much longer, and what is too short to be
a bit, are our choices and stand here as constants. Every edge ends in one bit or in one oddity.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import Enum
from itertools import pairwise
from typing import NamedTuple

from benchtool.capture.card_lines import LineRecord
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.read import CardRead, Pulse, Source

FRAME_END_NS = 25_000_000
"""A frame ends when no pulse began for so long: 20 ms is the longest spacing published, a quarter more is for slow
clocks and for spacing counted from the end of a pulse. Our choice."""
GLITCH_NS = 10_000
"""A pulse surely shorter is no bit: half the shortest width published. Our choice."""
_GLITCH_SHARE = 4
"""Where a frame's own pulses are short, a quarter of their width is the limit instead, so that short pulses are still
read (and then judged)."""
_LEAST_GLITCH_NS = 500
_FEWEST = 4
"""Fewer pulses are no frame by which to judge what is short: the shortest burst of a keypad has four."""
STUCK_NS = 5_000_000
"""A line that is low for longer gives no bit: fifty times the longest width published. Our choice."""
_TYPICAL_NS = 1_000_000
"""Longer pulses do not count for what is typical."""
_MISSING_FITS = 0.25
"""A pause is taken as missing pulses where it is a whole number of spacings within this share of one. Our choice."""

_OFTEN = 0.2
"""Share of a frame's spacings that makes one of them its own. Our choice."""
_LEAST_CLOCK_NS = 20_000
"""Pulses that begin closer together are no two bits of one clock: the least width published."""
_MOST_MISSING = 256
"""More pulses than the longest frames have are not missing from one: then it is no frame. Our choice."""

_EVER = -(1 << 80)
"""Before every time: records may begin below zero, at a trigger."""


class Odd(Enum):
    """What is on the lines besides bits; the value is what `--json` prints."""

    GLITCH = "glitch"
    """A low pulse too short to be a bit."""
    CROSSTALK = "crosstalk"
    """Such a pulse at an edge of the other line."""
    RINGING = "ringing"
    """The line crossed the level again within a pulse or close beside it; counted into that pulse."""
    OVERLAP = "overlap"
    """Both lines low at once; both pulses are taken as bits, in the order in which they began."""
    STUCK_LOW = "stuck low"
    """A line low for too long to be a bit."""
    LOW_AT_BEGIN = "low at the beginning"
    """A line already low when the record begins: when it fell is not known."""
    LOW_AT_END = "low at the end"
    """A line still low when the record ends."""
    MISSING = "missing"
    """A pause that is a whole number of this frame's spacings: pulses that did not come, `times` of them."""
    LOST_EDGE = "lost edge"
    """A line was found at a level to which no edge led: an edge is missing from the record."""


class Oddity(NamedTuple):
    """Something that is no bit."""

    kind: Odd
    line: int | None
    """0 for D0, 1 for D1; None where it is of both or of neither."""
    t_ns: int
    duration_ns: int
    edges: int = 0
    """How many edges of the record are explained by it (and by no bit)."""
    times: int = 1
    """For `MISSING` the pulses that did not come, for `RINGING` the crossings too many, halved."""


@dataclass(frozen=True, slots=True)
class Burst:
    """What lies between two silences: one read, or none where nothing in it is a bit."""

    begin_ns: int
    end_ns: int
    """The last edge in it."""
    read: CardRead | None
    oddities: tuple[Oddity, ...]
    """By time."""
    spacing_ns: int | None
    """This frame's own spacing, from start to start, found below pauses; None where no two pulses can have one."""

    @property
    def edges(self) -> int:
        """Edges explained: two a bit, and those of the oddities."""
        bits = len(self.read.pulses or ()) if self.read else 0
        return 2 * bits + sum(oddity.edges for oddity in self.oddities)

    def count(self, kind: Odd) -> int:
        """How often something odd was seen; for `MISSING` the pulses."""
        return sum(oddity.times for oddity in self.oddities if oddity.kind is kind)


class _Low(NamedTuple):
    line: int
    start_ns: int
    end_ns: int

    @property
    def width_ns(self) -> int:
        return self.end_ns - self.start_ns


@dataclass(slots=True)
class _Held:
    """What has been seen since the last silence."""

    lows: list[_Low] = field(default_factory=list)
    oddities: list[Oddity] = field(default_factory=list)
    begin_ns: int | None = None
    last_ns: int = _EVER


class PulseReader:
    """Feed pieces of a record as they come; bursts come out as soon as the silence after them is seen.

    `timeout_ns`: silence that ends a frame, counted from the beginning of its last pulse, greater than 0.
    """

    def __init__(
        self, source: Source = Source.EDGES, where: str = "", timeout_ns: int = FRAME_END_NS, glitch_ns: int = GLITCH_NS
    ) -> None:
        self._source = source
        self._where = where
        self._timeout_ns = timeout_ns
        self._glitch_ns = glitch_ns
        self._fell: list[int | None] = [None, None]
        """When each line went low; None while it is high."""
        self._known = [True, True]
        """Whether the fall was seen."""
        self._end_ns: int | None = None
        self._held = _Held()
        self._began_ns = _EVER
        """When the last pulse of the burst began."""
        self._resolution_ns = 1

    def feed(self, record: LineRecord) -> list[Burst]:
        """Bursts that are over. A piece that does not begin where the last ended ends the burst: nothing was seen."""
        found: list[Burst] = []
        self._where = self._where or record.where
        self._resolution_ns = max(1, record.resolution_ns)
        if self._end_ns is not None and record.begin_ns > self._end_ns:
            found += self.flush()
        if self._end_ns is None:
            for line, high in enumerate(record.high_at_begin):
                self._fell[line], self._known[line] = (None if high else record.begin_ns), high
        else:
            for line, high in enumerate(record.high_at_begin):
                if high != (self._fell[line] is None):
                    self._lost(line, record.begin_ns, high)
        for t_ns, line, high in record.edges:
            found += self._silence(t_ns)
            self._held.begin_ns = t_ns if self._held.begin_ns is None else self._held.begin_ns
            self._held.last_ns = max(self._held.last_ns, t_ns)
            fell = self._fell[line]
            if high == (fell is None):
                # The edge back is missing; this one leads nowhere.
                self._held.oddities.append(Oddity(Odd.LOST_EDGE, line, t_ns, 0, 1))
            elif fell is None:
                self._fell[line], self._known[line] = t_ns, True
                self._began_ns = max(self._began_ns, t_ns)
            else:
                self._rise(line, fell, t_ns)
        self._end_ns = max(record.end_ns, record.edges[-1].t_ns if record.edges else record.end_ns)
        return found + self._silence(self._end_ns)

    def flush(self) -> list[Burst]:
        """The record is over: what is still held."""
        end_ns = self._end_ns if self._end_ns is not None else 0
        for line in (0, 1):
            fell = self._fell[line]
            if fell is not None:
                self._note(Oddity(Odd.LOW_AT_END, line, fell, max(0, end_ns - fell), int(self._known[line])))
                self._fell[line] = None
        self._end_ns = None
        return self._close()

    def _note(self, oddity: Oddity) -> None:
        held = self._held
        held.begin_ns = oddity.t_ns if held.begin_ns is None else min(held.begin_ns, oddity.t_ns)
        held.last_ns = max(held.last_ns, oddity.t_ns)
        held.oddities.append(oddity)

    def _lost(self, line: int, t_ns: int, high: bool) -> None:
        fell = self._fell[line]
        self._note(Oddity(Odd.LOST_EDGE, line, t_ns, 0, int(fell is not None and self._known[line])))
        self._fell[line], self._known[line] = (None if high else t_ns), high

    def _rise(self, line: int, fell: int, t_ns: int) -> None:
        self._fell[line] = None
        if not self._known[line]:
            self._held.oddities.append(Oddity(Odd.LOW_AT_BEGIN, line, fell, t_ns - fell, 1))
        elif t_ns - fell > STUCK_NS:
            self._held.oddities.append(Oddity(Odd.STUCK_LOW, line, fell, t_ns - fell, 2))
        else:
            self._held.lows.append(_Low(line, fell, t_ns))

    def _silence(self, now_ns: int) -> list[Burst]:
        """End the burst if nothing began for the time-out. A line that is still low stays so, and is told."""
        held = self._held
        if held.begin_ns is None or now_ns - max(self._began_ns, held.begin_ns) <= self._timeout_ns:
            return []
        for line in (0, 1):
            fell = self._fell[line]
            if fell is not None and now_ns - fell > STUCK_NS:
                held.oddities.append(Oddity(Odd.STUCK_LOW, line, fell, now_ns - fell, 0))
        return self._close()

    def _close(self) -> list[Burst]:
        held, self._held = self._held, _Held()
        if held.begin_ns is None:
            return []
        lows = sorted(held.lows, key=lambda low: (low.start_ns, low.line))
        limit_ns = _limit(lows, self._glitch_ns)
        kept, odd = _sorted_out(lows, limit_ns, self._resolution_ns)
        pulses = tuple(Pulse(low.line, low.start_ns, low.width_ns) for low in kept)
        odd += held.oddities + _overlaps(kept)
        spacing_ns, missing = _missing(pulses)
        odd += missing
        begin_ns = min([held.begin_ns, *(low.start_ns for low in lows)])
        read = None
        if pulses:
            value = 0
            for pulse in pulses:
                value = value << 1 | pulse.line
            read = CardRead(
                Bits(value, len(pulses)),
                self._source,
                self._where,
                pulses[0].start_ns,
                pulses,
                self._resolution_ns,
            )
        return [Burst(begin_ns, held.last_ns, read, tuple(sorted(odd, key=lambda one: one.t_ns)), spacing_ns)]


def bursts_of(
    record: LineRecord,
    timeout_ns: int = FRAME_END_NS,
    *,
    source: Source = Source.EDGES,
    glitch_ns: int = GLITCH_NS,
) -> list[Burst]:
    """All bursts of a whole record."""
    reader = PulseReader(source, record.where, timeout_ns, glitch_ns)
    return reader.feed(record) + reader.flush()


def reads_of(record: LineRecord, timeout_ns: int = FRAME_END_NS, *, source: Source = Source.EDGES) -> list[CardRead]:
    """The reads of a whole record; `bursts_of` says besides what was no bit."""
    return [burst.read for burst in bursts_of(record, timeout_ns, source=source) if burst.read is not None]


def _limit(lows: list[_Low], most_ns: int) -> int:
    """Below this a low pulse is no bit: a share of the width in which half of all low time lies, at most `most_ns`."""
    widths = sorted(low.width_ns for low in lows if low.width_ns <= _TYPICAL_NS)
    if len(widths) < _FEWEST:
        return most_ns
    half, sum_ns = sum(widths) / 2, 0
    for width in widths:
        sum_ns += width
        if sum_ns >= half:
            return min(most_ns, max(_LEAST_GLITCH_NS, width // _GLITCH_SHARE))
    return most_ns


def _sorted_out(lows: list[_Low], limit_ns: int, resolution_ns: int) -> tuple[list[_Low], list[Oddity]]:
    """Which lows are bits, crossings that belong to one pulse joined; and what the others are."""

    def short(width_ns: int) -> bool:
        # Surely short: times are no finer than the resolution.
        return width_ns + (resolution_ns if resolution_ns > 1 else 0) < limit_ns

    kept: list[_Low] = []
    odd: list[Oddity] = []
    glitches: list[_Low] = []
    for line in (0, 1):
        chain: list[_Low] = []
        chains = [chain]
        for low in (low for low in lows if low.line == line):
            if chain and not short(low.start_ns - chain[-1].end_ns):
                chain = []
                chains.append(chain)
            chain.append(low)
        for chain in filter(None, chains):
            whole = [place for place, low in enumerate(chain) if not short(low.width_ns)]
            if not whole:
                span = chain[-1].end_ns - chain[0].start_ns
                if len(chain) > 2 and not short(span // 2) and 2 * sum(low.width_ns for low in chain) >= span:
                    # A pulse chopped into pieces, all of them short.
                    whole = [0, len(chain) - 1]
                else:
                    glitches += chain
                    continue
            first, last = chain[whole[0]], chain[whole[-1]]
            kept.append(_Low(line, first.start_ns, last.end_ns))
            if len(chain) > 1:
                begin, end = chain[0].start_ns, chain[-1].end_ns
                odd.append(Oddity(Odd.RINGING, line, begin, end - begin, 2 * len(chain) - 2, len(chain) - 1))
    kept.sort(key=lambda low: (low.start_ns, low.line))
    for low in glitches:
        beside = any(
            other.line != low.line
            and min(abs(low.start_ns - edge) for edge in (other.start_ns, other.end_ns)) <= limit_ns
            for other in kept
        )
        odd.append(Oddity(Odd.CROSSTALK if beside else Odd.GLITCH, low.line, low.start_ns, low.width_ns, 2))
    return kept, odd


def _overlaps(kept: list[_Low]) -> list[Oddity]:
    found = []
    ends = [_EVER, _EVER]
    for low in kept:
        until = min(low.end_ns, ends[1 - low.line])
        if until > low.start_ns:
            found.append(Oddity(Odd.OVERLAP, None, low.start_ns, until - low.start_ns))
        ends[low.line] = max(ends[low.line], low.end_ns)
    return found


def _missing(pulses: Iterable[Pulse]) -> tuple[int | None, list[Oddity]]:
    """This frame's spacing, and pauses that are a whole number of it.

    The spacing is the shortest that comes often: pauses of missing pulses are longer, and a pulse too many makes few
    short ones. Where pauses are no whole numbers of it, nothing is said to be missing.
    """
    starts = [pulse.start_ns for pulse in pulses]
    steps = [after - before for before, after in pairwise(starts)]
    real = sorted(step for step in steps if step >= _LEAST_CLOCK_NS)
    if not real:
        return None, []
    near: list[int] = []
    for shortest in real:
        near = [step for step in real if shortest * 0.8 <= step <= shortest * 1.25]
        if len(near) >= _OFTEN * len(real):
            break
    unit = near[len(near) // 2]
    pauses = [
        (start, step, round(step / unit)) for start, step in zip(starts, steps, strict=False) if step > 1.5 * unit
    ]
    if len(near) < 2 or any(abs(step / unit - times) > _MISSING_FITS for _, step, times in pauses):
        return unit, []
    if sum(times - 1 for _, _, times in pauses) > _MOST_MISSING:
        return unit, []
    return unit, [Oddity(Odd.MISSING, None, start, step, 0, times - 1) for start, step, times in pauses]
