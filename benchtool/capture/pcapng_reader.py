"""Reads items from a pcapng file in constant memory: quick for blocks as we write them, patient with all others.

Sizes in the file are never trusted: a block is read only when it is whole, no longer than `BLOCK_LIMIT`, and its two
lengths agree. Layout: pcapng_blocks.py, docs/capture-format.md.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import BinaryIO

from benchtool.capture import pcapng_blocks as layout
from benchtool.capture.chunk import Chunk, Item, TapInfo
from benchtool.capture.described import info_from, pairs
from benchtool.capture.pcapng_payload import DIRECTIONS, Kind, item_from, moved, word
from benchtool.capture.problems import Problems

PIECE = 256 << 10
"""How much of the file is read at once."""
UNKNOWN_RESOLUTION_NS = 1_000_000
"""Assumed where a tap's description is lost: the clock of an unknown host is not finer than 1 ms."""
MOST_INTERFACES = 4096
"""Interfaces remembered in one section."""

_FAST = struct.Struct("<IIIIIIIIBBHq")
_OCTETS = word(Kind.OCTETS)
_HALF = 1 << 63


@dataclass(frozen=True, slots=True)
class _Interface:
    link_type: int
    tagged: bool = False
    anchor_ns: int = 0
    resolution: int = 6
    offset_s: int = 0

    def nanoseconds(self, stamp: int) -> int:
        if self.resolution & 0x80:
            stamp = stamp * 1_000_000_000 >> (self.resolution & 0x7F)
        elif self.resolution != 9:
            stamp = stamp * 1_000_000_000 // 10**self.resolution
        return stamp + self.offset_s * 1_000_000_000


