"""What the lines looked like, as figures in bins: low times, widths, spacings, glitches, overlaps, which line moves.

Limits in the bins are the published ones (reference sheet 6.1): 20 to 100 us wide, 200 us to 20 ms apart. From reads
with pulses alone only widths and spacings are known; what is not known has no figure.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from benchtool.capture.card_lines import LineRecord
from benchtool.diagnose.card_evidence import CardEvidence
from benchtool.diagnose.card_kinds import key_length
from benchtool.frames.card.pulses import Burst, Odd, PulseReader
from benchtool.frames.card.read import Pulse

_NEAR_NS = 5_000
"""Edges of both lines so close are one event."""
_BOUNCE_NS = (2_000, 10_000)
"""A line that comes back for so long within a pulse: longer than a hundred metres ring, too short to part pulses."""
_ONE_PULSE_NS = 150_000
"""Longer than any pulse published, by a half."""
_EVENT_NS = 1_000_000
"""Falls of both lines within this are one event of hum."""
_MAINS_NS = (10_000_000, 1e9 / 120)
"""Half a period of 50 and of 60 Hz."""
_ON_BEAT = 0.05
"""A pause is in time with the mains within this share of half a period."""
_MOST_BEATS = 4


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure and its bins."""

    name: str
    edges: tuple[float, ...]
    """Rising; a value belongs to the bin of those at or below it."""
    text: str
    """A sentence with `{value}`."""
    apart: bool = False
    """Whether it depends on none of the others, so that it counts in full."""
    below: str = ""
    """Instead, where the value lies below the first edge; empty where the same words serve."""

    @property
    def bins(self) -> int:
        """How many."""
        return len(self.edges) + 1

    def bin(self, value: float) -> int:
        """Where a value falls."""
        return sum(value >= edge for edge in self.edges)

    def words(self, value: float) -> str:
        """The sentence for a value."""
        return (self.below if self.below and value < self.edges[0] else self.text).format(value=value)


_SHARES = (0.3, 0.8)
"""No finer: how long a record goes on after a card is nothing that the lines do."""
_RATES = (0.01, 0.1, 0.5, 2.0, 8.0)
FIGURES: tuple[Figure, ...] = (
    Figure("d0-low", _SHARES, "D0 is low {value:.0%} of the time"),
    Figure("d1-low", _SHARES, "D1 is low {value:.0%} of the time"),
    Figure("d0-rest", (0.5,), "D0 rests high", below="D0 rests low"),
    Figure("d1-rest", (0.5,), "D1 rests high", below="D1 rests low"),
    Figure("d0-pulses", (0.01, 0.15, 0.3, 0.7, 0.85, 0.99), "{value:.0%} of all pulses are on D0"),
    Figure("moving", (0.5,), "the lines move", below="neither line goes low"),
    Figure("width", (8, 14, 19.5, 28, 60, 105, 150, 250, 500), "pulses are {value:.0f} us wide (limits: 20 to 100)"),
    Figure("width-spread", (1.1, 1.4, 2.0, 4.0, 10.0), "the widest pulses are {value:.1f} times as wide as the narrow"),
    Figure("width-lines", (0.5, 0.8, 1.25, 2.0), "pulses on D1 are {value:.2f} times as wide as on D0"),
    Figure("spacing", (0.19, 0.35, 0.7, 1.4, 2.8, 6.0, 20.0), "pulses are {value:.2f} ms apart (0.2 to 20 published)"),
    Figure("spacing-spread", (1.1, 1.5, 2.2, 4.0), "the widest spacings are {value:.1f} times the narrow ones"),
    Figure("short", (0.01, 0.1, 0.3, 0.7), "{value:.0%} of the pulses are narrower than half of the common width"),
    Figure("close", (0.01, 0.05, 0.15), "{value:.0%} of the pulses come much sooner than the common spacing"),
    Figure("glitches", _RATES, "{value:.1f} glitches a read"),
    Figure("overlaps", _RATES, "both lines low at once {value:.1f} times a read"),
    Figure("missing", _RATES, "{value:.1f} pauses a read that are whole numbers of spacings"),
    Figure("stuck", (0.01, 0.3, 0.9), "a line low for over 5 ms {value:.1f} times a read"),
    Figure("together", (0.02, 0.2, 0.7), "{value:.0%} of the falls of D0 come with an edge of D1"),
    Figure("stray", (0.05, 0.3, 1.0, 4.0), "{value:.1f} short bursts beside each whole read"),
    Figure("bounces", _RATES, "a line comes back for 2 to 10 us within a pulse {value:.1f} times a read", apart=True),
    Figure("mains", (0.3, 0.8), "{value:.0%} of the pauses are whole half periods of the mains"),
)
"""Every figure; the tables are drawn for these bins."""


def figures(evidence: CardEvidence) -> dict[str, float]:
    """The figures that are known."""
    found: dict[str, float] = {}
    trains: list[tuple[Pulse, ...]] = [read.pulses for read in evidence.reads if read.pulses]
    if evidence.records:
        bursts = _bursts(evidence.records)
        found |= _of_records(evidence.records, bursts)
        trains = [burst.read.pulses for burst in bursts if burst.read is not None and burst.read.pulses]
    return found | _of_pulses(trains)


def _bursts(records: Sequence[LineRecord]) -> list[Burst]:
    reader = PulseReader()
    found = [burst for record in records for burst in reader.feed(record)]
    return found + reader.flush()


