"""The check value of Modbus RTU, compiled.

Facts: sheet 3.2 and section 4 (CRC-16/MODBUS: polynomial 8005 reflected, start FFFF, sent low octet first). OSDP's own
check value is in `osdp.check`.
"""

from __future__ import annotations

from fastcrc.crc16 import modbus

MODBUS_RESIDUE = 0
"""CRC over a whole sound frame, check octets included. A further 00 keeps it: try the shorter of two lengths first."""


def crc_modbus(data: bytes) -> int:
    """CRC-16/MODBUS, 0 to 65535."""
    return modbus(data)


def with_crc_modbus(data: bytes) -> bytes:
    """The octets followed by their CRC, low octet first."""
    return data + modbus(data).to_bytes(2, "little")


def modbus_ok(frame: bytes) -> bool:
    """Whether the last two octets are the CRC of those before."""
    return len(frame) > 2 and modbus(frame) == MODBUS_RESIDUE
