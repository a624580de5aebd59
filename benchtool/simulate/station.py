"""What the virtual bus asks of everything that is wired to it: a controller, a device, a fault that talks.

A station has no clock and no port: it hears chunks, says when it wants to act, and answers with octets to send.
"""

from __future__ import annotations

from abc import ABC, abstractmethod

from benchtool.capture.chunk import Chunk


class Station(ABC):
    """One talker and listener on the pair. All times are nanoseconds of bus time."""

    name: str

    @abstractmethod
    def hear(self, chunk: Chunk) -> None:
        """Take octets as this station's receiver made them of the line."""

    def wants(self, octets: bytes) -> bool:
        """Whether it matters to this station what it makes of a transmission of these octets.

        The bus leaves out what does not matter. True if in doubt.
        """
        return True

    def defers(self) -> bool:
        """Whether it would hold back what it has to say while it hears somebody else talk."""
        return False

    @abstractmethod
    def wake_ns(self) -> int | None:
        """When it wants `act` to be called; None while it only waits to hear something."""

    @abstractmethod
    def act(self, now_ns: int) -> bytes | None:
        """Do what was due; returns octets to send from now on, or None."""

    def baud(self) -> int | None:
        """The bit rate that it wants from its next octet on; None: as its line is set. Asked by a real line only."""
        return None
