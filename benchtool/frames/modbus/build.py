"""Build Modbus RTU frames. Facts: sheet 3.1 (at most 256 octets), 3.2 (CRC low octet first)."""

from __future__ import annotations

from benchtool.frames.crc import with_crc_modbus

MAX_DATA = 252
"""Octets between function and CRC."""


def build_frame(address: int, function: int, data: bytes = b"") -> bytes:
    """Address, function, data, CRC. ValueError when a part is out of range."""
    if not 0 <= address <= 255:
        raise ValueError(f"a Modbus address is one octet, 0 to 255, not {address}")
    if not 0 <= function <= 255:
        raise ValueError(f"a Modbus function is one octet, 0 to 255, not {function}")
    if len(data) > MAX_DATA:
        raise ValueError(f"a Modbus frame carries at most {MAX_DATA} octets of data, not {len(data)}")
    return with_crc_modbus(bytes((address, function)) + data)
