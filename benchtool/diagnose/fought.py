"""Damaged replies of one address held against each other: what two devices at it do, and one device alone does not.

Two that answer the same, a moment apart, fight over the beginning until both send the same: with the octets that belong
there the check value passes, and the same reply is damaged in ever other ways, as the moment is never quite the same. A
device whose clock is off begins right, and the same reply is always damaged alike. Facts: the start of a reply, sheet
5.1 (OSDP) and 3.1 (Modbus RTU).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from fastcrc.crc16 import modbus as modbus_crc

from benchtool.diagnose.evidence import Evidence
from benchtool.frames.frame import Protocol
from benchtool.frames.osdp.check import MIN_LENGTH, REPLY_BIT, SOM, USES_CRC, check_ok

_FUNCTIONS = (1, 2, 3, 4)
"""Modbus functions whose reply has a byte count for its third octet."""
_MOST_BEGIN = 6
"""Octets at most that are taken for the fought beginning."""
_SHORTEST = 5


class Fought(NamedTuple):
    """What was counted of the damaged replies of one address."""

    protocol: Protocol
    address: int
    requests: int
    answered: int
    damaged: int
    kinds: int
    """Different ones of these."""
    commonest: int
    """How often the commonest of these came."""
    begun_wrong: int
    """Damaged ones that are sound but for their beginning."""
    kinds_begun_wrong: int
    """Different ones of these."""


def fought_over(evidence: Evidence) -> tuple[Fought, ...]:
    """Each address that had damaged replies."""
    asked = {(row.protocol, row.address): row for row in evidence.figures.addresses}
    found = []
    for key, spans in evidence.in_slot.items():
        row = asked.get(key)
        if row is None or not spans:
            continue
        protocol, address = key
        wrong = [count for (octets, _), count in spans if begun_wrong(octets, protocol, address)]
        damaged = sum(count for _, count in spans)
        most = max(count for _, count in spans)
        found.append(
            Fought(protocol, address, row.requests, row.answered, damaged, len(spans), most, sum(wrong), len(wrong))
        )
    return tuple(found)


def begun_wrong(octets: bytes, protocol: Protocol, address: int) -> bool:
    """Whether it is a sound reply of this address but for its beginning, by a check value of 16 bits."""
    for start, place in _starts(octets, protocol, address):
        mended = start + octets[place:]
        if mended == octets or len(mended) < _SHORTEST:
            continue
        if protocol is Protocol.OSDP:
            if len(mended) >= MIN_LENGTH and mended[4] & USES_CRC and check_ok(mended):
                return True
        elif not modbus_crc(mended):
            return True
    return False


def _starts(octets: bytes, protocol: Protocol, address: int) -> Iterator[tuple[bytes, int]]:
    """How its replies begin, short and longer, and where the rest begins in these octets."""
    size = len(octets)
    for place in range(1, min(_MOST_BEGIN, size - 2) + 1):
        rest = size - place
        if protocol is Protocol.OSDP:
            start = bytes((SOM, address | REPLY_BIT))
            if rest >= 3 and octets[place] | octets[place + 1] << 8 == rest + 2:
                yield start, place
            yield start + (rest + 4).to_bytes(2, "little"), place
        elif protocol is Protocol.MODBUS_RTU:
            yield bytes((address,)), place
            for function in _FUNCTIONS:
                yield bytes((address, function)), place
                yield bytes((address, function, (rest - 2) & 0xFF)), place
