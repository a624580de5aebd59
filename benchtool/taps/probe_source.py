"""The card-line probe as a source of card data: its events become pieces of what D0 and D1 did.

Pieces follow each other; where lines of the protocol or changes were lost, the next piece begins later, so that nobody
takes what was not seen for quiet.
"""

from __future__ import annotations

from benchtool.capture.card_lines import Edge, LineRecord
from benchtool.frames.card.read import Source
from benchtool.taps.card_source import CardItem, CardSource, CardSourceInfo
from benchtool.taps.clock import Clock, SystemClock
from benchtool.taps.probe import ProbeLink, device_of
from benchtool.taps.probe_port import Opener, open_probe_port
from benchtool.taps.probe_protocol import Began, Edges, Event, Hello, Levels, Lost, Overrun, Quiet, number_in
from benchtool.taps.tap import TapError

_SILENT_NS = 4_000_000_000
"""The probe says something every second: after four it is taken for dead."""


class Pieces:
    """Events to pieces, without I/O. Times count from the first that the probe told."""

    def __init__(self, where: str, tick_ns: int) -> None:
        self.problems: list[str] = []
        """What was not seen, in words."""
        self.end_ns = 0
        """The end of what was answered."""
        self._where = where
        self._tick_ns = tick_ns
        self._origin_ns: int | None = None
        self._levels: Levels | None = None
        self._damaged = 0

    def take(self, event: Event) -> LineRecord | None:
        """The piece that an event ends; None where it only says what is to be known for the next."""
        if isinstance(event, Hello):
            if self._origin_ns is not None:
                self._blind(f"the probe began anew at {self.end_ns / 1e9:.1f} s: the lines were not seen meanwhile")
                self._origin_ns = None
        elif isinstance(event, Lost):
            self._blind(f"{event.lines} line(s) of the probe lost near {self.end_ns / 1e9:.1f} s: a gap in the record")
        elif isinstance(event, Overrun):
            self._blind(
                f"the probe had too much to tell near {self.end_ns / 1e9:.1f} s and lost {event.changes} changes or "
                "more: a gap in the record"
            )
        elif isinstance(event, Began):
            return self._piece(event.levels, (), event.ticks)
        elif isinstance(event, Edges):
            return self._edges(event)
        elif isinstance(event, Quiet):
            return self._quiet(event)
        return None

    def _blind(self, why: str) -> None:
        self.problems.append(why)
        self._levels = None

    def _ns(self, ticks: int) -> int:
        at_ns = ticks * self._tick_ns
        if self._origin_ns is None:
            # After a restart of the probe the source's own time goes on from where it was.
            self._origin_ns = at_ns - self.end_ns
        return at_ns - self._origin_ns

    def _edges(self, event: Edges) -> LineRecord:
        edges: list[Edge] = []
        levels = event.before
        if self._levels is not None and self._levels != levels:
            self._blind(f"the probe's words contradict each other at {self.end_ns / 1e9:.1f} s: a gap in the record")
        for change in event.changes:
            at_ns = self._ns(change.ticks)
            edges += [Edge(at_ns, line, change.levels[line]) for line in (0, 1) if change.levels[line] != levels[line]]
            levels = change.levels
        piece = self._piece(event.before, tuple(edges), event.changes[-1].ticks, event.changes[0].ticks)
        self._levels = levels
        return piece

    def _quiet(self, event: Quiet) -> LineRecord | None:
        damaged = number_in(event.facts, "damaged") or 0
        if damaged > self._damaged:
            self.problems.append(f"the probe heard {damaged - self._damaged} damaged command(s)")
        self._damaged = damaged
        if self._levels is not None and self._levels != event.levels:
            self._blind(f"the probe's words contradict each other at {self.end_ns / 1e9:.1f} s: a gap in the record")
        return self._piece(event.levels, (), event.ticks)

    def _piece(self, levels: Levels, edges: tuple[Edge, ...], ticks: int, first: int | None = None) -> LineRecord:
        end_ns = self._ns(ticks if first is None else first)
        # After a gap a piece never begins where the last ended: that would say that nothing was missed.
        begin_ns = self.end_ns if self._levels is not None else max(end_ns, self.end_ns + 1)
        end_ns = max(self._ns(ticks), begin_ns)
        self._levels, self.end_ns = levels, end_ns
        return LineRecord(edges, begin_ns, end_ns, (levels.d0, levels.d1), self._tick_ns, self._where)


class ProbeSource(CardSource):
    """What the probe at `address` sees. `clock` and `opener` are for tests."""

    def __init__(self, address: str, *, clock: Clock | None = None, opener: Opener = open_probe_port) -> None:
        self._clock: Clock = clock or SystemClock()
        self._link = ProbeLink(address, clock=self._clock, opener=opener)
        self._where = f"the probe at {device_of(address)}"
        self._pieces = Pieces(self._where, 1)
        self._opened = False
        self._heard_ns = 0

    def open(self) -> None:
        """Open the probe and greet it; TapError with a one-line mend."""
        if not self._opened:
            self._link.open()
            self._pieces = Pieces(self._where, self._link.tick_ns)
            self._heard_ns = self._clock.now_ns()
            self._opened = True

    def close(self) -> None:
        """Close; may be called twice."""
        self._opened = False
        self._link.close()

    @property
    def info(self) -> CardSourceInfo:
        """The probe, which sees pulses."""
        return CardSourceInfo(self._where, Source.PROBE, True, self._link.tick_ns or None)

    @property
    def ended(self) -> bool:
        """True once closed: the probe does not end by itself."""
        return not self._opened

    @property
    def now_ns(self) -> int:
        """What the probe told last, and the time since."""
        return self._pieces.end_ns + (self._clock.now_ns() - self._heard_ns if self._opened else 0)

    @property
    def problems(self) -> list[str]:
        """Gaps, damaged lines."""
        problems = list(self._pieces.problems)
        if self._link.decoder.damaged:
            problems.append(f"{self._link.decoder.damaged} damaged line(s) from the probe were left out")
        return problems

    def read(self, timeout_s: float) -> list[CardItem]:
        """Pieces that have come. TapError when the probe has gone or says nothing any more."""
        events = self._link.events(timeout_s)
        now_ns = self._clock.now_ns()
        if events:
            self._heard_ns = now_ns
        elif now_ns - self._heard_ns > _SILENT_NS:
            raise TapError(
                f"{self._where} has said nothing for {(now_ns - self._heard_ns) / 1e9:.0f} s: unplug it, plug it in "
                "and begin again",
                reason="absent",
            )
        return [piece for piece in map(self._pieces.take, events) if piece is not None]


def open_probe(address: str) -> ProbeSource:
    """The source that `probe:DEVICE` names, not yet open. TapError (`bad-address`) where it names none."""
    return ProbeSource(address)
