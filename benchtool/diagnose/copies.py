"""Finds what a damaged span should have been among the sound frames heard: same length, or lying somewhere inside it.

Frames of a bus repeat (a poll has three sequence numbers), so most damaged ones have a sound twin. A span is compared
with all kept frames of its length; if none is near, pieces of kept frames are looked for in it, so that stray octets
before or after do not hide the rest.
"""

from __future__ import annotations

from benchtool.frames.osdp.check import MIN_LENGTH, REPLY_BIT, SEQUENCE_MASK, SOM

MOST_FRAMES = 256
"""Sound frames of one length that are kept, the oldest given up first."""
MOST_LENGTH = 64
"""Longer frames are not kept."""
NEAR_BITS = 10
"""A copy may be wrong in so many bits: unrelated frames of 8 octets differ in about 20."""
_PIECE = 3
_END = 4
_MOST_ENDS = 4096
_MOST_EXTRA = 24
"""Octets that a span may have beyond the frame that lies in it."""


def answers(reply: bytes, asked: bytes) -> bool:
    """Whether a sound frame can be the reply to a request.

    OSDP: address, reply bit, sequence number (BUSY bears 0 and is left out); Modbus: address and function.
    """
    if asked[0] == SOM and len(asked) >= MIN_LENGTH and asked[2] | asked[3] << 8 == len(asked):
        return reply[0] == SOM and reply[1] == asked[1] | REPLY_BIT and not (reply[4] ^ asked[4]) & SEQUENCE_MASK
    return reply[0] == asked[0] and reply[1] & 0x7F == asked[1]


class Copies:
    """Sound frames by length. Memory is bounded: 64 lengths of 256 frames."""

    def __init__(self) -> None:
        self.kept: dict[int, dict[bytes, None]] = {}
        self._ends: set[bytes] = set()

    def learn(self, octets: bytes) -> None:
        """Keep a sound frame."""
        size = len(octets)
        if size > MOST_LENGTH:
            return
        frames = self.kept.get(size)
        if frames is None:
            frames = self.kept[size] = {}
        elif octets in frames:
            return
        elif len(frames) >= MOST_FRAMES:
            del frames[next(iter(frames))]
        frames[octets] = None
        if len(self._ends) < _MOST_ENDS:
            self._ends.add(octets[-_END:])

    def ends_like_one(self, octets: bytes) -> bool:
        """Whether a span's last four octets are those of a sound frame: then only its beginning is damaged."""
        return len(octets) > _END and octets[-_END:] in self._ends

    def find(self, octets: bytes, asked: bytes | None = None) -> tuple[int, bytes] | None:
        """The nearest frame, and where in the span it begins (0 for one of the same length); None if none is near.

        `asked`: the request in whose reply's place the span stands; only replies to it are taken.
        """
        read = int.from_bytes(octets, "big")
        nearest, least = b"", NEAR_BITS + 1
        for true in self.kept.get(len(octets), ()):
            apart = (read ^ int.from_bytes(true, "big")).bit_count()
            if apart < least and (asked is None or answers(true, asked)):
                nearest, least = true, apart
        if nearest:
            return 0, nearest
        return self._inside(octets, asked)

    def _inside(self, octets: bytes, asked: bytes | None) -> tuple[int, bytes] | None:
        size = len(octets)
        found: tuple[int, bytes] | None = None
        least = NEAR_BITS + 1
        for length, frames in self.kept.items():
            if not length < size <= length + _MOST_EXTRA:
                continue
            for true in frames:
                # Whichever octet is wrong, one end or the middle is likely to be whole.
                for at in (0, (length - _PIECE) // 2, length - _PIECE):
                    place = octets.find(true[at : at + _PIECE], at) - at
                    if place < 0 or place + length > size:
                        continue
                    part = octets[place : place + length]
                    apart = (int.from_bytes(part, "big") ^ int.from_bytes(true, "big")).bit_count()
                    if 0 < apart < least and (asked is None or answers(true, asked)):
                        found, least = (place, true), apart
                    break
        return found