def _of_records(records: Sequence[LineRecord], bursts: Sequence[Burst]) -> dict[str, float]:
    whole_ns = sum(record.end_ns - record.begin_ns for record in records)
    found: dict[str, float] = {}
    for line, name in ((0, "d0"), (1, "d1")):
        if _only_edges(records) and not any(edge.line == line for record in records for edge in record.edges):
            continue
        low_ns = sum(_low_ns(record, line) for record in records)
        found[f"{name}-low"] = low_ns / max(1, whole_ns)
        found[f"{name}-rest"] = sum(record.high_at_begin[line] for record in records) / len(records)
    found["moving"] = float(any(record.edges for record in records))
    reads = max(1, len(bursts))
    found["glitches"] = sum(burst.count(Odd.GLITCH) + burst.count(Odd.CROSSTALK) for burst in bursts) / reads
    found["overlaps"] = sum(burst.count(Odd.OVERLAP) for burst in bursts) / reads
    found["missing"] = sum(burst.count(Odd.MISSING) for burst in bursts) / reads
    found["stuck"] = sum(burst.count(Odd.STUCK_LOW) for burst in bursts) / reads
    lengths = [burst.read.bits.length if burst.read else 0 for burst in bursts]
    size = key_length([burst.read.bits for burst in bursts if burst.read])
    lengths = [length for length in lengths if not size or length != size]
    longest = sum(length > 8 for length in lengths)
    if longest:
        found["stray"] = (len(lengths) - longest) / longest
    found["bounces"] = sum(_bounces(record, line) for record in records for line in (0, 1)) / reads
    beats = _on_beat([edge.t_ns for record in records for edge in record.edges if not edge.high])
    if beats is not None:
        found["mains"] = beats
    falls = [edge.t_ns for record in records for edge in record.edges if edge.line == 0 and not edge.high]
    others = sorted(edge.t_ns for record in records for edge in record.edges if edge.line == 1)
    if falls:
        found["together"] = sum(_near(fall, others) for fall in falls) / len(falls)
    return found


def _only_edges(records: Sequence[LineRecord]) -> bool:
    """Whether records begin with their first edge, as lists of edges do: a line without one has no level known."""
    return all(record.edges and record.edges[0].t_ns == record.begin_ns for record in records)


def _bounces(record: LineRecord, line: int) -> int:
    """Two lows that one pulse could be: where a line rises slowly, long ones follow each other as closely."""
    times = [edge.t_ns for edge in record.edges if edge.line == line]
    begins = range(0 if record.high_at_begin[line] else 1, len(times) - 3, 2)
    least, most = _BOUNCE_NS
    return sum(
        least + record.resolution_ns <= times[at + 2] - times[at + 1] < most
        and times[at + 3] - times[at] < _ONE_PULSE_NS
        for at in begins
    )


def _on_beat(falls: Sequence[int]) -> float | None:
    """Share of the pauses between events that are few whole half periods of the mains; None where they are few."""
    events: list[int] = []
    for t_ns in sorted(falls):
        if not events or t_ns - events[-1] > _EVENT_NS:
            events.append(t_ns)
    pauses = [after - before for before, after in pairwise(events)]
    pauses = [pause for pause in pauses if pause < (_MOST_BEATS + 0.5) * _MAINS_NS[0]]
    if len(pauses) < 6:
        return None
    shares = []
    for half_ns in _MAINS_NS:
        beats = [(pause / half_ns, round(pause / half_ns)) for pause in pauses]
        shares.append(sum(whole > 0 and abs(exact - whole) < _ON_BEAT for exact, whole in beats) / len(beats))
    return max(shares)


def _near(t_ns: int, sorted_ns: Sequence[int]) -> bool:
    place = bisect_left(sorted_ns, t_ns - _NEAR_NS)
    return place < len(sorted_ns) and sorted_ns[place] <= t_ns + _NEAR_NS


def _low_ns(record: LineRecord, line: int) -> int:
    since = None if record.high_at_begin[line] else record.begin_ns
    total = 0
    for edge in record.edges:
        if edge.line != line:
            continue
        if not edge.high and since is None:
            since = edge.t_ns
        elif edge.high and since is not None:
            total += edge.t_ns - since
            since = None
    return total + (record.end_ns - since if since is not None else 0)


def _of_pulses(trains: Sequence[tuple[Pulse, ...]]) -> dict[str, float]:
    pulses = [pulse for train in trains for pulse in train]
    if not pulses:
        return {}
    widths = sorted(pulse.width_ns for pulse in pulses)
    middle = widths[len(widths) // 2]
    found = {
        "d0-pulses": sum(pulse.line == 0 for pulse in pulses) / len(pulses),
        "width": middle / 1e3,
        "short": sum(width < middle / 2 for width in widths) / len(widths),
    }
    if len(widths) >= 10:
        found["width-spread"] = widths[-1 - len(widths) // 20] / max(1, widths[len(widths) // 20])
    lines = [sorted(pulse.width_ns for pulse in pulses if pulse.line == line) for line in (0, 1)]
    if all(len(line) >= 3 for line in lines):
        found["width-lines"] = lines[1][len(lines[1]) // 2] / max(1, lines[0][len(lines[0]) // 2])
    steps = sorted(after.start_ns - before.start_ns for train in trains for before, after in pairwise(train))
    steps = [step for step in steps if step > 0]
    if len(steps) >= 5:
        common = steps[len(steps) // 2]
        found["spacing"] = common / 1e6
        found["spacing-spread"] = steps[-1 - len(steps) // 20] / steps[len(steps) // 20]
        found["close"] = sum(step < 0.6 * common for step in steps) / len(steps)
    return found
