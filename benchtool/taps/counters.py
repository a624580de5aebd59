"""Line errors that the kernel counts, and what remains of them once the marked octets are taken off.

Facts: `struct serial_icounter_struct`, 20 ints, never reset, so only differences mean anything (sheet 10.2, serial.h).
"""

from __future__ import annotations

import struct
from typing import NamedTuple

from benchtool.capture.chunk import LineCounts, Mark

_STRUCT = struct.Struct("=20I")
ICOUNT_SIZE = _STRUCT.size
"""Octets that TIOCGICOUNT fills: 80."""
_WRAP = 0xFFFFFFFF


class Counters(NamedTuple):
    """The error counters of one line, as they stand."""

    framing: int = 0
    overrun: int = 0
    parity: int = 0
    breaks: int = 0
    buffer_overrun: int = 0

    @classmethod
    def from_bytes(cls, raw: bytes) -> Counters:
        """Read what TIOCGICOUNT filled in; ValueError when it is not 80 octets."""
        if len(raw) != ICOUNT_SIZE:
            raise ValueError(f"serial_icounter_struct has {ICOUNT_SIZE} octets, not {len(raw)}")
        # cts, dsr, rng, dcd, rx, tx, frame, overrun, parity, brk, buf_overrun, reserved[9]
        return cls(*_STRUCT.unpack(raw)[6:11])

    def since(self, before: Counters) -> Counters:
        """How far each counter rose since `before`; they wrap at 32 bits."""
        return Counters(*((now - then) & _WRAP for now, then in zip(self, before, strict=True)))


class ErrorLedger:
    """Sets counted errors against marked octets, so that none is told twice and none is forgotten.

    A counter may rise before its octet has been read, so a count becomes a LineCounts item only when no mark has
    taken it off by the sample after. Overruns are never marked in the stream; they are told at once. A driver that
    marks a whole USB packet for one error gives more marks than counts; that leaves nothing over.
    """

    def __init__(self, first: Counters) -> None:
        self._last = first
        self._owed = {Mark.FRAMING: 0, Mark.PARITY: 0, Mark.BREAK: 0}
        self._standing = dict(self._owed)
        self._recent = Mark.NONE
        self._overrun = 0

    def count(self, now: Counters) -> None:
        """Take in the counters as they stand now."""
        rise = now.since(self._last)
        self._last = now
        if rise == (0, 0, 0, 0, 0):
            return
        self._owed[Mark.FRAMING] += rise.framing
        self._owed[Mark.PARITY] += rise.parity
        self._owed[Mark.BREAK] += rise.breaks
        self._overrun += rise.overrun + rise.buffer_overrun

    @property
    def kinds(self) -> Mark:
        """The kinds counted and not yet marked; where none, those of the marks just before (a packet cut in two)."""
        owed = Mark.NONE
        for kind, number in self._owed.items():
            if number:
                owed |= kind
        if owed:
            self._recent = owed
        return self._recent

    def marked(self, marks: bytes) -> None:
        """Take off what was marked."""
        for kind, number in self._owed.items():
            if number:
                self._owed[kind] = max(0, number - sum(1 for mark in marks if mark & kind))

    def left_over(self, t_ns: int, *, last: bool = False) -> LineCounts | None:
        """Counts that no mark explained since the call before (`last`: since ever), or None."""
        due = {kind: number if last else min(number, self._standing[kind]) for kind, number in self._owed.items()}
        for kind, number in due.items():
            self._owed[kind] -= number
        self._standing = dict(self._owed)
        overrun, self._overrun = self._overrun, 0
        if not overrun and not any(due.values()):
            return None
        return LineCounts(t_ns, due[Mark.FRAMING], due[Mark.PARITY], due[Mark.BREAK], overrun)
