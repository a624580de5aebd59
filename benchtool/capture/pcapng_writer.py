"""Writes items as pcapng blocks; holds no file and no clock. Layout: pcapng_blocks.py, docs/capture-format.md."""

from __future__ import annotations

import struct

from benchtool import __version__
from benchtool.capture import pcapng_blocks as layout
from benchtool.capture import pcapng_payload as payload
from benchtool.capture.chunk import Chunk, Direction, Gap, Item, TapInfo
from benchtool.capture.described import MOST_NAME, described

MOST_OCTETS = 65_536
"""Longest chunk in one block; general packet tools refuse packets over 256 KiB."""

_WRAP = 0xFFFF_FFFF_FFFF_FFFF
_BLOCK_HEAD = struct.Struct("<7I")
_FLAGS = struct.Struct("<HHII")
_LENGTH = struct.Struct("<I")
_PADDING = (b"", b"\0", b"\0\0", b"\0\0\0")
_OCTETS = payload.word(payload.Kind.OCTETS)
_GAP = payload.word(payload.Kind.GAP)
_COUNTS = payload.word(payload.Kind.COUNTS)


def _error_bits(marks: bytes) -> int:
    seen = 0
    for mark in set(marks):
        seen |= mark
    return sum(bit for mark, bit in layout.ERROR_BITS if seen & mark)


class PcapngEncoder:
    """Makes the blocks of one section with one interface."""

    most_octets = MOST_OCTETS

    def __init__(self, info: TapInfo) -> None:
        self._info = info
        self._anchor = info.anchor_ns

    def header(self) -> bytes:
        """Section header and interface description."""
        section = struct.pack("<IHHq", layout.BYTE_ORDER, 1, 0, -1)
        section += layout.option(layout.SECTION_APPLICATION, f"benchtool {__version__}".encode())
        section += layout.option(layout.OPTION_END, b"")
        info = self._info
        shown = (
            f"benchtool tap, {info.settings}, line errors {info.line_errors.value}, "
            f"time resolution {info.resolution_ns / 1e6:g} ms"
        )
        interface = struct.pack("<HHI", layout.LINK_TYPE, 0, 0)
        for code, value in (
            (layout.OPTION_COMMENT, (layout.COMMENT_TAG + described(info)).encode()),
            (layout.INTERFACE_NAME, info.name[:MOST_NAME].encode(errors="replace")),
            (layout.INTERFACE_DESCRIPTION, shown.encode()),
            (layout.INTERFACE_SPEED, struct.pack("<Q", info.settings.baud)),
            (layout.INTERFACE_RESOLUTION, b"\x09"),
            (layout.OPTION_END, b""),
        ):
            interface += layout.option(code, value)
        return layout.block(layout.SECTION_HEADER, section) + layout.block(layout.INTERFACE, interface)

    def encode(self, item: Item) -> bytes:
        """One whole block. Times are signed 64-bit nanoseconds; ValueError when an item breaks its contract."""
        flags = 0
        try:
            if isinstance(item, Chunk):
                t_ns, end_ns, octets, marks, direction = item
                if marks:
                    if len(marks) != len(octets):
                        raise ValueError(f"{len(marks)} marks for {len(octets)} octets")
                    flags = direction | _error_bits(marks)
                    head = payload.PAYLOAD.pack(_OCTETS, direction, payload.MARKS_PRESENT, 0, end_ns - t_ns)
                    return self._packet(t_ns, head, octets + marks, flags)
                head = payload.PAYLOAD.pack(_OCTETS, direction, 0, 0, end_ns - t_ns)
                return self._packet(t_ns, head, octets, direction)
            if isinstance(item, Gap):
                head = payload.PAYLOAD.pack(_GAP, Direction.UNKNOWN, 0, 0, item.end_ns - item.t_ns)
                return self._packet(item.t_ns, head, item.why.encode(errors="replace")[:MOST_OCTETS], 0)
            t_ns, *counts = item
            head = payload.PAYLOAD.pack(_COUNTS, Direction.UNKNOWN, 0, 0, 0)
            return self._packet(t_ns, head, payload.COUNTS.pack(*counts), 0)
        except struct.error as error:
            raise ValueError(f"a number in {type(item).__name__} does not fit the capture file: {error}") from error

    def _packet(self, t_ns: int, head: bytes, body: bytes, flags: int) -> bytes:
        if not -(1 << 63) <= t_ns < 1 << 63:
            raise ValueError(f"time {t_ns} ns is beyond 64 bits")
        captured = len(head) + len(body)
        padding = -captured & 3
        # A time before 1970 wraps round; the reader undoes it, as both work modulo 2^64.
        stamp = (self._anchor + t_ns) & _WRAP
        length = 32 + captured + padding + (_FLAGS.size if flags else 0)
        parts = [
            _BLOCK_HEAD.pack(layout.ENHANCED_PACKET, length, 0, stamp >> 32, stamp & 0xFFFF_FFFF, captured, captured),
            head,
            body,
            _PADDING[padding],
        ]
        if flags:
            parts.append(_FLAGS.pack(layout.PACKET_FLAGS, 4, flags, layout.OPTION_END))
        parts.append(_LENGTH.pack(length))
        return b"".join(parts)
