"""Tells a Modbus request from its reply where the octets alone do not.

A reply to a write is the same octets again (sheet 3.3, "echo"). The first is taken as the request, the next equal one
as its reply, unless it comes later than any reply would, or goes the same way as the first. Who talks himself knows
what his own frames are.
"""

from __future__ import annotations

from benchtool.capture.chunk import Direction
from benchtool.frames.frame import Role

REPLY_LIMIT_NS = 1_000_000_000
"""A client waits at least this long for a reply, typically (sheet 3.1); what comes later asks again."""
_ECHOED = frozenset((0x05, 0x06, 0x15, 0x16))


class Roles:
    """Remembers the request that waits for its reply. `sent` is what all that goes out is, where somebody knows."""

    __slots__ = ("asked", "asked_direction", "asked_end_ns", "directions", "sent")

    def __init__(self, sent: Role | None = None) -> None:
        self.sent = sent
        self.asked: bytes | None = None
        self.asked_end_ns = 0
        self.asked_direction = Direction.UNKNOWN
        self.directions: set[Direction] = set()

    def judge(self, octets: bytes, fits: Role, t_ns: int, end_ns: int, direction: Direction) -> Role:
        """The role of a good frame whose length `fits` one role or (UNKNOWN) both; remembers a request."""
        self.directions.add(direction)
        role = fits
        if direction is Direction.SENT and self.sent is not None:
            role = self.sent
        elif octets[1] & 0x80:
            role = Role.REPLY
        elif fits is Role.UNKNOWN or (octets[1] < 3 and octets[2] == 3 and len(octets) == 8):
            role = self._either(octets, t_ns, direction)
        if role is Role.REQUEST and octets[0]:
            self.asked, self.asked_end_ns, self.asked_direction = octets, end_ns, direction
        else:
            self.asked = None
        return role

    def is_due(self, begin: bytes, t_ns: int) -> bool:
        """Whether a reply is awaited that begins like this: address and function of the request before."""
        asked = self.asked
        return asked is not None and asked[:2] == begin and t_ns - self.asked_end_ns < REPLY_LIMIT_NS

    def _either(self, octets: bytes, t_ns: int, direction: Direction) -> Role:
        asked = self.asked
        if asked is None or asked[:2] != octets[:2] or t_ns - self.asked_end_ns >= REPLY_LIMIT_NS:
            return self._unasked(octets)
        if self._is_askers(direction):
            return Role.REQUEST
        function = octets[1]
        if function < 3:
            wanted = int.from_bytes(asked[4:6], "big")
            return Role.REPLY if (wanted + 7) // 8 == octets[2] else self._unasked(octets)
        if function in _ECHOED:
            return Role.REPLY if asked == octets else Role.REQUEST
        if function == 0x08:
            return Role.REPLY if asked[2:4] == octets[2:4] else Role.REQUEST
        return Role.REPLY

    def by_way(self, direction: Direction) -> Role | None:
        """The role that a frame has by its way alone, be it damaged; None where that does not tell."""
        if direction is Direction.SENT and self.sent is not None:
            return self.sent
        return Role.REQUEST if self.asked is not None and self._is_askers(direction) else None

    def _is_askers(self, direction: Direction) -> bool:
        """Whether a frame goes the way of the request that waits, on a tap that tells the two ways apart."""
        both_ways = Direction.SENT in self.directions and Direction.RECEIVED in self.directions
        return both_ways and direction is self.asked_direction and direction is not Direction.UNKNOWN

    @staticmethod
    def _unasked(octets: bytes) -> Role:
        """Reading 1 to 2000 bits is a request; else the octets are the bits of a reply."""
        if octets[1] < 3:
            return Role.REQUEST if 1 <= int.from_bytes(octets[4:6], "big") <= 2000 else Role.REPLY
        return Role.REQUEST
