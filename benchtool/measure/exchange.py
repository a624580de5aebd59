"""Pairs a request with its reply: who was asked, who answered, how fast, and who did not.

Bus rules used: one request at a time; a reply carries the address asked (OSDP: with bit 7 set, sheet section 5.1;
Modbus: as it stands, section 3.1). A broadcast (OSDP 127, Modbus 0) need not be answered.
"""

from __future__ import annotations

from enum import Enum
from typing import NamedTuple

from benchtool.frames.frame import Frame, Protocol, Reason, Role

REPLY_LIMIT_NS = 200_000_000
"""OSDP: a device answers within 200 ms (sheet 5.2). Used to close the last request of a capture."""


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
    """The first damaged frame or unknown span after the request, if any."""

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


def is_broadcast(frame: Frame) -> bool:
    """Whether a request is for all devices."""
    return frame.address == (127 if frame.protocol is Protocol.OSDP else 0)


class ExchangeTracker:
    """Feed frames in order; each call returns the exchange that this frame ended, or None."""

    __slots__ = ("_damaged", "_pending", "orphan_replies")

    def __init__(self) -> None:
        self._pending: Frame | None = None
        self._damaged: Frame | None = None
        self.orphan_replies = 0
        """Sound replies that nobody had asked for (or whose request was damaged)."""

    def feed(self, frame: Frame) -> Exchange | None:
        """Take the next frame."""
        pending = self._pending
        if frame.reason is not _OK:
            if pending is not None and self._damaged is None:
                self._damaged = frame
            return None
        role = frame.role
        if role is _REPLY:
            if pending is None or pending.protocol is not frame.protocol or pending.address != frame.address:
                self.orphan_replies += 1
                return None
            damaged = self._damaged
            self._pending = self._damaged = None
            return Exchange(pending, frame, Outcome.ANSWERED, frame.t_ns - pending.end_ns, damaged)
        if role is _REQUEST:
            ended = self._end(pending) if pending is not None else None
            self._pending = frame
            self._damaged = None
            return ended
        return None

    def interrupt(self) -> None:
        """The tap could not hear for a time: the open request is forgotten, not counted as unanswered."""
        self._pending = self._damaged = None

    def close(self, now_ns: int) -> Exchange | None:
        """End of listening at `now_ns`: a request still within its time limit is not counted against the device."""
        pending = self._pending
        self._pending = None
        if pending is None or (self._damaged is None and now_ns - pending.end_ns < REPLY_LIMIT_NS):
            return None
        return self._end(pending)

    def _end(self, pending: Frame) -> Exchange:
        damaged = self._damaged
        if damaged is not None:
            outcome = Outcome.DAMAGED
        else:
            outcome = Outcome.BROADCAST if is_broadcast(pending) else Outcome.SILENT
        return Exchange(pending, None, outcome, None, damaged)
