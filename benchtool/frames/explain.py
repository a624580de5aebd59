"""What any frame means, whatever its protocol. Runs only when somebody wants to read it; never raises on input."""

from __future__ import annotations

from benchtool.frames import describe_table
from benchtool.frames.frame import Frame, Protocol
from benchtool.frames.meaning import Field, Meaning
from benchtool.frames.modbus import describe as modbus
from benchtool.frames.modbus import describe_ascii as modbus_ascii
from benchtool.frames.osdp import describe as osdp
from benchtool.frames.protocol_table import TableFrame


def explain(frame: Frame, clear: bytes | None = None) -> Meaning:
    """The frame in words. An unknown span has no name; its one field is the number of octets.

    `clear` is the payload of an encrypted frame, where somebody has decrypted it.
    """
    if frame.protocol is Protocol.OSDP:
        return osdp.describe(frame, clear)
    if frame.protocol is Protocol.MODBUS_RTU:
        return modbus.describe(frame)
    if frame.protocol is Protocol.MODBUS_ASCII:
        return modbus_ascii.describe(frame)
    if isinstance(frame, TableFrame):
        return describe_table.describe(frame)
    count = len(frame.octets)
    return Meaning(None, "unknown octets", (Field("count", count, str(count), 0, count),))
