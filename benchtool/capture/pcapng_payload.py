"""What a packet of our link type holds: one item. The layout is ours: docs/capture-format.md, byte by byte."""

from __future__ import annotations

import struct
from enum import IntEnum

from benchtool.capture.chunk import Chunk, Direction, Gap, Item, LineCounts

DIRECTIONS = (Direction.UNKNOWN, Direction.RECEIVED, Direction.SENT)


class Kind(IntEnum):
    """What a payload holds."""

    OCTETS = 1
    GAP = 2
    COUNTS = 3


VERSION = 1
MARKS_PRESENT = 1
"""Payload flag: one mark per octet follows the octets."""

PAYLOAD = struct.Struct("<IBBHq")
"""Payload head: signature, version and kind in one word; direction; flags; reserved; duration in ns. Little-endian."""
COUNTS = struct.Struct("<4Q")
"""Payload of `Kind.COUNTS`: framing, parity, breaks, overrun."""


def word(kind: Kind) -> int:
    """First word of a payload: the letters BT, the version, the kind."""
    return int.from_bytes(b"BT" + bytes((VERSION, kind)), "little")


WORDS: dict[int, Kind] = {word(kind): kind for kind in Kind}


def item_from(payload: bytes, t_ns: int) -> Item | None:
    """The item in a payload of our link type; None when it is not one."""
    if len(payload) < PAYLOAD.size:
        return None
    word, direction, flags, _, duration = PAYLOAD.unpack_from(payload)
    kind = WORDS.get(word)
    body = payload[PAYLOAD.size :]
    if kind is Kind.GAP:
        return Gap(t_ns, t_ns + duration, body.decode(errors="replace"))
    if kind is Kind.COUNTS and len(body) >= COUNTS.size:
        return LineCounts(t_ns, *COUNTS.unpack_from(body))
    if kind is Kind.OCTETS and direction < len(DIRECTIONS):
        marks = b""
        if flags & MARKS_PRESENT:
            if len(body) & 1:
                return None
            half = len(body) // 2
            body, marks = body[:half], body[half:]
        return Chunk(t_ns, t_ns + duration, body, marks, DIRECTIONS[direction])
    return None


def moved(item: Item, by_ns: int) -> Item:
    """The same item, later by `by_ns`."""
    if isinstance(item, LineCounts):
        return item._replace(t_ns=item.t_ns + by_ns)
    return item._replace(t_ns=item.t_ns + by_ns, end_ns=item.end_ns + by_ns)
