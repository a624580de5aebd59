"""Running tallies of a bus in constant memory: octets, line errors, frames, exchanges and silences, per address.

Feed each item that a tap delivers and each frame that the decoder makes of it; `figures()` is an immutable picture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchtool.capture.chunk import Chunk, Gap, Item, LineCounts, LineErrors, Mark, TapInfo
from benchtool.frames.frame import Frame, Protocol, Reason
from benchtool.measure.exchange import Exchange, ExchangeTracker, Outcome
from benchtool.measure.spread import Spread, SpreadFigures

_OK = Reason.OK
_OSDP, _MODBUS_RTU, _UNKNOWN = Protocol.OSDP, Protocol.MODBUS_RTU, Protocol.UNKNOWN
_ANSWERED = Outcome.ANSWERED
_COUNT_AT = 1 << 16
SEEN_OFTEN = 4
"""Sound frames with one address that noise hardly makes by chance (judgement)."""
_MARK_KINDS = (
    (Mark.FRAMING, "framing"),
    (Mark.PARITY, "parity"),
    (Mark.BREAK, "break"),
    (Mark.OVERRUN, "overrun"),
)


@dataclass(frozen=True, slots=True)
class AddressFigures:
    """What was counted at one address of one protocol."""

    protocol: Protocol
    address: int
    requests: int
    answered: int
    silent: int
    damaged: int
    check_failures: int
    """Damaged frames that bear this address (which may itself be damaged)."""
    unasked: int
    """Sound replies without a request before them."""
    latency: SpreadFigures

    @property
    def is_there(self) -> bool:
        """Whether somebody is at this address, or is asked for there: in noise, chance frames bear any address."""
        return self.answered > 0 or self.requests + self.unasked >= SEEN_OFTEN


@dataclass(frozen=True, slots=True)
class Figures:
    """A picture of the tallies. Times in nanoseconds; `elapsed_ns` from the first octet to the end of listening."""

    elapsed_ns: int
    octets: int
    frames_ok: dict[Protocol, int]
    frames_bad: dict[Reason, int]
    unknown_octets: int
    resynchronisations: int
    """How often sound frames came again after damage."""
    line_errors: LineErrors
    marks: dict[str, int]
    """Damaged octets by kind; meaningless where `line_errors` is unavailable."""
    gaps: int
    deaf_ns: int
    """How long nothing could be heard: all gaps together."""
    bus_load: float
    """Share of the time listened, gaps left out, in which octets were on the wire, 0 to 1, at the tap's own rate."""
    silence: SpreadFigures
    turnaround: SpreadFigures
    """Latency of all answered exchanges: last octet of the request to first octet of the reply."""
    resolution_ns: int
    addresses: tuple[AddressFigures, ...]
    decoder_counters: dict[str, int]
    unproved: int = 0
    """Of `frames_ok`, those that no check value proves sound: all of a protocol table without one."""

    no_address: bool = False
    """Whether frames of a protocol table came and none had an address: their row counts the whole bus under 0."""

    @property
    def proved(self) -> dict[Protocol, int]:
        """Sound frames by protocol, without those that nothing proves."""
        return {p: n for p, n in self.frames_ok.items() if not (self.unproved and p is Protocol.TABLE)}

    @property
    def sound(self) -> int:
        """Sound frames of any protocol."""
        return sum(self.frames_ok.values())

    @property
    def damaged(self) -> int:
        """Frames and spans that are not sound."""
        return sum(self.frames_bad.values())


class _Address:
    __slots__ = ("answered", "check_failures", "damaged", "latency", "requests", "silent", "unasked")

    def __init__(self) -> None:
        self.requests = self.answered = self.silent = self.damaged = self.check_failures = self.unasked = 0
        self.latency = Spread()


