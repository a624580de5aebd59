"""How the talkers on a bus behave, where their frames are sound: order of polling, sequence numbers, outages, lateness.

Facts: OSDP sequence numbers run 1, 2, 3, 1 …; 0 begins afresh, the same again asks for the last reply again; a reply
bears its request's number, BUSY bears 0 (sheet 5.1); NAK 04 refuses a number (5.4). Modbus exceptions set bit 7 of the
function (sheet 3.4).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from benchtool.frames.frame import Frame, Protocol
from benchtool.measure.exchange import REPLY_LIMIT_NS, Exchange, Outcome
from benchtool.measure.kept import bounded

OUTAGE = 3
"""Unanswered requests in a row that count as an outage, if answers came before and come after."""
SECOND_REPLY_NS = 1_000_000_000
"""A sound reply from the address asked, that comes this soon after its reply, is a second one."""
_MOST_STEPS = 1024
_EARLY = 24
_BINS_AN_OCTAVE = 8
_LOG = _BINS_AN_OCTAVE / math.log(2)
_BASE_NS = 1000
_OSDP, _MODBUS = Protocol.OSDP, Protocol.MODBUS_RTU
_NAK, _BUSY = 0x41, 0x79
_NAK_SEQUENCE = 0x04
_log = math.log


class Durations:
    """A coarse histogram of durations: eight bins an octave (within 5 %), 1 µs and up."""

    __slots__ = ("bins", "count")

    def __init__(self) -> None:
        self.bins: dict[int, int] = {}
        self.count = 0

    @classmethod
    def together(cls, several: Iterable[Durations]) -> Durations:
        """One histogram of all."""
        found = cls()
        for one in several:
            found.count += one.count
            for index, count in one.bins.items():
                found.bins[index] = found.bins.get(index, 0) + count
        return found

    def add(self, duration_ns: int) -> None:
        """Count one; below 1 µs counts as 1 µs."""
        index = int(_log(duration_ns / _BASE_NS) * _LOG) if duration_ns > _BASE_NS else 0
        self.bins[index] = self.bins.get(index, 0) + 1
        self.count += 1

    def quantile(self, share: float) -> float | None:
        """Nanoseconds that `share` of them do not exceed; None when there are none."""
        if not self.count:
            return None
        seen = 0
        for index in sorted(self.bins):
            seen += self.bins[index]
            if seen >= share * self.count - 1e-9:
                break
        return _BASE_NS * math.exp((index + 0.5) / _LOG)

    def below(self, duration_ns: float) -> float:
        """Share of them that are shorter, 0 to 1."""
        limit = int(_log(duration_ns / _BASE_NS) * _LOG) if duration_ns > _BASE_NS else 0
        return sum(n for index, n in self.bins.items() if index < limit) / self.count if self.count else 0.0


@dataclass(frozen=True, slots=True)
class AddressConduct:
    """What was seen of one address beyond the tallies. Durations in nanoseconds, None where nothing was counted."""

    protocol: Protocol
    address: int
    requests: int = 0
    answered: int = 0
    outages: int = 0
    """Times that it fell silent for `OUTAGE` requests or more between answers."""
    out_requests: int = 0
    """Requests that it left unanswered in these."""
    seconds: int = 0
    """Second sound replies to one request."""
    late: int = 0
    """Replies later than its protocol allows, or after the controller had given up."""
    proven_late: int = 0
    """Replies that are late by their number: its command was asked again after the time allowed, and both askings were
    answered. They are among `seconds` or the unasked ones too, as which the tables of `diagnose` know them."""
    restarts: int = 0
    """Requests with sequence number 0 after an answered one."""
    jumps: int = 0
    """Sequence numbers left out."""
    repeats: int = 0
    """A number used again although its request had been answered."""
    mismatches: int = 0
    """Replies with another number than their request."""
    refusals: int = 0
    """NAKs and Modbus exceptions."""
    refused_numbers: int = 0
    """NAKs for the sequence number."""
    busy: int = 0
    latency_quantiles: tuple[float, ...] = ()
    """5, 25, 50, 75, 95 %."""
    drift: float | None = None
    """Ratio of its latency at the end to that at the beginning."""
    interval_low: float | None = None
    """5 % quantile over the median of the time between its polls: far below 1 where two poll it."""
    silent_last: int = 0
    """Requests that it left unanswered since its last answer, up to now."""

    @property
    def sequence_faults(self) -> int:
        """All that is wrong with sequence numbers."""
        return self.jumps + self.repeats + self.mismatches + self.refused_numbers


@dataclass(frozen=True, slots=True)
class Conduct:
    """What was seen of all talkers."""

    addresses: tuple[AddressConduct, ...] = ()
    steps: int = 0
    """Polls that followed an answered one of another address."""
    odd_steps: int = 0
    """Of these, the ones that did not go where most went from there."""
    cut_in: int = 0
    """Requests without any answer after which the next one came sooner than an answer usually does."""
    unasked: int = 0
    """Sound replies that nobody had asked for, with nothing damaged that could have been the request."""


class _At:
    __slots__ = (
        "answered",
        "asked_ns",
        "busy",
        "damages",
        "early",
        "early_count",
        "intervals",
        "jumps",
        "last_sequence",
        "late",
        "latency",
        "mismatches",
        "out_requests",
        "outages",
        "owed",
        "owed_number",
        "proven_late",
        "recent",
        "refusals",
        "refused_numbers",
        "repeats",
        "requests",
        "restarts",
        "seconds",
        "silent_run",
        "was_answered",
    )

    def __init__(self) -> None:
        self.requests = self.answered = self.outages = self.out_requests = self.silent_run = 0
        self.seconds = self.late = self.restarts = self.jumps = self.repeats = 0
        self.mismatches = self.refusals = self.refused_numbers = self.busy = 0
        self.latency, self.intervals = Durations(), Durations()
        self.early = self.recent = 0.0
        self.early_count = 0
        self.asked_ns = -1
        self.damages = -1
        self.last_sequence = -1
        self.was_answered = False
        self.owed = self.proven_late = 0
        """Of `owed_number`: replies still to come to askings that went unanswered until it was asked again."""
        self.owed_number = -1


class ConductCounter:
    """Watches sound frames and exchanges; one a tap. Constant memory."""

    def __init__(self) -> None:
        self._at: dict[int, _At] = {}
        self._steps: dict[int, dict[int, int]] = {}
        self._from: int | None = None
        self._given_up = Durations()
        self._reply_ns = 0
        self._damages = self._unasked = 0
        self._asked_at = -1
        """How much had been damaged by the last request."""

    def request(self, frame: Frame) -> None:
        """Take a sound request, after the exchange that it ended."""
        octets = frame.octets
        if frame.protocol is _OSDP:
            self._request(octets[1] & 0x7F, frame, octets[4] & 3)
        else:
            self._request(octets[0] | 0x100, frame, -1)

    def damaged(self) -> None:
        """Something was damaged: whose request or reply it was is not known, so nothing is concluded across it."""
        self._damages += 1
        self._from = None

    def unasked(self, frame: Frame) -> None:
        """Take a sound reply that answers no open request."""
        if self._damages != self._asked_at:
            return
        octets = frame.octets
        key = octets[1] & 0x7F if frame.protocol is _OSDP else octets[0] | 0x100
        self._unasked += 1
        at = self._find(key)
        if at.owed and octets[4] & 3 == at.owed_number and frame.t_ns - at.asked_ns < SECOND_REPLY_NS:
            at.owed -= 1
            at.proven_late += 1
        if key == self._from and frame.t_ns - self._reply_ns < SECOND_REPLY_NS:
            at.seconds += 1
        elif at.asked_ns >= 0 and not at.was_answered and at.damages == self._damages:
            at.late += 1
            at.was_answered = True
            at.latency.add(max(0, frame.t_ns - at.asked_ns))

    def _request(self, key: int, frame: Frame, sequence: int) -> None:
        at = self._find(key)
        whole = at.damages == self._damages
        at.damages = self._asked_at = self._damages
        if sequence >= 0 and whole and sequence == at.last_sequence and not at.was_answered:
            if at.owed_number != sequence:
                at.owed, at.owed_number = 0, sequence
            # Asked again too soon, the device is not to blame.
            at.owed += frame.t_ns - at.asked_ns > REPLY_LIMIT_NS[_OSDP]
        elif not whole or sequence == at.owed_number:
            at.owed, at.owed_number = 0, -1
        if at.asked_ns >= 0 and whole:
            at.intervals.add(frame.end_ns - at.asked_ns)
        at.asked_ns = frame.end_ns
        before = self._from
        if before is not None and before != key:
            steps = self._steps.get(before)
            if steps is None:
                steps = self._steps[before] = {}
            if key in steps:
                steps[key] += 1
            elif bounded(steps, _MOST_STEPS // 8):
                steps[key] = 1
        self._from = None
        if sequence >= 0:
            last = at.last_sequence
            if last >= 0 and whole:
                if sequence == 0:
                    at.restarts += at.was_answered
                elif sequence == last:
                    at.repeats += at.was_answered
                elif sequence != last % 3 + 1:
                    at.jumps += 1
            at.last_sequence = sequence
        at.was_answered = False

    def exchange(self, exchange: Exchange) -> None:
        """Take an exchange that has ended; before the frame that ended it."""
        request, reply, outcome, latency_ns, _ = exchange
        octets = request.octets
        osdp = request.protocol is _OSDP
        key = octets[1] & 0x7F if osdp else octets[0] | 0x100
        at = self._find(key)
        at.requests += 1
        if reply is not None:
            self._answered(at, key, octets, reply, osdp, latency_ns or 0)
        elif outcome is not Outcome.BROADCAST:
            at.silent_run += 1

    def gave_up(self, waited_ns: int) -> None:
        """The next request came so long after one that nothing answered."""
        self._given_up.add(waited_ns)

    def _answered(self, at: _At, key: int, asked: bytes, reply: Frame, osdp: bool, latency_ns: int) -> None:
        if at.silent_run >= OUTAGE and at.answered:
            at.outages += 1
            at.out_requests += at.silent_run
        at.silent_run = 0
        at.answered += 1
        at.was_answered = True
        self._from = key
        self._reply_ns = reply.t_ns
        at.latency.add(latency_ns)
        if latency_ns > REPLY_LIMIT_NS[reply.protocol]:
            at.late += 1
        short = float(latency_ns)
        if at.early_count < _EARLY:
            at.early_count += 1
            at.early += (short - at.early) / at.early_count
            at.recent = at.early
        else:
            at.recent += (short - at.recent) / _EARLY
        octets = reply.octets
        if not osdp:
            at.refusals += octets[1] >> 7
            return
        control = octets[4]
        place = 5 + octets[5] if control & 8 and len(octets) > 5 else 5
        code = octets[place] if place < len(octets) else 0
        if code == _BUSY:
            at.busy += 1
        elif (control ^ asked[4]) & 3:
            at.mismatches += 1
        if code == _NAK:
            at.refusals += 1
            at.refused_numbers += octets[place + 1] == _NAK_SEQUENCE if place + 1 < len(octets) else 0

    def _find(self, key: int) -> _At:
        at = self._at.get(key)
        if at is None:
            at = self._at[key] = _At()
        return at

    def figures(self) -> Conduct:
        """What was seen so far."""
        steps = sum(sum(row.values()) for row in self._steps.values())
        usual = sum(max(row.values()) for row in self._steps.values() if row)
        normal = Durations.together(at.latency for at in self._at.values()).quantile(0.5)
        return Conduct(
            tuple(self._figures(key, self._at[key]) for key in sorted(self._at)),
            steps,
            steps - usual,
            round(self._given_up.count * self._given_up.below(1.3 * normal)) if normal else 0,
            self._unasked,
        )

    @staticmethod
    def _figures(key: int, at: _At) -> AddressConduct:
        quantiles = [at.latency.quantile(share) for share in (0.05, 0.25, 0.5, 0.75, 0.95)]
        low, middle = at.intervals.quantile(0.05), at.intervals.quantile(0.5)
        return AddressConduct(
            _MODBUS if key & 0x100 else _OSDP,
            key & 0xFF,
            at.requests,
            at.answered,
            at.outages,
            at.out_requests,
            at.seconds,
            at.late,
            at.proven_late,
            at.restarts,
            at.jumps,
            at.repeats,
            at.mismatches,
            at.refusals,
            at.refused_numbers,
            at.busy,
            tuple(value for value in quantiles if value is not None),
            at.recent / at.early if at.early_count >= _EARLY and at.early > 0 and at.answered >= 3 * _EARLY else None,
            low / middle if low is not None and middle and at.intervals.count >= 10 else None,
            at.silent_run if at.answered else 0,
        )
