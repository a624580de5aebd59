"""Finds Modbus frames in ASCII mode on a bus of which nobody has said what it speaks, and only where they are certain.

It looks into the unknown spans of the usual decoder. A frame that begins with `:`, ends with CR LF, has nothing but
pairs of hexadecimal digits between them, the right LRC and a public function is taken out. Where two such have been
found, damaged ones from `:` to CR LF are taken out too. All else stays as it was.
"""

from __future__ import annotations

import re
from typing import Protocol as Interface

from benchtool.capture.chunk import Chunk, Gap, Item
from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.frames.hunt_roles import Roles
from benchtool.frames.modbus.ascii import CHARACTER_LIMIT_NS, MAX_CHARACTERS, from_ascii, plain, same_parity
from benchtool.frames.modbus.ascii_decoder import NO_CHECK, fitting_role
from benchtool.frames.modbus.lengths import KNOWN

_WHOLE = re.compile(rb":(?:[0-9A-Fa-f]{2}){3,255}\r\n")
_ENDED = re.compile(rb":[^:\r\n]{0,510}\r\n")
_BEGUN = re.compile(rb":[0-9A-Fa-f]*\r?\Z")
_UNKNOWN = Protocol.UNKNOWN
_ESTABLISHED = 2
"""So many sound frames make the protocol known here."""


class _Inner(Interface):
    """What it stands around: a decoder of frames."""

    counters: dict[str, int]

    @property
    def pending(self) -> int:
        """Octets that are not decided yet."""

    def feed(self, item: Item) -> list[Frame]:
        """Take the next item."""

    def flush(self, t_ns: int) -> list[Frame]:
        """Decide what the silence until `t_ns` decides."""

    def close(self) -> list[Frame]:
        """Decide all that is pending."""


class AsciiFinder:
    """The frames of `inner`, with ASCII frames taken out of its unknown spans.

    A span that ends within what may be such a frame is kept back until the next frame, or 1 s of silence, tells.
    """

    def __init__(self, inner: _Inner) -> None:
        self._inner = inner
        self._feed = inner.feed
        self._held: list[Frame] = []
        self._roles = Roles()
        self._sound = 0

    @property
    def counters(self) -> dict[str, int]:
        """Those of the decoder inside."""
        return self._inner.counters

    @property
    def pending(self) -> int:
        """Octets that are not decided yet."""
        return self._inner.pending + sum(len(frame.octets) for frame in self._held)

    def feed(self, item: Item) -> list[Frame]:
        """Take the next item."""
        frames = self._feed(item)
        if item.__class__ is Chunk and not self._held:
            # The usual case, and every frame of every bus goes this way.
            for frame in frames:
                if frame.protocol is _UNKNOWN:
                    return self._take(frames)
            return frames
        found = self._take(frames)
        if isinstance(item, Gap):
            found += self._let_go()
            self._roles.asked = None
        return found

    def flush(self, t_ns: int) -> list[Frame]:
        """It is now `t_ns`, and all that was heard has been fed: decide what the silence until then decides."""
        found = self._take(self._inner.flush(t_ns))
        if self._held and not self._inner.pending and t_ns - self._held[-1].end_ns >= CHARACTER_LIMIT_NS:
            found += self._let_go()
        return found

    def close(self) -> list[Frame]:
        """Nothing more comes: decide all that is pending."""
        return self._take(self._inner.close()) + self._let_go()

    def _let_go(self) -> list[Frame]:
        held, self._held = self._held, []
        return held

    def _take(self, frames: list[Frame]) -> list[Frame]:
        if not self._held and not any(frame.protocol is _UNKNOWN for frame in frames):
            return frames
        found: list[Frame] = []
        for frame in frames:
            if frame.protocol is not _UNKNOWN:
                found += self._let_go()
                found.append(frame)
                continue
            if self._held and (frame.silence_ns is None or frame.silence_ns >= CHARACTER_LIMIT_NS):
                found += self._let_go()
            self._held.append(frame)
            found += self._look()
        return found

    def _look(self) -> list[Frame]:
        """Take ASCII frames out of the spans held; keep back what may become one."""
        held = self._held
        characters = plain(b"".join(frame.octets for frame in held))
        spans = _Spans(held)
        sound = self._wanted(characters, spans)
        begun = _BEGUN.search(characters)
        keep = begun.start() if begun is not None and len(characters) - begun.start() < MAX_CHARACTERS else None
        if not sound:
            if keep is None:
                return self._let_go()
            # The spans before the one in which it begins can be told already.
            first = spans.index(keep)
            self._held = held[first:]
            return held[:first]
        found: list[Frame] = []
        at = 0
        for start, end in sound:
            found += spans.cut(at, start)
            found.append(self._judged(spans.joined(start, end)))
            at = end
        rest = spans.cut(at, len(characters))
        if keep is None:
            self._held = []
            return found + rest
        self._held = rest
        return found

    def _wanted(self, characters: bytes, spans: _Spans) -> list[tuple[int, int]]:
        """Where what is to be taken out begins and ends."""
        certain = [
            (start, end)
            for start, end in (match.span() for match in _WHOLE.finditer(characters))
            if self._is_certain(spans.octets(start, end))
        ]
        self._sound += len(certain)
        if self._sound < _ESTABLISHED:
            return certain
        return [match.span() for match in _ENDED.finditer(characters)]

    @staticmethod
    def _is_certain(octets: bytes) -> bool:
        body = from_ascii(octets)
        return body is not None and same_parity(octets) and body[1] & 0x7F in KNOWN

    def _judged(self, frame: Frame) -> Frame:
        body = from_ascii(frame.octets)
        if body is None:
            return frame._replace(protocol=Protocol.MODBUS_ASCII, reason=Reason.CHECK_FAILED)
        as_long = body + NO_CHECK
        role = self._roles.judge(as_long, fitting_role(as_long), frame.t_ns, frame.end_ns, frame.direction)
        return frame._replace(protocol=Protocol.MODBUS_ASCII, reason=Reason.OK, role=role)


