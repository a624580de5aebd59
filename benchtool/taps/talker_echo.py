"""Our own octets as they come back: recognised, taken away, and compared with what we sent. Sans-IO.

Many adapters on a two-wire pair hear themselves. An echo that differs is proof that somebody else talked at the same
time, that the driver did not drive, or that the line is shorted. Common practice, no published source.
"""

from __future__ import annotations

from enum import Enum
from typing import NamedTuple


class Echo(Enum):
    """What is known of the echo; the value is the word of `--echo`."""

    AUTO = "auto"
    """Not known yet: the first transmission that comes back whole tells."""
    YES = "yes"
    NO = "no"


class Difference(NamedTuple):
    """An echo that is not what was sent."""

    sent: bytes
    heard: bytes
    """As much of it as came; shorter than `sent` where octets are missing."""
    at: int
    """The first octet that differs, or the first that is missing."""


class EchoCheck:
    """Takes our octets out of what is heard. Call `sent` with each transmission, `heard` with what comes."""

    def __init__(self, echo: Echo = Echo.AUTO) -> None:
        self.echo = echo
        self._auto = echo is Echo.AUTO
        self._sent = b""
        self._heard = b""
        self._marks = b""
        self._certain = True
        self.compared = 0
        """Transmissions that came back and were compared."""
        self.came_back = 0
        """Transmissions that came back whole although no echo was expected."""
        self._unexpected = b""
        self._begun = b""
        self.differences: list[Difference] = []
        """Echoes that were not what was sent, until they are taken away."""

    def sent(self, octets: bytes, *, certain: bool = True) -> tuple[bytes, bytes]:
        """We have sent this. `certain` False: a reply may be the same octets, so it cannot tell whether there is echo.

        Answers octets and marks that were held back as a possible echo of the transmission before, and were none.
        """
        rest = self.silent()
        self._sent = octets if self.echo is not Echo.NO else b""
        self._unexpected, self._begun = (octets, b"") if self.echo is Echo.NO and certain else (b"", b"")
        self._certain = certain
        return rest

    def heard(self, octets: bytes, marks: bytes) -> tuple[bytes, bytes]:
        """What is left of octets and marks once the echo is taken away."""
        if not self._sent:
            self._look_for_echo(octets)
            return octets, marks
        marks = marks or bytes(len(octets))
        self._heard += octets
        self._marks += marks
        if self.echo is Echo.AUTO and not (self._sent.startswith(self._heard) or self._heard.startswith(self._sent)):
            return self._release(0)
        if len(self._heard) < len(self._sent):
            return b"", b""
        if self.echo is Echo.AUTO and not self._certain:
            return self._release(0)
        size = len(self._sent)
        echoed = self._heard[:size]
        self.compared += 1
        self.echo = Echo.YES
        if echoed != self._sent or any(self._marks[:size]):
            self._differs(echoed)
        return self._release(size)

    def silent(self) -> tuple[bytes, bytes]:
        """The line has been silent for longer than an echo takes: what was held back as its beginning is none."""
        if self._sent and self.echo is Echo.YES:
            self.compared += 1
            self._differs(self._heard)
            return self._release(len(self._heard))
        return self._release(0)

    @property
    def waits(self) -> bool:
        """Whether the end of an echo, or of what may be one, has not come."""
        return bool(self._sent) and (self.echo is Echo.YES or bool(self._heard))

    def _look_for_echo(self, octets: bytes) -> None:
        """Where none is expected, nothing is taken away; whether it was one is counted."""
        if not self._unexpected:
            return
        self._begun += octets
        if self._begun.startswith(self._unexpected):
            self.came_back += 1
        elif self._unexpected.startswith(self._begun):
            return
        self._unexpected = self._begun = b""

    def _differs(self, echoed: bytes) -> None:
        pairs = enumerate(zip(echoed, self._sent, strict=False))
        at = next((index for index, (one, other) in pairs if one != other), len(echoed))
        self.differences.append(Difference(self._sent, echoed, at))

    def _release(self, begin: int) -> tuple[bytes, bytes]:
        rest, marks = self._heard[begin:], self._marks[begin:]
        self._sent = self._heard = self._marks = b""
        return rest, marks if any(marks) else b""
