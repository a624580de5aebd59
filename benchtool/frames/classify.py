"""Names what is no sound frame: a damaged OSDP or Modbus frame, or octets of no known protocol.

Works on a span between silences. Pure: the same octets on the same kind of bus get the same names.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from fastcrc.crc16 import modbus as modbus_crc

from benchtool.frames.frame import Protocol, Reason, Role
from benchtool.frames.modbus.rules import KNOWN, MAX_ADDRESS, MAX_LENGTH, MIN_LENGTH, alternatives
from benchtool.frames.osdp.check import HEADER_LENGTH, MARK, REPLY_BIT, SOM, is_header_plausible


class Piece(NamedTuple):
    """Part of a span: mark octets in front, length with them, and what it is."""

    lead: int
    length: int
    protocol: Protocol
    reason: Reason
    role: Role


def classify(span: bytes, bus: Protocol | None) -> Iterator[Piece]:
    """Cut a span without sound frames into pieces that add up to it. `bus` is what the bus speaks, if known."""
    if bus is not Protocol.OSDP:
        whole = _as_modbus(span, bus)
        if whole is not None:
            yield whole
            return
    at = 0
    while at < len(span):
        start = _next_som(span, at, bus)
        if start is None:
            yield _unknown(len(span) - at)
            return
        lead = start
        while lead > at and span[lead - 1] == MARK:
            lead -= 1
        if lead > at:
            yield _unknown(lead - at)
        piece = _as_osdp(span, lead, start)
        yield piece
        at = lead + piece.length


def _unknown(length: int) -> Piece:
    return Piece(0, length, Protocol.UNKNOWN, Reason.NOT_RECOGNISED, Role.UNKNOWN)


def _next_som(span: bytes, at: int, bus: Protocol | None) -> int | None:
    """Where the next damaged OSDP frame begins: a header that can be, or on an OSDP bus any start octet in front."""
    start = at
    while True:
        start = span.find(SOM, start)
        if start < 0:
            return None
        if len(span) - start >= HEADER_LENGTH:
            if is_header_plausible(span, start):
                return start
            if bus is Protocol.OSDP and _only_marks(span, start):
                return start
        elif bus is Protocol.OSDP and is_header_plausible(span, start):
            return start
        start += 1


def _only_marks(span: bytes, end: int) -> bool:
    return span[:end].count(MARK) == end


def _as_osdp(span: bytes, lead: int, start: int) -> Piece:
    left = len(span) - start
    role = Role.UNKNOWN
    if left > 1:
        role = Role.REPLY if span[start + 1] & REPLY_BIT else Role.REQUEST
    marks = start - lead
    if left >= HEADER_LENGTH and not is_header_plausible(span, start):
        return Piece(marks, marks + left, Protocol.OSDP, Reason.BAD_HEADER, role)
    length = span[start + 2] | span[start + 3] << 8 if left >= 4 else left + 1
    if length > left:
        return Piece(marks, marks + left, Protocol.OSDP, Reason.TRUNCATED, role)
    return Piece(marks, marks + length, Protocol.OSDP, Reason.CHECK_FAILED, role)


def _as_modbus(span: bytes, bus: Protocol | None) -> Piece | None:
    """The whole span as one Modbus message: of another function with a right CRC, damaged, or cut off."""
    size = len(span)
    if size < MIN_LENGTH or size > MAX_LENGTH or span[0] > MAX_ADDRESS:
        return None
    function = span[1]
    if function & 0x7F and not modbus_crc(span):
        role = Role.REPLY if function & 0x80 else Role.UNKNOWN
        return Piece(0, size, Protocol.MODBUS_RTU, Reason.OK, role)
    if function & 0x7F not in KNOWN or (span[0] == SOM and is_header_plausible(span) and size >= HEADER_LENGTH):
        return None
    fits = alternatives(span, 0, size)
    for length, role in fits:
        if length == size:
            return Piece(0, size, Protocol.MODBUS_RTU, Reason.CHECK_FAILED, role)
    if bus is Protocol.MODBUS_RTU and any(length == 0 or length > size for length, _ in fits):
        return Piece(0, size, Protocol.MODBUS_RTU, Reason.TRUNCATED, Role.UNKNOWN)
    return None
