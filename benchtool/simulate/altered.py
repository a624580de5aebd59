"""A station whose transmissions are changed, put off or kept back on their way; what it hears is not touched."""

from __future__ import annotations

from abc import abstractmethod

from benchtool.capture.chunk import Chunk
from benchtool.simulate.station import Station


class Altered(Station):
    """Stands around any station, which knows nothing of it. `altered` says what becomes of what it says."""

    def __init__(self, inner: Station) -> None:
        self.name = inner.name
        self.inner = inner
        self._late: tuple[int, bytes] | None = None

    @abstractmethod
    def altered(self, octets: bytes) -> tuple[bytes, int] | None:
        """What is sent instead, and by how many nanoseconds later; None where nothing is."""

    def hear(self, chunk: Chunk) -> None:
        """As the station inside."""
        self.inner.hear(chunk)

    def wants(self, octets: bytes) -> bool:
        """As the station inside."""
        return self.inner.wants(octets)

    def defers(self) -> bool:
        """As the station inside."""
        return self.inner.defers()

    def baud(self) -> int | None:
        """As the station inside."""
        return self.inner.baud()

    def wake_ns(self) -> int | None:
        """When the station inside wants to act, or what was put off is due."""
        wakes = [wake for wake in (self.inner.wake_ns(), self._late[0] if self._late else None) if wake is not None]
        return min(wakes, default=None)

    def act(self, now_ns: int) -> bytes | None:
        """What the station inside says, altered."""
        if self._late is not None and now_ns >= self._late[0]:
            octets, self._late = self._late[1], None
            return octets
        wake_ns = self.inner.wake_ns()
        said = None if wake_ns is None or wake_ns > now_ns else self.inner.act(now_ns)
        sent = None if said is None else self.altered(said)
        if sent is None:
            return None
        octets, late_ns = sent
        if not late_ns:
            return octets
        # Of two that are late the first is lost: one line, one sender.
        self._late = now_ns + late_ns, octets
        return None
