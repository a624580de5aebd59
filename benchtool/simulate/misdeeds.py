"""Faults put into what a station says, for bench work: how does the other end take a damaged, late or missing frame?

A wrapper around any station; the station itself knows nothing of it. A wrong sequence number bears a right check value
(OSDP only, sheet 5.1); in a secured frame the MAC is then wrong, too.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from benchtool.frames.osdp import check
from benchtool.simulate.altered import Altered
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


class Misbehaving(Altered):
    """`station`, whose transmissions suffer what is `injected`. `done` counts them."""

    def __init__(self, station: Station, injected: Injected) -> None:
        super().__init__(station)
        self.done = 0
        self._injected = injected
        self._count = 0

    def altered(self, octets: bytes) -> tuple[bytes, int] | None:
        """As it is, or spoilt where it is its turn."""
        self._count += 1
        misdeed = self._injected.misdeed
        if self._count % self._injected.every or (misdeed is Misdeed.WRONG_SEQUENCE and not check.check_ok(octets)):
            return octets, 0
        self.done += 1
        if misdeed is Misdeed.SILENT:
            return None
        if misdeed is Misdeed.LATE:
            return octets, self._injected.late_ns
        if misdeed is Misdeed.TRUNCATED:
            return octets[: max(1, len(octets) // 2)], 0
        if misdeed is Misdeed.WRONG_CHECK:
            return octets[:-1] + bytes((octets[-1] ^ 0x55,)), 0
        return _renumbered(octets), 0


def _renumbered(octets: bytes) -> bytes:
    """The frame with the sequence number after the next one, which no right partner expects."""
    control = octets[4]
    wrong = ((control & check.SEQUENCE_MASK) + 1) % 3 + 1
    head = octets[:4] + bytes((control & ~check.SEQUENCE_MASK & 0xFF | wrong,))
    if control & check.USES_CRC:
        body = head + octets[5:-2]
        return body + check.crc(body).to_bytes(2, "little")
    body = head + octets[5:-1]
    return body + bytes((check.checksum(body),))
