"""Finds frames in whatever a tap delivers, sound or not; which protocol it is, is found out.

Every octet comes out again, in order, in exactly one frame or unknown span. What is decided depends on the octets and
on their times alone, never on how they were cut into chunks:

* A frame that begins where the last one ended (the *head*) is waited for; what looks like a frame inside it is not
  taken before it is complete, so that frames may carry other frames' octets. If its check value is wrong, the frame
  inside that is complete first is taken: a damaged length never swallows more than itself.
* Silence is evidence, not a boundary: a head whose check value is right is a frame even across a silence, unless a
  sound frame lies wholly behind that silence.
* What belongs to no frame is cut at silences and named as well as it can be.

Facts: OSDP frame, sheet 5.1, inter-character time-out 20 ms 5.2; Modbus RTU lengths, CRC and 3.5
characters, 3.1 to 3.4.
"""

from __future__ import annotations

from binascii import crc_hqx
from bisect import bisect_right
from heapq import heappop, heappush

from fastcrc.crc16 import modbus as modbus_crc

from benchtool.capture.chunk import Chunk, Direction, Gap, Item
from benchtool.capture.settings import LineSettings
from benchtool.frames.classify import Piece, classify
from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.frames.modbus.rules import SIZES, alternatives, roles
from benchtool.frames.osdp.check import (
    CRC_START,
    HEADER_LENGTH,
    MARK,
    MAX_LENGTH,
    MIN_LENGTH,
    REPLY_BIT,
    SOM,
    check_ok,
    is_header_plausible,
)

_OSDP_TIMEOUT_NS = 20_000_000
_QUIET_CHARS = 3.5
_MOST_UNDECIDED = 4096
"""Junk without a silence is let go of from this length on."""

_OSDP, _MODBUS, _UNKNOWN = Protocol.OSDP, Protocol.MODBUS_RTU, Protocol.UNKNOWN
_OK = Reason.OK
_REQUEST, _REPLY = Role.REQUEST, Role.REPLY
_NEW = tuple.__new__

_Candidate = tuple[int, int, int, bool]
"""(when to look: absolute end, absolute start, true end, whether Modbus); sorts in the order to look at them."""


