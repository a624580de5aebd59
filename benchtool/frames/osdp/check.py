"""Sizes, check values and time limit of an OSDP frame; light and fast, for decoders.

Facts: sheet 5.1 (frame), trap 2 (polynomial 0x1021, start 0x1D0F, no reflection: not KERMIT), trap 4 (the length
counts from SOM; a mark octet FF before it is in neither length nor check), Annex C of SIA OSDP 2.2 as cited there.
"""

from __future__ import annotations

from binascii import crc_hqx
from collections.abc import Sequence

SOM = 0x53
"""Start of message."""
MARK = 0xFF
"""May be sent before SOM to drive the line; in neither length nor check."""
BROADCAST = 0x7F
"""Every device takes it; a reply to it carries FF."""
REPLY_BIT = 0x80
"""Set in the address of a reply."""
HEADER_LENGTH = 5
"""SOM, address, length low, length high, control."""
MIN_LENGTH = 7
"""Header, code, checksum."""
MIN_LENGTH_CRC = 8
"""Header, code, CRC."""
MAX_LENGTH = 1440
"""Largest message on the bus (clause 5.6)."""
REPLY_LIMIT_NS = 200_000_000
"""How long a reply may take (sheet 5.2)."""
SEQUENCE_MASK = 0x03
USES_CRC = 0x04
"""Control bit: CRC-16, else 8-bit checksum."""
HAS_SECURITY_BLOCK = 0x08
"""Control bit: a security block follows the control octet."""
RESERVED_CONTROL = 0xF0
"""Control bits that are 0."""
MAC_LENGTH = 4
CRC_START = 0x1D0F


def crc(data: bytes | bytearray | memoryview) -> int:
    """CRC-16 of the octets from SOM on; sent low octet first."""
    return crc_hqx(data, CRC_START)


def checksum(data: bytes | bytearray | memoryview) -> int:
    """Two's complement of the sum of the octets from SOM on: with it they add up to 0 mod 256."""
    return -sum(data) & 0xFF


def is_header_plausible(buf: Sequence[int], pos: int = 0) -> bool:
    """Whether a frame can begin at `pos`: SOM, a length that can be, a control octet without reserved bits.

    Octets not yet there are given the benefit of the doubt, so a decoder may ask at any time.
    """
    there = len(buf) - pos
    if there < 1 or buf[pos] != SOM:
        return False
    if there < 4:
        return True
    length = buf[pos + 2] | buf[pos + 3] << 8
    if not MIN_LENGTH <= length <= MAX_LENGTH:
        return False
    if there < 5:
        return True
    control = buf[pos + 4]
    if control & RESERVED_CONTROL:
        return False
    shortest = MIN_LENGTH_CRC if control & USES_CRC else MIN_LENGTH
    if control & HAS_SECURITY_BLOCK:
        if there < 6:
            return length >= shortest + 2
        block = buf[pos + 5]
        return block >= 2 and length >= shortest + block
    return length >= shortest


def check_ok(frame: bytes) -> bool:
    """Whether `frame`, from SOM to its last check octet and no more, has the right length and check value."""
    length = len(frame)
    if length < MIN_LENGTH or frame[0] != SOM or frame[2] | frame[3] << 8 != length:
        return False
    if frame[4] & USES_CRC:
        return length >= MIN_LENGTH_CRC and crc_hqx(frame[:-2], CRC_START) == frame[-2] | frame[-1] << 8
    return not sum(frame) & 0xFF


DIFFERS = "the check value is not what the octets give"
"""Said in place of `difference` where octets are hidden: with the figures they could be worked out."""


def difference(frame: bytes) -> str:
    """How the check value of a frame of at least `MIN_LENGTH` octets differs from what the others give, in words."""
    if frame[4] & USES_CRC:
        found, right = frame[-2:], crc(frame[:-2]).to_bytes(2, "little")
        return f"CRC is {found.hex(' ').upper()}, the octets give {right.hex(' ').upper()}"
    return f"checksum is {frame[-1]:02X}, the octets give {checksum(frame[:-1]):02X}"
