"""Modbus in ASCII mode: the characters around address, function and data, and their check value.

Facts: sheet 3.1 (at most 513 characters, 1 s between them), 3.2 (LRC), 3.3 (examples). `:`, then two hexadecimal digits
an octet, the LRC likewise, CR, LF; the first digit is the high half.
"""

from __future__ import annotations

from benchtool.frames.crc import with_crc_modbus

START = 0x3A
"""`:`"""
END = b"\r\n"
MAX_CHARACTERS = 513
MIN_CHARACTERS = 9
"""Start, address, function, LRC, end."""
CHARACTER_LIMIT_NS = 1_000_000_000
"""The most time between two characters of one frame."""

_PLAIN = bytes(octet & 0x7F for octet in range(256))
_EVEN = bytes(octet for octet in range(256) if octet.bit_count() % 2 == 0)
_ODD = bytes(octet for octet in range(256) if octet.bit_count() % 2)


def lrc(octets: bytes) -> int:
    """The longitudinal redundancy check: two's complement of the sum, 0 to 255."""
    return -sum(octets) & 0xFF


def to_ascii(octets: bytes) -> bytes:
    """Address, function and data as characters, with start, LRC and end; ValueError when it is too long or short."""
    characters = b":" + (octets + bytes((lrc(octets),))).hex().upper().encode() + END
    if not MIN_CHARACTERS <= len(characters) <= MAX_CHARACTERS:
        raise ValueError(
            f"a Modbus frame in ASCII mode has {MIN_CHARACTERS} to {MAX_CHARACTERS} characters, not {len(characters)}"
        )
    return characters


def plain(octets: bytes) -> bytes:
    """The characters without their eighth bit: where 7E1 is received as 8N1 (both 10 bits), it holds the parity."""
    return octets.translate(_PLAIN)


def same_parity(octets: bytes) -> bool:
    """Whether the eighth bits are what one kind of line leaves there: all 0, or everywhere even or odd parity."""
    return octets.isascii() or not octets.translate(None, _EVEN) or not octets.translate(None, _ODD)


def inside(characters: bytes) -> bytes | None:
    """The octets between start and end, LRC included; None where there are not pairs of hexadecimal digits alone."""
    digits = characters[1:]
    if digits.endswith(END):
        digits = digits[:-2]
    # Numbers and letters alone: fromhex would leave out white space.
    if not digits.isalnum():
        return None if digits else b""
    try:
        return bytes.fromhex(digits.decode("ascii"))
    except ValueError:
        return None


def from_ascii(characters: bytes) -> bytes | None:
    """Address, function and data of a sound frame, eighth bits left out; None for anything else."""
    if not characters.isascii():
        characters = plain(characters)
    if not MIN_CHARACTERS <= len(characters) <= MAX_CHARACTERS or characters[0] != START:
        return None
    if not characters.endswith(END):
        return None
    octets = inside(characters)
    return octets[:-1] if octets is not None and sum(octets) & 0xFF == 0 else None


def as_rtu(octets: bytes) -> bytes:
    """Address, function and data as the RTU frame that says the same."""
    return with_crc_modbus(octets)