class BusDecoder:
    """Turns items into frames. `resolution_ns`: silences shorter than that cannot be seen at the tap."""

    def __init__(self, settings: LineSettings, resolution_ns: int = 0) -> None:
        self._quiet_ns = round(_QUIET_CHARS * settings.char_ns) + resolution_ns
        self._limit_ns = max(_OSDP_TIMEOUT_NS, round(_QUIET_CHARS * settings.char_ns)) + resolution_ns
        self.counters: dict[str, int] = {}
        """Octets that ended in no frame, by name: none so far, every octet comes out in a frame or span."""
        self._last_end_ns: int | None = None
        self._good = {_OSDP: 0, _MODBUS: 0}
        self._asked: bytes | None = None
        # What is undecided: octets, their times, marks and directions, from absolute position `_base` on.
        self._base = 0
        self._octets = bytearray()
        self._starts: list[int] = []
        self._ends: list[int] = []
        self._marks = bytearray()
        self._directions = bytearray()
        self._quiets: list[int] = []
        self._limits: list[int] = []
        self._unsized: list[int] = []
        self._open: list[_Candidate] = []

    def feed(self, item: Item) -> list[Frame]:
        """Take the next item; returns the frames and spans that it decided, in order."""
        if isinstance(item, Chunk):
            if not self._octets:
                frames, used = self._quickly(item)
                if used == len(item.octets):
                    return frames
                self._append(item, used)
            else:
                frames = []
                self._append(item, 0)
            self._decide(frames)
            return frames
        if isinstance(item, Gap):
            return self.close()
        return []

    def flush(self, now_ns: int) -> list[Frame]:
        """It is `now_ns` and nothing more has come: what has been waiting longer than the time limit is decided."""
        if not self._octets or now_ns - self._ends[-1] < self._limit_ns:
            return []
        return self.close()

    def close(self) -> list[Frame]:
        """Nothing more will come: everything is decided."""
        frames: list[Frame] = []
        if self._octets:
            self._decide(frames, final=True)
        return frames

    # -- the quick way: whole frames in one chunk, nothing waiting ------------------------------------------------

    def _quickly(self, chunk: Chunk) -> tuple[list[Frame], int]:
        """Frames that follow each other from the chunk's first octet on, and how many octets they took."""
        octets, t_ns = chunk.octets, chunk.t_ns
        size = len(octets)
        span_ns = chunk.end_ns - t_ns
        marks, direction = chunk.marks, chunk.direction
        last_end_ns = self._last_end_ns
        frames: list[Frame] = []
        good = self._good
        at = 0
        while at < size:
            start = at
            first = octets[at]
            while first == MARK:
                start += 1
                if start == size:
                    break
                first = octets[start]
            role = None
            if first == SOM and size - start >= MIN_LENGTH:
                length = octets[start + 2] | octets[start + 3] << 8
                control = octets[start + 4]
                end = start + length
                if MIN_LENGTH <= length <= MAX_LENGTH and control < 16:
                    if end > size:
                        break
                    if control & 4:
                        check = octets[end - 2] | octets[end - 1] << 8
                        sound = crc_hqx(octets[start : end - 2], CRC_START) == check
                    else:
                        sound = not sum(octets[start:end]) & 0xFF
                    if sound:
                        role = _REPLY if octets[start + 1] & 0x80 else _REQUEST
                        protocol = _OSDP
            if role is None:
                if start != at or start == size:
                    break
                for length, role in alternatives(octets, at, size):
                    end = at + length
                    if length >= 4 and end <= size and not modbus_crc(octets[at:end]):
                        role = self._role(octets, at, length)
                        if role is not None:
                            break
                else:
                    break
                protocol = _MODBUS
            good[protocol] += 1
            if end - at == size:
                began_ns, ended_ns, head_ns = t_ns, chunk.end_ns, t_ns
                if start:
                    began_ns = t_ns + start * span_ns // size
                frame_octets = octets if not start else octets[start:]
            else:
                began_ns = t_ns + start * span_ns // size
                ended_ns = t_ns + end * span_ns // size
                head_ns = began_ns if start == at else t_ns + at * span_ns // size
                frame_octets = octets[start:end]
            if marks:
                frame_marks = marks[start:end]
                if not any(frame_marks):
                    frame_marks = b""
            else:
                frame_marks = b""
            frames.append(
                _NEW(
                    Frame,
                    (
                        protocol,
                        began_ns,
                        ended_ns,
                        frame_octets,
                        _OK,
                        role,
                        None if last_end_ns is None else max(0, head_ns - last_end_ns),
                        frame_marks,
                        octets[at:start] if start != at else b"",
                        direction,
                    ),
                )
            )
            last_end_ns = ended_ns
            at = end
        self._last_end_ns = last_end_ns
        return frames, at

    def _role(self, octets: bytes | bytearray, start: int, length: int) -> Role | None:
        """Who sends a Modbus message with a right CRC; None if none would. Remembers the request."""
        asks, answers = roles(octets, start, length)
        message = bytes(octets[start : start + length])
        asked = self._asked
        if asks and answers and asked is not None:
            # Both fit: an answer if it fits what was asked; where request and reply are alike, only the same again.
            function = message[1]
            alike = SIZES[function][0] == SIZES[function][1]
            asks = not (message == asked if alike else message[:2] == asked[:2])
        if asks:
            self._asked = message
            return _REQUEST
        if answers:
            self._asked = None
            return _REPLY
        return None

    # -- the careful way ------------------------------------------------------------------------------------------

    def _append(self, chunk: Chunk, used: int) -> None:
        octets = chunk.octets
        size = len(octets)
        span_ns, t_ns = chunk.end_ns - chunk.t_ns, chunk.t_ns
        if used == size:
            return
        position = self._base + len(self._octets)
        if self._octets:
            silence_ns = t_ns - self._ends[-1]
            if silence_ns > self._quiet_ns:
                self._quiets.append(position)
                if silence_ns > self._limit_ns:
                    self._limits.append(position)
        self._unsized += range(position, position + size - used)
        self._octets += octets[used:]
        self._starts += [t_ns + index * span_ns // size for index in range(used, size)]
        self._ends += [t_ns + (index + 1) * span_ns // size for index in range(used, size)]
        self._marks += chunk.marks[used:] if chunk.marks else bytes(size - used)
        self._directions += bytes((chunk.direction,)) * (size - used)

    def _decide(self, frames: list[Frame], *, final: bool = False) -> None:
        """Take every frame that is decided, then let go of the junk that no frame can reach back into."""
        while self._octets:
            self._find_candidates()
            hit = self._next_hit(final=final)
            if hit is not None:
                self._take(hit, frames)
            elif final:
                self._release(len(self._octets), frames)
                self._open.clear()
            elif not self._let_go(frames):
                return

    def _find_candidates(self) -> None:
        """Size what may begin at each position, as soon as its header has come."""
        octets, base, waiting = self._octets, self._base, self._open
        size = len(octets)
        unsized = []
        for start in self._unsized:
            at = start - base
            fits = alternatives(octets, at, size)
            is_start = octets[at] == SOM
            if (is_start and size - at < HEADER_LENGTH) or any(length == 0 for length, _ in fits):
                unsized.append(start)
                continue
            if is_start and is_header_plausible(octets, at):
                end = start + (octets[at + 2] | octets[at + 3] << 8)
                heappush(waiting, (end, start, end, False))
            for length, _ in fits:
                heappush(waiting, (start + length, start, start + length, True))
        self._unsized = unsized

    def _next_hit(self, *, final: bool) -> _Candidate | None:
        """The sound frame that is complete first and that nothing open may still contain."""
        here = self._base + len(self._octets)
        waiting = self._open
        if final:
            waiting = self._open = sorted((end, start, end, is_modbus) for _, start, end, is_modbus in waiting)
        while waiting and (final or waiting[0][0] <= here):
            candidate = heappop(waiting)
            _, start, end, is_modbus = candidate
            if start < self._base or end > here or not self._is_sound(start, end, is_modbus):
                continue
            if not self._is_head(start) and self._break_inside(start, end) is not None:
                continue
            if not final:
                until = self._held_until(start, end, is_modbus)
                if until is not None:
                    heappush(waiting, (until, start, end, is_modbus))
                    continue
            return candidate
        return None

    def _is_sound(self, start: int, end: int, is_modbus: bool) -> bool:
        octets = bytes(self._octets[start - self._base : end - self._base])
        if is_modbus:
            return not modbus_crc(octets) and any(roles(octets, 0, len(octets)))
        return check_ok(octets)

    def _is_head(self, start: int) -> bool:
        """Whether nothing but mark octets lies between the last frame and `start`."""
        before = self._octets[: start - self._base]
        return before.count(MARK) == len(before)

    def _break_inside(self, start: int, end: int, *, quiet: bool = False) -> int | None:
        """First silence inside, as the position after it."""
        breaks = self._quiets if quiet else self._limits
        index = bisect_right(breaks, start)
        return breaks[index] if index < len(breaks) and breaks[index] < end else None

    def _held_until(self, start: int, end: int, is_modbus: bool) -> int | None:
        """When an open candidate around this frame is decided; None if none has to be waited for."""
        held = None
        osdp_bus = self._good[_OSDP] > self._good[_MODBUS]
        for _, other_start, other_end, other_is_modbus in self._open:
            if not self._base <= other_start < start or other_end <= end:
                continue
            head = self._is_head(other_start)
            silence = self._break_inside(other_start, other_end, quiet=other_is_modbus)
            if silence is not None and (silence <= start or not head):
                continue
            holds = head and (is_modbus or not osdp_bus) if other_is_modbus else head or is_modbus
            if holds:
                held = other_end if held is None else max(held, other_end)
        return held

    def _take(self, hit: _Candidate, frames: list[Frame]) -> None:
        _, start, end, is_modbus = hit
        lead = 0
        if not is_modbus:
            place = start - self._base
            while lead < place and self._octets[place - lead - 1] == MARK:
                if self._break_inside(start - lead - 1, start - lead + 1, quiet=True) is not None:
                    break
                lead += 1
        self._release(start - lead - self._base, frames)
        length = end - self._base
        if is_modbus:
            role = self._role(self._octets, 0, length) or Role.UNKNOWN
        else:
            role = _REPLY if self._octets[lead + 1] & REPLY_BIT else _REQUEST
        protocol = _MODBUS if is_modbus else _OSDP
        self._good[protocol] += 1
        self._emit(Piece(lead, length, protocol, _OK, role), frames)

    def _release(self, count: int, frames: list[Frame]) -> None:
        """The first `count` undecided octets are no sound frame: name and emit them, cut at silences."""
        until = self._base + count
        while self._base < until:
            cut = self._break_inside(self._base, until, quiet=True) or until
            size = cut - self._base
            bus = self._bus()
            for piece in classify(bytes(self._octets[:size]), bus):
                if piece.reason is _OK:
                    self._good[piece.protocol] += 1
                self._emit(piece, frames)

    def _bus(self) -> Protocol | None:
        """The protocol that this bus has been found to speak; None while that is open."""
        osdp, modbus = self._good[_OSDP], self._good[_MODBUS]
        if osdp == modbus:
            return None
        return _OSDP if osdp > modbus else _MODBUS

    def _emit(self, piece: Piece, frames: list[Frame]) -> None:
        lead, length = piece.lead, piece.length
        head_ns, began_ns, ended_ns = self._starts[0], self._starts[lead], self._ends[length - 1]
        marks = bytes(self._marks[lead:length])
        frames.append(
            Frame(
                piece.protocol,
                began_ns,
                ended_ns,
                bytes(self._octets[lead:length]),
                piece.reason,
                piece.role,
                None if self._last_end_ns is None else max(0, head_ns - self._last_end_ns),
                marks if any(marks) else b"",
                bytes(self._octets[:lead]),
                Direction(self._directions[0]),
            )
        )
        self._last_end_ns = ended_ns
        self._base += length
        del self._octets[:length], self._starts[:length], self._ends[:length], self._marks[:length]
        del self._directions[:length]
        base = self._base
        self._unsized = [start for start in self._unsized if start >= base]
        for breaks in (self._quiets, self._limits):
            del breaks[: bisect_right(breaks, base)]
        self._open = sorted(candidate for candidate in self._open if candidate[1] >= base)

    def _let_go(self, frames: list[Frame]) -> bool:
        """Emit junk in front of the last silence that no open candidate reaches across; False if there is none."""
        for cut in reversed(self._limits):
            if not any(self._reaches(candidate, cut) for candidate in self._open):
                self._release(cut - self._base, frames)
                return True
        if len(self._octets) >= _MOST_UNDECIDED:
            self._release(_MOST_UNDECIDED // 2, frames)
            return True
        return False

    def _reaches(self, candidate: _Candidate, cut: int) -> bool:
        """Whether an open candidate may still become a frame across the silence at `cut`."""
        _, start, end, is_modbus = candidate
        return start < cut < end and not is_modbus and self._is_head(start)
