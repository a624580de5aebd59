"""A Modbus client (controller) on a line, sans-IO: asks in turn, waits, takes the reply or gives up. RTU or ASCII.

Rules used (sheet 3.1): one request at a time; 3.5 characters of silence before it talks; a reply may take about 1 s;
after a request to all it waits 100 to 200 ms. Modbus has no sequence numbers: a reply that comes after the time is up
is let go where it is heard before the next request, and cannot be told from that request's own where it comes later.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable

from benchtool.capture.chunk import Chunk, Direction
from benchtool.capture.settings import LineSettings
from benchtool.frames.frame import Frame
from benchtool.frames.meaning import Value
from benchtool.frames.modbus.ascii import MAX_CHARACTERS
from benchtool.simulate.modbus_framing import Ear, Mode, gap_ns, unwrap, wrap
from benchtool.simulate.modbus_query import Outcome, Query, Result, read_reply
from benchtool.simulate.modbus_stations import REPLY_LIMIT_NS
from benchtool.simulate.station import Station

BROADCAST_NS = 100_000_000
"""From the end of a request to all to the next request."""
_KEPT_RESULTS = 1024


class _Asked:
    """The request that waits for its reply."""

    __slots__ = ("begun_ns", "damaged", "ended_ns", "query", "tries", "unfitting", "unit")

    def __init__(self, query: Query, unit: bytes) -> None:
        self.query = query
        self.unit = unit
        self.tries = 0
        self.begun_ns = self.ended_ns = 0
        self.damaged = False
        self.unfitting: tuple[dict[str, Value], str] | None = None


class Client(Station):
    """Asks `polls` in turn, those with `every_ns` again and again; what `ask` adds goes before them.

    Each result goes to `on_result`, and is kept in `results` (the last 1024).
    """

    def __init__(
        self,
        name: str,
        settings: LineSettings,
        polls: Iterable[Query] = (),
        *,
        mode: Mode = Mode.RTU,
        pause_ns: int = 0,
        reply_limit_ns: int = REPLY_LIMIT_NS,
        broadcast_ns: int = BROADCAST_NS,
        retries: int = 0,
        starts_ns: int = 0,
        resolution_ns: int = 0,
        on_result: Callable[[Result], None] | None = None,
    ) -> None:
        self.name = name
        self.mode = mode
        self.results: deque[Result] = deque(maxlen=_KEPT_RESULTS)
        self._settings = settings
        self._pause_ns = max(pause_ns, gap_ns(mode, settings))
        self._limit_ns = reply_limit_ns
        self._broadcast_ns = broadcast_ns
        self._retries = retries
        self._on_result = on_result
        self._ear = Ear(mode, settings, resolution_ns)
        self._waiting: deque[tuple[Query, bytes]] = deque()
        self._polled = [(query, query.unit()) for query in polls]
        self._due_ns = [starts_ns for _ in self._polled]
        self._asked: _Asked | None = None
        self._again = False
        self._free_ns = starts_ns
        """Before this it does not talk."""

    def ask(self, query: Query) -> None:
        """Ask this once, before all that is polled; ValueError where it cannot be asked."""
        self._waiting.append((query, query.unit()))

    @property
    def idle(self) -> bool:
        """Whether nothing is asked, and nothing waits to be."""
        return self._asked is None and not self._waiting and not self._due_ns

    def defers(self) -> bool:
        """While it waits for a reply it does not talk into one."""
        return self._asked is not None and not self._again

    def hear(self, chunk: Chunk) -> None:
        """Take octets."""
        self._free_ns = max(self._free_ns, chunk.end_ns + gap_ns(self.mode, self._settings))
        for frame in self._ear.feed(chunk):
            self.take(frame)

    def take(self, frame: Frame) -> None:
        """Take a frame that has just ended."""
        asked = self._asked
        # What was over before the request began is no reply to it. A pseudo-terminal takes no time for its octets, so a
        # reply may well begin before the request should have ended.
        if frame.direction is Direction.SENT or asked is None or self._again or frame.end_ns <= asked.begun_ns:
            return
        told = None if any(frame.marks) else unwrap(self.mode, frame)
        if told is None or len(told) < 2:
            asked.damaged = asked.damaged or not frame.ok or any(frame.marks)
            return
        outcome, values, problem = read_reply(asked.unit, told)
        if outcome is Outcome.UNFITTING:
            asked.unfitting = values, problem or ""
            return
        self._end(asked, outcome, values, None, max(0, frame.t_ns - asked.ended_ns))
        self._free_ns = max(self._free_ns, frame.end_ns + self._pause_ns)

    def wake_ns(self) -> int | None:
        """The end of the wait for a reply, the next request, or when silence tells that what was heard is over."""
        wakes = [] if self._ear.wake_ns is None else [self._ear.wake_ns]
        if self._asked is not None and not self._again:
            wakes.append(self._deadline_ns(self._asked))
        elif self._again or self._waiting:
            wakes.append(self._free_ns)
        elif self._due_ns:
            wakes.append(max(self._free_ns, min(self._due_ns)))
        return min(wakes, default=None)

    def act(self, now_ns: int) -> bytes | None:
        """Give up on the one asked, or ask the next."""
        for frame in self._ear.flush(now_ns):
            self.take(frame)
        if self._asked is not None and not self._again:
            if now_ns >= self._deadline_ns(self._asked):
                self._give_up(self._asked, now_ns)
            return None
        if now_ns < self._free_ns:
            return None
        if not self._again:
            following = self._next(now_ns)
            if following is None:
                return None
            self._asked = _Asked(*following)
        assert self._asked is not None
        return self._send(self._asked, now_ns)

    def _deadline_ns(self, asked: _Asked) -> int:
        deadline_ns = asked.ended_ns + (self._limit_ns if asked.unit[0] else self._broadcast_ns)
        # A reply that has begun may end, but noise does not go on for ever.
        return max(deadline_ns, min(self._ear.busy_until_ns, deadline_ns + MAX_CHARACTERS * self._settings.char_ns))

    def _next(self, now_ns: int) -> tuple[Query, bytes] | None:
        if self._waiting:
            return self._waiting.popleft()
        if not self._due_ns:
            return None
        at = min(range(len(self._due_ns)), key=self._due_ns.__getitem__)
        if now_ns < self._due_ns[at]:
            return None
        query, unit = self._polled[at]
        if query.every_ns is None:
            del self._polled[at], self._due_ns[at]
        else:
            # What could not be kept up with is left out.
            self._due_ns[at] = max(self._due_ns[at] + query.every_ns, now_ns)
        return query, unit

    def _send(self, asked: _Asked, now_ns: int) -> bytes:
        octets = wrap(self.mode, asked.unit)
        self._again = False
        asked.tries += 1
        asked.begun_ns = now_ns
        asked.ended_ns = now_ns + len(octets) * self._settings.char_ns
        self._ear.feed(Chunk(now_ns, asked.ended_ns, octets, b"", Direction.SENT))
        return octets

    def _give_up(self, asked: _Asked, now_ns: int) -> None:
        self._free_ns = max(self._free_ns, now_ns)
        if asked.unit[0] == 0:
            self._end(asked, Outcome.BROADCAST, {}, None, None)
        elif asked.tries <= self._retries:
            self._again = True
        elif asked.unfitting is not None:
            self._end(asked, Outcome.UNFITTING, *asked.unfitting, None)
        else:
            damaged = asked.damaged or self._ear.busy_until_ns > asked.begun_ns
            self._end(asked, Outcome.DAMAGED if damaged else Outcome.SILENT, {}, None, None)

    def _end(
        self,
        asked: _Asked,
        outcome: Outcome,
        values: dict[str, Value],
        problem: str | None,
        latency_ns: int | None,
    ) -> None:
        self._asked = None
        self._again = False
        result = Result(asked.query, outcome, values, problem, asked.tries, asked.begun_ns, latency_ns)
        self.results.append(result)
        if self._on_result is not None:
            self._on_result(result)