class _Spans:
    """Spans that follow each other, and parts of them by position."""

    def __init__(self, frames: list[Frame]) -> None:
        self._frames = frames
        self._starts: list[int] = []
        at = 0
        for frame in frames:
            self._starts.append(at)
            at += len(frame.octets)

    def index(self, position: int) -> int:
        """Which span a position lies in."""
        return max(n for n, start in enumerate(self._starts) if start <= position)

    def octets(self, start: int, end: int) -> bytes:
        """The octets of a part."""
        return b"".join(frame.octets for frame in self.cut(start, end))

    def cut(self, start: int, end: int) -> list[Frame]:
        """The part from `start` to `end`, span by span."""
        parts = []
        for first, frame in zip(self._starts, self._frames, strict=True):
            begin, stop = max(start, first) - first, min(end, first + len(frame.octets)) - first
            if begin < stop:
                parts.append(_part(frame, begin, stop))
        return parts

    def joined(self, start: int, end: int) -> Frame:
        """The same as one frame."""
        parts = self.cut(start, end)
        first, last = parts[0], parts[-1]
        if len(parts) == 1:
            return first
        marks = b"".join(part.marks or bytes(len(part.octets)) for part in parts)
        return first._replace(
            end_ns=last.end_ns,
            octets=b"".join(part.octets for part in parts),
            marks=marks if any(marks) else b"",
            role=Role.UNKNOWN,
        )


def _part(frame: Frame, begin: int, stop: int) -> Frame:
    """Part of a span; its times are spread evenly over the octets."""
    count = len(frame.octets)
    if (begin, stop) == (0, count):
        return frame
    lasts_ns = frame.end_ns - frame.t_ns
    marks = frame.marks[begin:stop]
    return frame._replace(
        t_ns=frame.t_ns + begin * lasts_ns // count,
        end_ns=frame.t_ns + stop * lasts_ns // count,
        octets=frame.octets[begin:stop],
        silence_ns=frame.silence_ns if begin == 0 else 0,
        marks=marks if any(marks) else b"",
    )
