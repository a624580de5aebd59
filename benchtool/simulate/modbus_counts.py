"""What a simulated Modbus server counts and logs, and function 08 (Diagnostics) upon it.

Counters CPT1 to CPT8 are sub-functions 0B to 12 (sheet 3.1). The other sub-functions, what counts as an event, and the
octets of the event log are from memory.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import Any

BUS_MESSAGES, BUS_ERRORS, EXCEPTIONS, MESSAGES, NO_RESPONSE, NAK, BUSY, OVERRUN = range(0x0B, 0x13)
"""The counters by their sub-function."""

_ILLEGAL_VALUE = 3
_ZERO, _ONES = "0000", "FF00"
_RESTART, _REGISTER, _DELIMITER, _LISTEN_ONLY, _CLEAR, _CLEAR_OVERRUN = 0x01, 0x02, 0x03, 0x04, 0x0A, 0x14
_MOST_EVENTS = 64
_EVENT_RESTART, _EVENT_LISTEN_ONLY = 0x00, 0x04
_SEND_BITS = {1: 1, 2: 1, 3: 1, 4: 2, 5: 4, 6: 4, 7: 8}
"""What an exception sets in the event of its sending."""
_NO_EVENT = frozenset((0x0B, 0x0C))
"""Fetching the counter or the log is no event of its own."""


class RefusedError(Exception):
    """The request is answered with this exception; never leaves the simulated server."""

    def __init__(self, exception: int) -> None:
        super().__init__(exception)
        self.exception = exception


class Counts:
    """Counters of 16 bits that go round, an event counter, and a log of the last 64 events, the latest first."""

    def __init__(self) -> None:
        self.by_sub_function = dict.fromkeys(range(BUS_MESSAGES, OVERRUN + 1), 0)
        self.events = 0
        self.log: deque[int] = deque(maxlen=_MOST_EVENTS)
        self.register = 0
        """The diagnostic register."""
        self.busy = False
        """Whether a program command is still being worked on."""
        self.listen_only = False

    def add(self, counter: int) -> None:
        """Count one."""
        self.by_sub_function[counter] = (self.by_sub_function[counter] + 1) & 0xFFFF

    def received(self, *, broadcast: bool) -> None:
        """A request to this server, or to all."""
        self.add(MESSAGES)
        self.log.appendleft(0x80 | 0x40 * broadcast | 0x20 * self.listen_only)
        if self.listen_only or broadcast:
            self.add(NO_RESPONSE)

    def damaged(self) -> None:
        """A message with a wrong check value or a line error, whoever it was for."""
        self.add(BUS_ERRORS)
        self.log.appendleft(0x82)

    def said(self, function: int, reply: bytes | None) -> None:
        """The request was dealt with: `reply` is function and data, or None."""
        if reply is None or not reply[0] & 0x80:
            if function not in _NO_EVENT and not self.listen_only:
                self.events = (self.events + 1) & 0xFFFF
            if reply is not None:
                self.log.appendleft(0x40 | 0x20 * self.listen_only)
            return
        exception = reply[1]
        self.add(EXCEPTIONS)
        if exception == 6:
            self.add(BUSY)
        elif exception == 7:
            self.add(NAK)
        self.log.appendleft(0x40 | _SEND_BITS.get(exception, 0))

    def event_count(self) -> dict[str, Any]:
        """What function 0B tells."""
        return {"status": 0xFFFF if self.busy else 0, "event_count": self.events}

    def event_log(self) -> dict[str, Any]:
        """What function 0C tells."""
        messages = self.by_sub_function[BUS_MESSAGES]
        return {**self.event_count(), "message_count": messages, "events": bytes(self.log)}

    def diagnose(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Function 08; the answer. RefusedError where the data does not fit the sub-function."""
        sub_function, data = values["sub_function"], values.get("data", "")
        if sub_function == 0:
            return dict(values)
        if sub_function == _RESTART:
            self._restart(data)
        elif sub_function == _DELIMITER:
            if len(data) != 4 or not data.endswith("00"):
                raise RefusedError(_ILLEGAL_VALUE)
        elif data != _ZERO:
            raise RefusedError(_ILLEGAL_VALUE)
        elif sub_function == _LISTEN_ONLY:
            self.listen_only = True
            self.log.appendleft(_EVENT_LISTEN_ONLY)
        elif sub_function == _CLEAR:
            self._clear()
        elif sub_function == _CLEAR_OVERRUN:
            self.by_sub_function[OVERRUN] = 0
        elif sub_function == _REGISTER:
            data = f"{self.register:04X}"
        else:
            data = f"{self.by_sub_function[sub_function]:04X}"
        return {"sub_function": sub_function, "data": data}

    def _restart(self, data: str) -> None:
        if data not in (_ZERO, _ONES):
            raise RefusedError(_ILLEGAL_VALUE)
        if data == _ONES:
            self.log.clear()
        self._clear()
        self.listen_only = False
        self.log.appendleft(_EVENT_RESTART)

    def _clear(self) -> None:
        self.by_sub_function = dict.fromkeys(self.by_sub_function, 0)
        self.register = self.events = 0
