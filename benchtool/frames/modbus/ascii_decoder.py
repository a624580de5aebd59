"""Finds the frames on a bus that is known to speak Modbus in ASCII mode. Sans-IO, as `frames.decoder`.

A frame begins with `:` wherever that stands, and ends with CR LF (sheet 3.1, 3.2); more than 1 s between two characters
ends it too. Every octet ends in a frame or an unknown span.
"""

from __future__ import annotations

from benchtool.capture.chunk import Chunk, Gap, Item
from benchtool.capture.settings import LineSettings
from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.frames.hunt_roles import Roles
from benchtool.frames.modbus.ascii import (
    CHARACTER_LIMIT_NS,
    END,
    MAX_CHARACTERS,
    START,
    from_ascii,
    plain,
)
from benchtool.frames.modbus.lengths import lengths
from benchtool.frames.stream import Stream

_MOST_UNKNOWN = 4096
"""So many octets without a start character are told without waiting for one."""


NO_CHECK = b"\0\0"
"""Stands for the check value of RTU, so that a frame is as long as there."""


def fitting_role(rtu: bytes) -> Role:
    """The role that the length alone leaves to a sound frame as long as in RTU; UNKNOWN where both fit, or neither."""
    for length, role in lengths(rtu, 0, len(rtu)):
        if length == len(rtu):
            return role
    return Role.UNKNOWN


class AsciiDecoder:
    """Feed it what a tap delivers, in order. It answers the frames that are certain by then.

    Each `octets` holds the characters as they came, start and end included. `resolution_ns` is the tap's; `sent` is
    what our own frames are, where we talk.
    """

    def __init__(self, settings: LineSettings, resolution_ns: int = 0, *, sent: Role | None = None) -> None:
        self.counters: dict[str, int] = {}
        """Octets that are in no frame, by name. There are none."""
        self.end_ns = max(CHARACTER_LIMIT_NS, 2 * settings.char_ns) + resolution_ns
        """A silence this long ends whatever is pending."""
        self._stream = Stream(self.end_ns, self.end_ns)
        self._roles = Roles(sent)

    @property
    def pending(self) -> int:
        """Octets that are not decided yet."""
        return len(self._stream.octets)

    def feed(self, item: Item) -> list[Frame]:
        """Take the next item; counted line errors are ignored, a gap ends whatever is pending."""
        if isinstance(item, Chunk):
            if item.octets:
                self._stream.append(item)
                return self._settle(False)
        elif isinstance(item, Gap):
            out = self.close()
            self._stream.forget_time()
            self._roles.asked = None
            return out
        return []

    def flush(self, t_ns: int) -> list[Frame]:
        """It is now `t_ns`, and all that was heard has been fed: decide what the silence until then decides."""
        ended_ns = self._stream.end_ns
        if self._stream.octets and ended_ns is not None and t_ns - ended_ns >= self.end_ns:
            return self._settle(True)
        return []

    def close(self) -> list[Frame]:
        """Nothing more comes: decide all that is pending."""
        return self._settle(True)

    def _settle(self, final: bool) -> list[Frame]:
        out: list[Frame] = []
        stream = self._stream
        octets = bytes(stream.octets)
        characters = octets if octets.isascii() else plain(octets)
        at, count = 0, len(characters)
        while at < count:
            limit = stream.next_break(at, count)
            end, reason, body = _first_piece(
                characters, at, count if limit is None else limit, final or limit is not None
            )
            if not end:
                break
            out.append(self._frame(octets, at, end, reason, body))
            at = end
        stream.drop(at)
        return out

    def _frame(self, octets: bytes, start: int, end: int, reason: Reason, body: bytes | None) -> Frame:
        stream = self._stream
        first_ns, last_ns = stream.start_ns(start), stream.stop_ns(end - 1)
        direction = stream.direction(start, end)
        role = Role.UNKNOWN
        if reason is not Reason.NOT_RECOGNISED:
            role = self._roles.by_way(direction) or role
        if body is not None:
            as_long = body + NO_CHECK
            role = self._roles.judge(as_long, fitting_role(as_long), first_ns, last_ns, direction)
        previous = stream.stop_before_ns(start)
        return Frame(
            Protocol.UNKNOWN if reason is Reason.NOT_RECOGNISED else Protocol.MODBUS_ASCII,
            first_ns,
            last_ns,
            octets[start:end],
            reason,
            role,
            None if previous is None else max(0, first_ns - previous),
            stream.marks(start, end),
            b"",
            direction,
        )


def _first_piece(characters: bytes, at: int, limit: int, closed: bool) -> tuple[int, Reason, bytes | None]:
    """Where the piece that begins at `at` ends, what it is, and what a sound frame holds; end 0: not certain yet.

    `limit` is the end of what belongs together; `closed` says that nothing more will.
    """
    if characters[at] != START:
        start = characters.find(START, at, limit)
        if start >= 0:
            return start, Reason.NOT_RECOGNISED, None
        return limit if closed or limit - at >= _MOST_UNKNOWN else 0, Reason.NOT_RECOGNISED, None
    most = at + MAX_CHARACTERS
    until = min(limit, most)
    again = characters.find(START, at + 1, until)
    if again >= 0:
        until = again
    end = characters.find(END, at, until)
    if end >= 0:
        body = from_ascii(characters[at : end + 2])
        return end + 2, Reason.CHECK_FAILED if body is None else Reason.OK, body
    return until if again >= 0 or closed or until == most else 0, Reason.TRUNCATED, None