class PcapngReader:
    """Reads one open file; `find_info` looks ahead for the tap's description, `items` starts at the beginning."""

    def __init__(self, stream: BinaryIO, name: str, problems: Problems) -> None:
        self._stream = stream
        self._name = name
        self._problems = problems
        self.info: TapInfo | None = None
        """The first benchtool tap in the file; None while none was found."""
        self.link_types: set[int] = set()
        """Other link types that were met, at most a few."""
        self._restart()

    def _restart(self) -> None:
        self._stream.seek(0)
        self._buffer = b""
        self._start = 0
        self._position = 0
        self._order = "<"
        self._interfaces: list[_Interface] = []
        self._quick: dict[int, int] = {}
        """Wall clock at time 0, by interface; only those whose packets the quick path may read."""
        self._ended = False
        self._done = False

    def find_info(self) -> TapInfo | None:
        """Read on until a benchtool tap is described; None when the file holds none."""
        self._restart()
        while self.info is None and not self._done:
            self._next_block()
        return self.info

    def items(self) -> Iterator[Item]:
        """Every item, in order of the file; problems are noted on the way."""
        self._restart()
        self._problems.clear()
        unpack, new, octets_word, directions = _FAST.unpack_from, tuple.__new__, _OCTETS, DIRECTIONS
        none = b""
        while not self._done:
            buffer, position = self._buffer, self._position
            last = len(buffer) - 48
            bases = self._quick
            while position <= last:
                (kind, length, number, high, low, captured, original, signature, direction, flags, _, duration) = (
                    unpack(buffer, position)
                )
                # Anything out of the ordinary is left to _next_block, which says what it is.
                stop = position + length
                if (
                    signature != octets_word
                    or kind != 6
                    or captured != original
                    or captured < 16
                    or captured + 32 > length
                    or stop > last + 48
                    or direction > 2
                    or number not in bases
                    or buffer[stop - 4 : stop] != buffer[position + 4 : position + 8]
                    or length & 3
                ):
                    break
                t_ns = (high << 32 | low) - bases[number]
                if not -_HALF <= t_ns < _HALF:
                    t_ns = (t_ns + _HALF) % (1 << 64) - _HALF
                begin = position + 44
                if flags & 1:
                    if captured & 1:
                        break
                    middle = begin + (captured - 16 >> 1)
                    octets = buffer[begin:middle]
                    marks = buffer[middle : position + 28 + captured]
                else:
                    octets = buffer[begin : position + 28 + captured]
                    marks = none
                # Kept up to date while nobody asks for more: `passed_octets` is read then.
                self._position = position = stop
                yield new(Chunk, (t_ns, t_ns + duration, octets, marks, directions[direction]))
            item = self._next_block()
            if item is not None:
                yield item

    @property
    def passed_octets(self) -> int:
        """How much of the file lies before the next item."""
        return self._start + self._position

    def _base(self, interface: _Interface) -> int:
        """Wall clock at time 0 of the whole capture: the first tap's, so that appended sections stay in order."""
        if self.info is not None and self.info.anchor_ns and interface.anchor_ns:
            return self.info.anchor_ns
        return interface.anchor_ns

    def _have(self, octets: int) -> bool:
        """Whether so many octets lie in the buffer from the present position; reads on if not."""
        if len(self._buffer) - self._position >= octets:
            return True
        if self._ended:
            return False
        parts = [self._buffer[self._position :]]
        self._start += self._position
        self._position = 0
        held = len(parts[0])
        while held < octets:
            part = self._stream.read(PIECE)
            if not part:
                self._ended = True
                break
            parts.append(part)
            held += len(part)
        self._buffer = b"".join(parts)
        return held >= octets

    def _damaged(self, what: str) -> None:
        """Go on at the next whole packet; if there is none, reading has ended."""
        where = self._start + self._position
        if self._find_packet():
            resumed = self._start + self._position
            self._problems.note("damages", f"damaged: {what}; octets {where} to {resumed - 1} were skipped")
        else:
            self._done = True
            self._problems.note("damages", f"damaged: {what}; the rest was not read")

    def _truncated(self) -> None:
        where = self._start + self._position
        if self._find_packet():
            resumed = self._start + self._position
            self._problems.note(
                "damages",
                f"damaged: the block at octet {where} is said to end after the file; "
                f"octets {where} to {resumed - 1} were skipped",
            )
        else:
            self._done = True
            self._problems.note(
                "damages", f"truncated: last block incomplete at octet {where}; everything before it was read"
            )

    def _find_packet(self) -> bool:
        """Search forward for a packet block whose two lengths agree, and move there."""
        head = struct.Struct(self._order + "II")
        pattern = struct.pack(self._order + "I", layout.ENHANCED_PACKET)
        self._position = min(self._position + 4, len(self._buffer))
        while True:
            while (at := self._buffer.find(pattern, self._position)) >= 0:
                self._position = at
                if (self._start + at) % 4 == 0 and self._have(8):
                    length = head.unpack_from(self._buffer, self._position)[1]
                    if 32 <= length <= layout.BLOCK_LIMIT and length % 4 == 0 and self._have(length):
                        end = self._position + length
                        if self._buffer[end - 4 : end] == self._buffer[self._position + 4 : self._position + 8]:
                            return True
                self._position += 1
            self._position = max(self._position, len(self._buffer) - 3)
            if not self._have(len(self._buffer) - self._position + 1):
                return False

    def _next_block(self) -> Item | None:
        """Read one block of any sort; sets `_done` at the end of the file or where reading cannot go on."""
        if not self._have(12):
            if len(self._buffer) == self._position:
                self._done = True
            else:
                self._truncated()
            return None
        buffer, position = self._buffer, self._position
        where = self._start + position
        if buffer[position : position + 4] == layout.MAGIC:
            order = next(
                (o for o in "<>" if struct.unpack_from(o + "I", buffer, position + 8)[0] == layout.BYTE_ORDER), ""
            )
            if not order:
                self._damaged(f"the section at octet {where} has no byte order")
                return None
            self._order = order
            self._interfaces, self._quick = [], {}
        elif where == 0:
            self._damaged("the file does not begin with a section header")
            return None
        kind, length = struct.unpack_from(self._order + "II", buffer, position)
        if length < 12 or length & 3:
            self._damaged(f"the block at octet {where} gives its length as {length}")
            return None
        if length > layout.BLOCK_LIMIT:
            self._step_over(where, length)
            return None
        if not self._have(length):
            self._truncated()
            return None
        buffer, position = self._buffer, self._position
        (again,) = struct.unpack_from(self._order + "I", buffer, position + length - 4)
        if again != length:
            self._damaged(f"the block at octet {where} has two lengths, {length} and {again}")
            return None
        self._position = position + length
        body = buffer[position + 8 : position + length - 4]
        if kind == layout.INTERFACE:
            self._interface(body, where)
        elif kind == layout.ENHANCED_PACKET:
            return self._packet(body)
        elif kind == layout.SIMPLE_PACKET:
            self._problems.count("packets without a time were skipped")
        return None

    def _step_over(self, where: int, length: int) -> None:
        reached = self._start + len(self._buffer)
        self._stream.seek(where + length - 4)
        again = self._stream.read(4)
        if again != struct.pack(self._order + "I", length):
            self._stream.seek(reached)
            if again:
                self._damaged(f"the block at octet {where} claims {length} octets")
            else:
                self._truncated()
            return
        self._buffer, self._position, self._start, self._ended = b"", 0, where + length, False
        self._problems.count(f"blocks longer than {layout.BLOCK_LIMIT >> 20} MiB were skipped")

    def _interface(self, body: bytes, where: int) -> None:
        if len(self._interfaces) >= MOST_INTERFACES:
            self._problems.count(f"interfaces beyond {MOST_INTERFACES} were skipped")
            return
        if len(body) < 8:
            self._problems.count("interface descriptions too short to read")
            self._interfaces.append(_Interface(0xFFFF))
            return
        interface = _Interface(struct.unpack_from(self._order + "H", body)[0])
        if interface.link_type != layout.LINK_TYPE:
            if len(self.link_types) < 8:
                self.link_types.add(interface.link_type)
            self._interfaces.append(interface)
            return
        info = TapInfo(self._name, resolution_ns=UNKNOWN_RESOLUTION_NS)
        for code, value in layout.options(body[8:], self._order):
            if code == layout.INTERFACE_NAME:
                info = replace(info, name=value.decode(errors="replace"))
            elif code == layout.INTERFACE_RESOLUTION and len(value) == 1:
                interface = replace(interface, resolution=value[0])
            elif code == layout.INTERFACE_OFFSET and len(value) == 8:
                interface = replace(interface, offset_s=struct.unpack(self._order + "q", value)[0])
            elif code == layout.OPTION_COMMENT and value.startswith(layout.COMMENT_TAG.encode()):
                info = self._settings(info, value.decode(errors="replace"), where)
                interface = replace(interface, tagged=True, anchor_ns=info.anchor_ns)
        self._interfaces.append(interface)
        if not interface.tagged:
            return
        if self.info is None:
            # Another tool may have kept the times less finely than they were recorded.
            step = interface.nanoseconds(1) - interface.nanoseconds(0)
            self.info = replace(info, resolution_ns=info.resolution_ns if step <= 1 else max(step, info.resolution_ns))
        if self._order == "<" and interface.resolution == 9 and not interface.offset_s:
            self._quick[len(self._interfaces) - 1] = self._base(interface)
        if info.settings != self.info.settings:
            self._problems.note(
                "interfaces with other settings",
                f"the interface at octet {where} has other settings ({info.settings}); "
                f"its traffic is read as {self.info.settings}",
            )

    def _settings(self, info: TapInfo, comment: str, where: int) -> TapInfo:
        try:
            return info_from(info, pairs(comment))
        except ValueError as error:
            self._problems.note(
                "interfaces with bad settings",
                f"settings of the interface at octet {where}: {error}; defaults are used",
            )
            return info

    def _packet(self, body: bytes) -> Item | None:
        if len(body) < 20:
            self._problems.count("packets too short to read were skipped")
            return None
        number, high, low, captured, original = struct.unpack_from(self._order + "5I", body)
        interface = self._interfaces[number] if number < len(self._interfaces) else None
        if interface is None:
            self._problems.count("packets of no described interface were skipped")
            return None
        if interface.link_type != layout.LINK_TYPE:
            self._problems.count("packets of other link types were skipped")
            return None
        if captured != original or captured > len(body) - 20:
            self._problems.count("packets were cut short by another tool and skipped")
            return None
        made = item_from(body[20 : 20 + captured], 0)
        if made is None:
            self._problems.count("packets of the private link type are not benchtool's and were skipped")
            return None
        if self.info is None:
            self.info = TapInfo(self._name, resolution_ns=UNKNOWN_RESOLUTION_NS)
        if not interface.tagged:
            self._problems.count("packets have lost their tap's settings; defaults are used")
        t_ns = interface.nanoseconds(high << 32 | low) - self._base(interface)
        if not -_HALF <= t_ns < _HALF:
            t_ns = (t_ns + _HALF) % (1 << 64) - _HALF
        return moved(made, t_ns)
