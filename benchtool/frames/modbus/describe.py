"""Say what a Modbus frame means."""

from __future__ import annotations

from benchtool.frames.frame import Frame
from benchtool.frames.meaning import Meaning


def describe(frame: Frame) -> Meaning:
    """The frame in words; never raises on input."""
    function = frame.octets[1] if len(frame.octets) > 1 else None
    return Meaning(None, "Modbus frame" if function is None else f"function {function:02X}")
