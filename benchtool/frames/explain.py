"""Any frame in words: hands it to its protocol."""

from __future__ import annotations

from benchtool.frames.frame import Frame, Protocol
from benchtool.frames.meaning import Meaning
from benchtool.frames.osdp.describe import describe as describe_osdp


def explain(frame: Frame) -> Meaning:
    """What a frame says, sound or damaged; never raises."""
    if frame.protocol is Protocol.OSDP:
        return describe_osdp(frame)
    if frame.protocol is Protocol.MODBUS_RTU:
        from benchtool.frames.modbus.describe import describe as describe_modbus

        return describe_modbus(frame)
    count = len(frame.octets)
    return Meaning(None, f"{count} unknown octet{'' if count == 1 else 's'}")
