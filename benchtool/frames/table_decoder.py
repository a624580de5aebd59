"""Finds the frames of an unknown bus by its protocol table; the same contract as `BusDecoder`.

A frame is certain when everything the table knows is right. Octets between certain frames are damaged frames or
unknown spans, cut at silences. Sans-IO; never raises on input; every octet ends in one frame or span.
"""

from __future__ import annotations

from benchtool.capture.chunk import Chunk, Gap, Item
from benchtool.capture.settings import LineSettings
from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.frames.protocol_table import ProtocolTable
from benchtool.frames.stream import Stream

_LIMIT_NS = 20_000_000
"""A silence this long, beside the tap's own resolution, ends a frame that wants more octets."""
_NEED = -1
_NO = 0
_CHECKED_AGAIN = 256
"""So many octets that may begin a frame are kept waiting at most, beyond the longest frame."""


class TableDecoder:
    """Feed it what a tap delivers, in order; it answers the frames that are certain by then."""

    def __init__(self, table: ProtocolTable, settings: LineSettings, resolution_ns: int = 0) -> None:
        usual = round(3.5 * settings.char_ns)
        pause = (min(usual, table.silence_ns) if table.silence_ns else usual) + resolution_ns
        limit = max(_LIMIT_NS, 2 * usual) + resolution_ns
        self.counters: dict[str, int] = {}
        """Octets that are in no frame, by name. There are none."""
        self.end_ns = limit
        """A silence this long ends whatever is pending."""
        self.table = table
        self._make = table.frame_type
        self._stream = Stream(pause, limit)
        self._from = 0
        """Places before this one begin no frame, whatever comes."""
        self._last_role = Role.UNKNOWN
        within = table.reply_within_ns
        self._within_ns = None if within is None or 2 * resolution_ns >= within else within
        self.notes: tuple[str, ...] = ()
        """What this table cannot tell at this tap, for the user."""
        if within is not None and self._within_ns is None:
            times = f"silences of {within / 1e6:.3g} ms, and times are no finer than {resolution_ns / 1e6:g} ms here"
            self.notes = (f"who asks and who answers is not told: this bus shows it by {times}",)

    @property
    def pending(self) -> int:
        """Octets that are not decided yet."""
        return len(self._stream.octets)

    def feed(self, item: Item) -> list[Frame]:
        """Take the next item; counted line errors are ignored, a gap ends whatever is pending."""
        out: list[Frame] = []
        if isinstance(item, Gap):
            out = self.close()
            self._stream.forget_time()
            self._last_role = Role.UNKNOWN
            return out
        if not isinstance(item, Chunk) or not item.octets:
            return out
        ended_ns = self._stream.end_ns
        if ended_ns is not None and item.t_ns - ended_ns >= self.end_ns:
            self._settle(out, final=True)
        self._stream.append(item)
        self._settle(out, final=False)
        return out

    def flush(self, t_ns: int) -> list[Frame]:
        """It is now `t_ns`, and all that was heard has been fed: decide what the silence until then decides."""
        out: list[Frame] = []
        ended_ns = self._stream.end_ns
        if self._stream.octets and ended_ns is not None:
            silence = t_ns - ended_ns
            if silence >= (self.end_ns if self._by_itself else self._stream.break_ns):
                self._settle(out, final=True)
        return out

    def close(self) -> list[Frame]:
        """Nothing more comes: decide all that is pending."""
        out: list[Frame] = []
        self._settle(out, final=True)
        return out

    @property
    def _by_itself(self) -> bool:
        """Whether a frame's end can be told without a silence."""
        table = self.table
        return table.length is not None or bool(table.lengths) or bool(table.ends) or table.check is not None

    def _settle(self, out: list[Frame], *, final: bool) -> None:
        stream, table = self._stream, self.table
        octets = bytes(stream.octets)
        at = self._from
        while at < len(octets):
            end = self._frame_at(octets, at, final)
            if end == _NEED:
                break
            if end == _NO:
                at += 1
                continue
            if at:
                self._damaged(octets, at, out)
                stream.drop(at)
            self._emit(out, end - at, Protocol.TABLE, Reason.OK)
            octets = bytes(stream.octets)
            at = self._from = 0
        self._from = at
        if final and octets:
            self._damaged(octets, len(octets), out)
            stream.drop(len(octets))
            self._from = 0
        elif at > table.most + _CHECKED_AGAIN:
            # Nothing before `at` can begin a frame; the last few may still be the head of a damaged one.
            gone = at - _CHECKED_AGAIN
            self._damaged(octets, gone, out)
            stream.drop(gone)
            self._from -= gone

    def _frame_at(self, octets: bytes, at: int, final: bool) -> int:
        """Where a frame that begins here ends; `_NEED` for more octets, `_NO` where none begins."""
        table, stream = self.table, self._stream
        held = len(octets) - at
        head = octets[at : at + 8]
        if not table.starts_like_one(head):
            return _NO
        if table.length is not None:
            size = table.frame_length(head if table.length.place.at < 6 else octets[at:])
            if size is None:
                return _NO if final or self._cut(at, len(octets)) else _NEED
            if not table.least <= size <= table.most:
                return _NO
            if size > held:
                return _NO if final or self._cut(at, len(octets)) else _NEED
            return at + size if table.sound(octets[at : at + size]) else _NO
        sizes = table.lengths or self._ends_at(octets, at, final)
        for size in sizes:
            if size <= held and table.sound(octets[at : at + size]) and (table.check or self._parted(octets, at, size)):
                return at + size
        longest = sizes[-1] if table.lengths else table.most
        if held >= longest or final or self._cut(at, len(octets)):
            return _NO
        if not table.lengths and not table.ends and stream.next_break(at, len(octets)) is not None:
            return _NO
        return _NEED

    def _ends_at(self, octets: bytes, at: int, final: bool) -> list[int]:
        """Lengths that a frame without a length field may have here: up to an end octet, or a silence."""
        table, stream = self.table, self._stream
        upto = min(len(octets), at + table.most)
        if table.ends:
            sizes = range(table.least, upto - at + 1)
            return [size for size in sizes if octets.endswith(table.ends, at, at + size)]
        parts = []
        place: int | None = at
        while place is not None:
            place = stream.next_break(place, upto)
            if place is not None:
                parts.append(place - at)
        if upto == len(octets) and (final or table.check is not None):
            parts.append(upto - at)
        return parts

    def _parted(self, octets: bytes, at: int, size: int) -> bool:
        """Whether a frame without a check value ends here: a start, a silence or the end of what is held follows."""
        after = at + size
        if after >= len(octets) or self._stream.is_break(after):
            return True
        return bool(self.table.starts) and octets.startswith(self.table.starts, after)

    def _cut(self, at: int, end: int) -> bool:
        """Whether a silence too long for the inside of a frame lies between two places."""
        return self._stream.next_break(at, end, self._stream.cut_ns) is not None

    def _damaged(self, octets: bytes, end: int, out: list[Frame]) -> None:
        """Name the octets up to `end`, which hold no sound frame; leaves them in the stream."""
        stream, table = self._stream, self.table
        at = 0
        while at < end:
            stop = stream.next_break(at, end) or end
            reason, protocol = Reason.NOT_RECOGNISED, Protocol.UNKNOWN
            begins = bool(table.starts) and octets.startswith(table.starts, at)
            size = table.frame_length(octets[at:stop])
            if size is None and table.lengths:
                size = stop - at if stop - at in table.lengths else table.lengths[-1]
            telling = table.starts or table.length or table.lengths
            wrong = Reason.BAD_HEADER if table.check is None else Reason.CHECK_FAILED
            if (begins or (not table.starts and telling)) and size is not None and table.least <= size <= table.most:
                reason, protocol = Reason.TRUNCATED, Protocol.TABLE
                if size <= stop - at:
                    reason, stop = wrong, at + size
            elif begins or (table.check is not None and not table.starts and stop - at >= table.least):
                reason, protocol = wrong, Protocol.TABLE
            if protocol is Protocol.TABLE and table.starts:
                # A start inside the damaged octets is more likely the next frame than payload at the very end.
                follow = _next_start(octets, table.starts, at + table.least, stop)
                if follow is not None and size is not None and size > stop - at:
                    stop = follow
            self._emit_at(out, at, stop, protocol, reason)
            at = stop

    def _emit(self, out: list[Frame], size: int, protocol: Protocol, reason: Reason) -> None:
        self._emit_at(out, 0, size, protocol, reason)
        self._stream.drop(size)

    def _role(self, octets: bytes, silence_ns: int | None) -> Role:
        """Who speaks: by a field, or by the silence before, where a short one never makes a second reply."""
        if self.table.reply_within_ns is None:
            return self.table.role_of(octets)
        role = Role.UNKNOWN
        if self._within_ns is not None and silence_ns is not None:
            role = Role.REQUEST
            if silence_ns < self._within_ns:
                role = Role.REPLY if self._last_role is Role.REQUEST else Role.UNKNOWN
        self._last_role = role
        return role

    def _emit_at(self, out: list[Frame], start: int, end: int, protocol: Protocol, reason: Reason) -> None:
        stream = self._stream
        first_ns = stream.start_ns(start)
        previous = stream.stop_before_ns(start)
        silence_ns = None if previous is None else max(0, first_ns - previous)
        octets = bytes(stream.octets[start:end])
        role = self._role(octets, silence_ns)
        out.append(
            self._make(
                protocol,
                first_ns,
                stream.stop_ns(end - 1),
                octets,
                reason,
                # What a damaged frame says of itself may be the damage.
                role if reason is Reason.OK else Role.UNKNOWN,
                silence_ns,
                stream.marks(start, end),
                b"",
                stream.direction(start, end),
            )
        )


def _next_start(octets: bytes, starts: tuple[bytes, ...], after: int, before: int) -> int | None:
    places = [octets.find(start, after, before) for start in starts]
    found = [place for place in places if place >= 0]
    return min(found, default=None)
