"""The layout of our capture file on the outside: pcapng blocks and options.

Facts: the open IETF draft "PCAP Now Generic (pcapng) Capture File Format" (block types, option codes, flag bits; from
memory, checked in the tests against tshark as an independent reader). What packets hold: pcapng_payload.py.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

from benchtool.capture.chunk import Mark

SECTION_HEADER = 0x0A0D0D0A
INTERFACE = 1
SIMPLE_PACKET = 3
ENHANCED_PACKET = 6

MAGIC = b"\x0a\x0d\x0d\x0a"
"""The first four octets of every pcapng file, in either byte order."""
BYTE_ORDER = 0x1A2B3C4D
"""In the section header: tells which way round the section's numbers are."""
LINK_TYPE = 147
"""LINKTYPE_USER0: kept free for private use."""

OPTION_END = 0
OPTION_COMMENT = 1
SECTION_APPLICATION = 4
INTERFACE_NAME = 2
INTERFACE_DESCRIPTION = 3
INTERFACE_SPEED = 8
INTERFACE_RESOLUTION = 9
INTERFACE_OFFSET = 14
PACKET_FLAGS = 2

COMMENT_TAG = "benchtool 1 "
"""How the interface comment begins that holds our settings; the number is the version of the payload."""

ERROR_BITS: tuple[tuple[Mark, int], ...] = (
    (Mark.FRAMING, 1 << 31),  # symbol error
    (Mark.PARITY, 1 << 24),  # CRC error: the check of a character failed
    (Mark.BREAK, 1 << 29),  # start frame delimiter error: a start bit without a character
    (Mark.OVERRUN, 1 << 26),  # packet too short: octets are missing
)
"""Line errors in the packet flags, for general packet tools. Our reader takes the marks from the payload."""


BLOCK_LIMIT = 1 << 20
"""Longest block that is read into memory; longer ones are stepped over."""


def block(kind: int, body: bytes) -> bytes:
    """A whole little-endian block: type, length, body padded to 32 bits, length again."""
    padding = -len(body) & 3
    length = 12 + len(body) + padding
    return b"".join((struct.pack("<II", kind, length), body, bytes(padding), struct.pack("<I", length)))


def option(code: int, value: bytes) -> bytes:
    """One little-endian option, padded to 32 bits; `value` is cut at 65535 octets."""
    value = value[:0xFFFF]
    return struct.pack("<HH", code, len(value)) + value + bytes(-len(value) & 3)


def options(data: bytes, order: str) -> Iterator[tuple[int, bytes]]:
    """The options in `data`, (code, value) each, up to the end mark or to the first that does not fit."""
    head = struct.Struct(order + "HH")
    position = 0
    while position + 4 <= len(data):
        code, length = head.unpack_from(data, position)
        position += 4
        if code == OPTION_END or position + length > len(data):
            return
        yield code, data[position : position + length]
        position += length + (-length & 3)
