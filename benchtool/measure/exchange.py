"""Pairs a request with its reply: who was asked, who answered, how fast, and who did not.

Bus rules used: one request at a time; a reply carries the address asked (OSDP: with bit 7 set, sheet section 5.1;
Modbus: as it stands, section 3.1). A broadcast (OSDP 127, Modbus 0) need not be answered.
"""

from __future__ import annotations

from enum import Enum
from typing import NamedTuple

from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.frames.osdp import check

REPLY_LIMIT_NS = {
    Protocol.OSDP: check.REPLY_LIMIT_NS,
    Protocol.MODBUS_RTU: 1_000_000_000,
    Protocol.MODBUS_ASCII: 1_000_000_000,
    Protocol.TABLE: 1_000_000_000,
}
"""How long a reply may take: OSDP 200 ms (sheet 5.2), Modbus typically 1 s or more (sheet 3.1); unknown buses too.

Used to close the last request of a capture, and to tell whose reply it is after damage.
"""


class Outcome(Enum):
    """How an exchange ended."""

    ANSWERED = "answered"
    SILENT = "silent"
    """Nothing at all came before the next request."""
    DAMAGED = "damaged"
    """Octets came, but no sound reply."""
    BROADCAST = "broadcast"
    """Sent to all, not answered, as it may be."""


class Exchange(NamedTuple):
    """A request and what became of it."""

    request: Frame
    reply: Frame | None
    outcome: Outcome
    latency_ns: int | None
    """From the request's last octet to the reply's first; None without a sound reply."""
    damaged: Frame | None
    """The first damaged frame or unknown span after the request, if any; a damaged request is not counted."""

    @property
    def protocol(self) -> Protocol:
        """The request's protocol."""
        return self.request.protocol

    @property
    def address(self) -> int:
        """The address asked."""
        return self.request.address or 0


_OK = Reason.OK
_REQUEST = Role.REQUEST
_REPLY = Role.REPLY
_OSDP = Protocol.OSDP
_MODBUS_RTU = Protocol.MODBUS_RTU
_ANSWERED = Outcome.ANSWERED
_new = tuple.__new__


def is_broadcast(frame: Frame) -> bool:
    """Whether a request is for all devices."""
    if frame.protocol is Protocol.TABLE:
        return False  # what a table learned from traffic does not say
    return frame.address == (127 if frame.protocol is Protocol.OSDP else 0)


class ExchangeTracker:
    """Feed frames in order; each call returns the exchange that this frame ended, or None."""

    __slots__ = ("_address", "_broken", "_damaged", "_pending", "orphan_replies")

    def __init__(self) -> None:
        self._pending: Frame | None = None
        self._address: int | None = None
        """The address that the pending request asks."""
        self._damaged: Frame | None = None
        self._broken = False
        """Whether anything was damaged since the pending request."""
        self.orphan_replies = 0
        """Sound replies that nobody had asked for (or whose request was damaged)."""

    def feed(self, frame: Frame) -> Exchange | None:
        """Take the next frame."""
        pending = self._pending
        protocol, t_ns, _, octets, reason, role, _, _, _, _ = frame
        if reason is not _OK:
            self._broken = True
            if pending is not None and self._damaged is None and role is not _REQUEST:
                self._damaged = frame
            return None
        if role is _REPLY:
            # As `Frame.address`, which costs a call more: this is the hot path.
            address = octets[0] if protocol is _MODBUS_RTU else octets[1] & 0x7F if protocol is _OSDP else frame.address
            if pending is None or address != self._address or pending.protocol is not protocol:
                self.orphan_replies += 1
                return None
            if self._broken and t_ns - pending.end_ns >= REPLY_LIMIT_NS[protocol]:
                # The damaged frame between them was the request asked again: this reply is to that one.
                self.orphan_replies += 1
                missed = self._end(pending)
                self._pending = self._damaged = None
                return missed
            damaged = self._damaged
            self._pending = self._damaged = None
            return _new(Exchange, (pending, frame, _ANSWERED, t_ns - pending.end_ns, damaged))
        if role is _REQUEST:
            ended = self._end(pending) if pending is not None else None
            self._pending = frame
            self._address = (
                octets[0] if protocol is _MODBUS_RTU else octets[1] & 0x7F if protocol is _OSDP else frame.address
            )
            self._damaged = None
            self._broken = False
            return ended
        return None

    def interrupt(self) -> None:
        """The tap could not hear for a time: the open request is forgotten, not counted as unanswered."""
        self._pending = self._damaged = None

    def close(self, now_ns: int) -> Exchange | None:
        """End of listening at `now_ns`: a request still within its time limit is not counted against the device."""
        pending = self._pending
        ended = None
        if pending is not None and (
            self._damaged is not None or now_ns - pending.end_ns >= REPLY_LIMIT_NS[pending.protocol]
        ):
            ended = self._end(pending)
        self._pending = self._damaged = None
        return ended

    def _end(self, pending: Frame) -> Exchange:
        damaged = self._damaged
        if damaged is not None:
            outcome = Outcome.DAMAGED
        else:
            outcome = Outcome.BROADCAST if is_broadcast(pending) else Outcome.SILENT
        return Exchange(pending, None, outcome, None, damaged)