class Tally:
    """Counts everything; one a tap."""

    def __init__(self, info: TapInfo) -> None:
        self.info = info
        self._char_ns = info.settings.char_ns
        self._tracker = ExchangeTracker()
        self._octets = 0
        self._waiting = bytearray()
        self._values: npt.NDArray[np.int64] = np.zeros(256, dtype=np.int64)
        self._marks = dict.fromkeys((name for _, name in _MARK_KINDS), 0)
        self._osdp_ok = self._modbus_ok = self._unproved = 0
        self._bad: dict[Reason, int] = {}
        self._unknown_octets = 0
        self._resync = 0
        self._was_bad = False
        self._gaps = 0
        self._deaf_ns = 0
        self._first_ns: int | None = None
        self._last_ns = 0
        self._silence = Spread()
        self._turnaround = Spread()
        # Two tables rather than one by protocol: hashing an Enum costs more than all the rest here.
        self._osdp: dict[int, _Address] = {}
        self._modbus: dict[int, _Address] = {}
        self._others: dict[Protocol, dict[int, _Address]] = {}
        self._others_ok: dict[Protocol, int] = {}
        self._address_known = False

    def begin(self, now_ns: int) -> None:
        """Listening begins at `now_ns`; without this it begins with the first octet."""
        self._first_ns = self._last_ns = now_ns

    def item(self, item: Item) -> None:
        """Count an item as it came from the tap."""
        if isinstance(item, Chunk):
            octets = item.octets
            self._octets += len(octets)
            waiting = self._waiting
            waiting += octets
            if len(waiting) >= _COUNT_AT:
                self._count_values()
            if item.marks:
                self._count_marks(item.marks)
            if self._first_ns is None:
                self._first_ns = item.t_ns
                self._last_ns = item.end_ns
            elif item.end_ns > self._last_ns:
                self._last_ns = item.end_ns
        elif isinstance(item, Gap):
            self._gaps += 1
            if self._first_ns is not None:
                self._deaf_ns += max(0, item.end_ns - item.t_ns)
            self._tracker.interrupt()
            self._last_ns = max(self._last_ns, item.end_ns)
        elif isinstance(item, LineCounts):
            self._last_ns = max(self._last_ns, item.t_ns)
            for count, (_, name) in zip(item[1:], _MARK_KINDS, strict=True):
                self._marks[name] += count

    def frame(self, frame: Frame) -> Exchange | None:
        """Count a frame; returns the exchange that it ended, if any."""
        silence_ns = frame.silence_ns
        if silence_ns is not None:
            self._silence.add(silence_ns)
        if frame.reason is _OK:
            protocol = frame.protocol
            if protocol is _OSDP:
                self._osdp_ok += 1
            elif protocol is _MODBUS_RTU:
                self._modbus_ok += 1
            else:
                self._others_ok[protocol] = self._others_ok.get(protocol, 0) + 1
                self._unproved += not frame.proved
                self._address_known = self._address_known or frame.address is not None
            if self._was_bad:
                self._was_bad = False
                self._resync += 1
        else:
            self._was_bad = True
            self._bad[frame.reason] = self._bad.get(frame.reason, 0) + 1
            if frame.protocol is _UNKNOWN:
                self._unknown_octets += len(frame.octets)
            elif frame.address is not None:
                self._at(frame.protocol, frame.address).check_failures += 1
        tracker = self._tracker
        orphans = tracker.orphan_replies
        exchange = tracker.feed(frame)
        if exchange is not None:
            self._count_exchange(exchange)
        if tracker.orphan_replies != orphans:
            self._at(frame.protocol, frame.address or 0).unasked += 1
        return exchange

    def close(self, now_ns: int) -> Exchange | None:
        """End of listening at `now_ns` on the tap's clock."""
        self._last_ns = max(self._last_ns, now_ns)
        exchange = self._tracker.close(now_ns)
        if exchange is not None:
            self._count_exchange(exchange)
        return exchange

    def values(self) -> npt.NDArray[np.int64]:
        """How often each octet value came: shape (256,), counts."""
        self._count_values()
        return self._values.copy()

    def figures(self, decoder_counters: dict[str, int] | None = None) -> Figures:
        """An immutable picture of the tallies as they stand."""
        elapsed = 0 if self._first_ns is None else max(0, self._last_ns - self._first_ns)
        listened = elapsed - self._deaf_ns
        busy = self._octets * self._char_ns
        return Figures(
            elapsed_ns=elapsed,
            octets=self._octets,
            frames_ok={p: n for p, n in ((_OSDP, self._osdp_ok), (_MODBUS_RTU, self._modbus_ok)) if n}
            | self._others_ok,
            frames_bad=dict(self._bad),
            unknown_octets=self._unknown_octets,
            resynchronisations=self._resync,
            line_errors=self.info.line_errors,
            marks=dict(self._marks),
            gaps=self._gaps,
            deaf_ns=self._deaf_ns,
            bus_load=min(1.0, busy / listened) if listened > 0 else 0.0,
            silence=self._silence.figures(),
            turnaround=self._turnaround.figures(),
            resolution_ns=self.info.resolution_ns,
            addresses=tuple(
                self._address_figures(protocol, address, table[address])
                for protocol, table in ((_MODBUS_RTU, self._modbus), (_OSDP, self._osdp), *self._others.items())
                for address in sorted(table)
            ),
            decoder_counters=dict(decoder_counters or {}),
            unproved=self._unproved,
            no_address=Protocol.TABLE in self._others_ok and not self._address_known,
        )

    @staticmethod
    def _address_figures(protocol: Protocol, address: int, at: _Address) -> AddressFigures:
        return AddressFigures(
            protocol,
            address,
            at.requests,
            at.answered,
            at.silent,
            at.damaged,
            at.check_failures,
            at.unasked,
            at.latency.figures(),
        )

    def _at(self, protocol: Protocol, address: int) -> _Address:
        if protocol is _OSDP:
            table = self._osdp
        elif protocol is _MODBUS_RTU:
            table = self._modbus
        else:
            table = self._others.setdefault(protocol, {})
        found = table.get(address)
        if found is None:
            found = table[address] = _Address()
        return found

    def _count_exchange(self, exchange: Exchange) -> None:
        request, _, outcome, latency_ns, _ = exchange
        at = self._at(request.protocol, request.address or 0)
        at.requests += 1
        if outcome is _ANSWERED:
            at.answered += 1
            latency = latency_ns or 0
            at.latency.add(latency)
            self._turnaround.add(latency)
        elif outcome is Outcome.SILENT:
            at.silent += 1
        elif outcome is Outcome.DAMAGED:
            at.damaged += 1

    def _count_marks(self, marks: bytes) -> None:
        for bit, name in _MARK_KINDS:
            self._marks[name] += sum(1 for mark in marks if mark & bit)

    def _count_values(self) -> None:
        if self._waiting:
            self._values += np.bincount(np.frombuffer(bytes(self._waiting), dtype=np.uint8), minlength=256)
            self._waiting.clear()
