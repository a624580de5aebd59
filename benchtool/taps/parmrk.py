"""The octet stream of a POSIX serial line with PARMRK set, taken apart without I/O.

With INPCK|PARMRK set and IGNPAR|ISTRIP clear the line hands over a good FF as `FF FF`, a damaged octet b as `FF 00 b`
and a break as `FF 00 00` (sheet 10.1, man7/glibc termios). The stream does not say what was wrong with b: `name_marks`
decides that with the help of the adapter's counters.
"""

from __future__ import annotations

from benchtool.capture.chunk import Mark

_ESCAPE = 0xFF
_GOOD_FF = b"\xff\xff"
_GOOD = int(Mark.NONE)


class ParmrkDecoder:
    """A push parser: `feed` pieces of the stream in order; `flush` when the caller knows that no more will come."""

    __slots__ = ("_bad", "_held", "strays")

    def __init__(self, *, parity: bool) -> None:
        self._held = b""
        self._bad = int(Mark.PARITY | Mark.FRAMING) if parity else int(Mark.FRAMING)
        self.strays = 0
        """Sequences `FF x` that no such line sends (x neither FF nor 00); both octets were kept, unmarked."""

    @property
    def holds(self) -> bool:
        """True while an unfinished sequence waits for its end."""
        return bool(self._held)

    def feed(self, data: bytes) -> tuple[bytes, bytes]:
        """Octets and their marks: no marks at all when every octet is good, else one `Mark` value an octet.

        `FF 00 00` is marked BREAK. `FF 00 b` is marked FRAMING on a line without parity; on a line with parity it is
        marked PARITY|FRAMING, which says: one of the two. An unfinished sequence at the end waits for the next call.
        """
        if not self._held:
            escapes = data.count(_ESCAPE)
            if not escapes:
                return data, b""
            if 2 * data.count(_GOOD_FF) == escapes:  # every FF stands in a pair
                return data.replace(_GOOD_FF, b"\xff"), b""
        return self._decode(self._held + data)

    def flush(self) -> tuple[bytes, bytes]:
        """The octets of an unfinished sequence, as they came and unmarked, so that none is lost."""
        held, self._held = self._held, b""
        return held, b""

    def _decode(self, data: bytes) -> tuple[bytes, bytes]:
        octets = bytearray()
        marked: list[tuple[int, int]] = []
        start, size = 0, len(data)
        self._held = b""
        while (at := data.find(_ESCAPE, start)) >= 0:
            octets += data[start:at]
            kind = data[at + 1] if at + 1 < size else None
            if kind is None or (kind == 0 and at + 2 >= size):
                self._held = data[at:]
                start = size
                break
            if kind == _ESCAPE:
                octets.append(_ESCAPE)
                start = at + 2
            elif kind == 0:
                octet = data[at + 2]
                marked.append((len(octets), self._bad if octet else int(Mark.BREAK)))
                octets.append(octet)
                start = at + 3
            else:
                self.strays += 1
                octets += data[at : at + 2]
                start = at + 2
        octets += data[start:]
        if not marked:
            return bytes(octets), b""
        marks = bytearray(len(octets))
        for place, mark in marked:
            marks[place] = mark
        return bytes(octets), bytes(marks)


def name_marks(octets: bytes, marks: bytes, counted: Mark, *, parity: bool) -> bytes:
    """Say more exactly what the marked octets suffered.

    `counted` holds the kinds of error that the adapter's counters rose by and that no mark has accounted for yet
    (Mark.NONE: nothing known). A damaged octet other than 00 takes the counted kinds among FRAMING and PARITY; a
    damaged 00 is a BREAK if breaks were counted or if nothing is known. What is left ambiguous keeps both bits.
    """
    possible = Mark.FRAMING | Mark.PARITY if parity else Mark.FRAMING
    octet_mark = int(counted & possible or possible)
    zero = counted & (possible | Mark.BREAK)
    zero_mark = int(Mark.BREAK if Mark.BREAK in zero or not zero else zero)
    return bytes(
        _GOOD if not mark else octet_mark if octet else zero_mark for octet, mark in zip(octets, marks, strict=True)
    )
