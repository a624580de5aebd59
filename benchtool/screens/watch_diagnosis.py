"""The diagnosis beside the screen: worked out anew now and then in a thread of its own, never in the way of keys.

How often is bounded by what it costs: at most a tenth of the time goes into it, and never more often than every 3 s.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from time import monotonic_ns, thread_time_ns

from benchtool.capture.settings import LineSettings
from benchtool.diagnose.conclude import conclude
from benchtool.diagnose.engine import observe
from benchtool.diagnose.evidence import Evidence
from benchtool.diagnose.finding import Diagnosis
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.readings import ByHand
from benchtool.diagnose.sensible import sensible
from benchtool.measure.tally import Figures

EVERY_NS = 3_000_000_000
_SHARE = 10


@dataclass(frozen=True, slots=True)
class Found:
    """A diagnosis, and when it was made of what."""

    diagnosis: Diagnosis
    at_ns: int
    """Of bus time: what was heard until then went into it."""
    octets: int
    cost_ns: int
    """What it cost this computer."""


@dataclass(frozen=True, slots=True)
class Work:
    """What a diagnosis is to be made of."""

    at_ns: int
    by_hand: ByHand
    stretch: int
    """Counting began anew so often: a result of an older stretch is thrown away."""
    evidence: Evidence | None = None
    """None: what was heard has not changed, only what was measured."""
    settings: LineSettings = field(default_factory=LineSettings)
    name: str = ""
    length_m: float | None = None
    order: tuple[int, ...] = ()


class Worker:
    """One diagnosis after the other. `work` may be called without a thread; `start` gives it one of its own."""

    def __init__(self, on_found: Callable[[Work, Found], None], *, clock_ns: Callable[[], int] = monotonic_ns) -> None:
        self._on_found = on_found
        self._clock_ns = clock_ns
        self._observed: tuple[int, Observed, Figures] | None = None
        """Of which stretch, what was seen in it."""
        self._next: Work | None = None
        self._wake = threading.Condition()
        self._busy = self._stopped = False
        self._not_before_ns = 0
        self._thread: threading.Thread | None = None
        self.broken: Exception | None = None
        """What ended the thread, if it did not end as it should."""
        self.costs_ns: list[int] = []
        """Of the last ones, for who measures."""

    def start(self) -> None:
        """Work in a thread from now on."""
        self._thread = threading.Thread(target=self._run, name="diagnosis", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the thread; what it is at is finished, or dies with the program."""
        with self._wake:
            self._stopped = True
            self._wake.notify()
        if self._thread is not None:
            self._thread.join(1.0)

    def is_due(self) -> bool:
        """Whether what was heard may be diagnosed anew."""
        return not self._busy and self._next is None and self._clock_ns() >= self._not_before_ns

    def give(self, work: Work) -> None:
        """Hand work over; without a thread it is done at once. A measurement goes before what waits."""
        if self._thread is None:
            self.work(work)
            return
        with self._wake:
            waiting = self._next
            if waiting is not None and work.evidence is None:
                work = replace(waiting, by_hand=work.by_hand, at_ns=work.at_ns)
            self._next = work
            self._wake.notify()

    def work(self, work: Work) -> None:
        """Work one out."""
        begun_ns, cpu_ns = self._clock_ns(), thread_time_ns()
        if work.evidence is not None:
            seen = observe(work.evidence, work.settings, tap=work.name, length_m=work.length_m, order=work.order)
            self._observed = (work.stretch, seen, work.evidence.figures)
        observed: Observed = Observed()
        figures: Figures | None = None
        if self._observed is not None and self._observed[0] == work.stretch:
            _, observed, figures = self._observed
        found = conclude(observed.measured(work.by_hand), figures)
        found = sensible(found, listened=observed.symptoms is not None)
        ended_ns = self._clock_ns()
        cost_ns = thread_time_ns() - cpu_ns
        self.costs_ns = [*self.costs_ns[-99:], cost_ns]
        self._not_before_ns = max(begun_ns + EVERY_NS, ended_ns + (_SHARE - 1) * (ended_ns - begun_ns))
        self._on_found(work, Found(found, work.at_ns, observed.octets, cost_ns))

    def _run(self) -> None:
        while True:
            with self._wake:
                while self._next is None and not self._stopped:
                    self._wake.wait()
                if self._stopped or self._next is None:
                    return
                work, self._next, self._busy = self._next, None, True
            try:
                self.work(work)
            except Exception as error:  # a mistake of our own: told by who listens, for nobody waits for this thread
                self.broken = error
                return
            finally:
                self._busy = False
