"""Check-constrained repair: which single flipped bit, or lost first octets, make a damaged frame's check value right.

A 16-bit check value leaves a wrong answer one chance in 65 536 for each thing tried; at most a few hundred are tried a
frame. Frames with an 8-bit checksum are not tried. Facts: check values, sheet 3.2 and 5.1.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from functools import lru_cache

from fastcrc.crc16 import modbus as modbus_crc

from benchtool.frames.osdp import check

MOST_OCTETS = 64
"""Longer frames are not tried."""
_LEAST_OCTETS = 6


class Mended(Enum):
    """What made the check value right."""

    BIT = "bit"
    """One bit flipped."""
    FIRST_LOST = "first-lost"
    """The first octet had not come."""
    FIRST_WRONG = "first-wrong"
    """The first octet was another one."""


@dataclass(frozen=True, slots=True)
class Repair:
    """A damaged frame and what it must have been."""

    how: Mended
    frame: bytes
    """The true octets."""


@dataclass(slots=True)
class Repairs:
    """How many were tried, and what helped."""

    tried: int = 0
    mended: dict[Mended, int] = field(default_factory=dict)

    def count(self, how: Mended) -> int:
        """Frames mended in this way."""
        return self.mended.get(how, 0)


@lru_cache(maxsize=2)
def _flips(osdp: bool) -> dict[int, tuple[int, int]]:
    """What one flipped bit does to the check value's difference: → (octets from the end, bit)."""
    crc = check.crc if osdp else modbus_crc
    table = {}
    for size in range(1, MOST_OCTETS + 1):
        blank = crc(bytes(size))
        for bit in range(8):
            table[crc(bytes((1 << bit,)) + bytes(size - 1)) ^ blank] = (size + 2, bit)
    for at in range(2):
        for bit in range(8):
            table[1 << (8 * at + bit)] = (2 - at, bit)
    return table


def _apart(octets: bytes, osdp: bool) -> int:
    crc = check.crc if osdp else modbus_crc
    return crc(octets[:-2]) ^ (octets[-2] | octets[-1] << 8)


def _sound_osdp(octets: bytes) -> bool:
    return len(octets) >= check.MIN_LENGTH_CRC and bool(octets[4] & check.USES_CRC) and check.check_ok(octets)


def flipped(octets: bytes, osdp: bool) -> Repair | None:
    """The frame with one bit put right, where that makes its check value right."""
    if not _LEAST_OCTETS <= len(octets) <= MOST_OCTETS:
        return None
    found = _flips(osdp).get(_apart(octets, osdp))
    if found is None or found[0] > len(octets):
        return None
    mended = bytearray(octets)
    mended[-found[0]] ^= 1 << found[1]
    if osdp and not _sound_osdp(bytes(mended)):
        return None
    return Repair(Mended.BIT, bytes(mended))


def repair(octets: bytes, addresses: tuple[int, ...], *, osdp: bool, modbus: bool) -> Repair | None:
    """What mends a damaged span; `addresses` are the Modbus addresses that have been heard."""
    if not _LEAST_OCTETS <= len(octets) + 1 <= MOST_OCTETS:
        return None
    if osdp:
        if _sound_osdp(b"\x53" + octets):
            return Repair(Mended.FIRST_LOST, b"\x53" + octets)
        if octets[0] != check.SOM and _sound_osdp(b"\x53" + octets[1:]):
            return Repair(Mended.FIRST_WRONG, b"\x53" + octets[1:])
        found = flipped(octets, True)
        if found is not None:
            return found
    if modbus:
        # A 16-bit check over few octets: each address tried is one more chance to be right by luck.
        for address in addresses[:16]:
            first = bytes((address,))
            if modbus_crc(first + octets) == 0:
                return Repair(Mended.FIRST_LOST, first + octets)
            if address != octets[0] and modbus_crc(first + octets[1:]) == 0:
                return Repair(Mended.FIRST_WRONG, first + octets[1:])
        return flipped(octets, False)
    return None
