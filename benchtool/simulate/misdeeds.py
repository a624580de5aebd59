"""Faults put into what a station says, for bench work: how does the other end take a damaged, late or missing frame?

A wrapper around any station; the station itself knows nothing of it. A wrong sequence number bears a right check value
(OSDP only, sheet 5.1); in a secured frame the MAC is then wrong, too.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from benchtool.capture.chunk import Chunk
from benchtool.frames.osdp import check
from benchtool.simulate.station import Station


class Misdeed(Enum):
    """What is done to a transmission; the value is the word of `--inject`."""

    WRONG_CHECK = "wrong-check"
    TRUNCATED = "truncated"
    LATE = "late"
    WRONG_SEQUENCE = "wrong-sequence"
    SILENT = "silent"


@dataclass(frozen=True, slots=True)
class Injected:
    """A misdeed, done to every `every`-th transmission; `late_ns` is how much later a late one comes."""

    misdeed: Misdeed
    every: int = 5
    late_ns: int = 300_000_000

    def __post_init__(self) -> None:
        if self.every < 1:
            raise ValueError(f"every is 1 or more, not {self.every}")


class Misbehaving(Station):
    """`station`, whose transmissions suffer what is `injected`. `done` counts them."""

    def __init__(self, station: Station, injected: Injected) -> None:
        self.name = station.name
        self.done = 0
        self._station = station
        self._injected = injected
        self._count = 0
        self._late: tuple[int, bytes] | None = None

    def hear(self, chunk: Chunk) -> None:
        """As the station hears."""
        self._station.hear(chunk)

    def wants(self, octets: bytes) -> bool:
        """As the station."""
        return self._station.wants(octets)

    def defers(self) -> bool:
        """As the station."""
        return self._station.defers()

    def baud(self) -> int | None:
        """As the station."""
        return self._station.baud()

    def wake_ns(self) -> int | None:
        """When the station wants to act, or a late transmission goes out."""
        wake_ns = self._station.wake_ns()
        if self._late is None:
            return wake_ns
        return self._late[0] if wake_ns is None else min(wake_ns, self._late[0])

    def act(self, now_ns: int) -> bytes | None:
        """What the station says, spoilt where it is its turn."""
        if self._late is not None and now_ns >= self._late[0]:
            octets, self._late = self._late[1], None
            return octets
        wake_ns = self._station.wake_ns()
        if wake_ns is None or wake_ns > now_ns:
            return None
        said = self._station.act(now_ns)
        if said is None:
            return None
        self._count += 1
        if self._count % self._injected.every:
            return said
        return self._spoilt(said, now_ns)

    def _spoilt(self, octets: bytes, now_ns: int) -> bytes | None:
        misdeed = self._injected.misdeed
        if misdeed is Misdeed.WRONG_SEQUENCE and not _is_osdp(octets):
            return octets
        self.done += 1
        if misdeed is Misdeed.SILENT:
            return None
        if misdeed is Misdeed.LATE:
            self._late = now_ns + self._injected.late_ns, octets
            return None
        if misdeed is Misdeed.TRUNCATED:
            return octets[: max(1, len(octets) // 2)]
        if misdeed is Misdeed.WRONG_CHECK:
            return octets[:-1] + bytes((octets[-1] ^ 0x55,))
        return _renumbered(octets)


def _is_osdp(octets: bytes) -> bool:
    return check.check_ok(octets)


def _renumbered(octets: bytes) -> bytes:
    """The frame with the sequence number after the next one, which no right partner expects."""
    control = octets[4]
    wrong = (control & check.SEQUENCE_MASK) % 3 + 1
    wrong = wrong % 3 + 1
    head = octets[:4] + bytes((control & ~check.SEQUENCE_MASK & 0xFF | wrong,))
    if control & check.USES_CRC:
        body = head + octets[5:-2]
        return body + check.crc(body).to_bytes(2, "little")
    body = head + octets[5:-1]
    return body + bytes((check.checksum(body),))
