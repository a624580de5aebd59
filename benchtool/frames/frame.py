"""A frame: what a decoder makes of octets, sound or not, and the reasons why not."""

from __future__ import annotations

from enum import Enum
from typing import NamedTuple

from benchtool.capture.chunk import Direction


class Protocol(Enum):
    """What a frame is written in; the value is what `--json` prints."""

    OSDP = "osdp"
    MODBUS_RTU = "modbus-rtu"
    MODBUS_ASCII = "modbus-ascii"
    TABLE = "table"
    """An unknown bus, read by a protocol table that was learned from its traffic."""
    UNKNOWN = "unknown"


class Reason(Enum):
    """Why a frame is not sound; `OK` when it is. The value is what `--json` prints."""

    OK = "ok"
    CHECK_FAILED = "check-failed"
    """The length fits, the check value (CRC or checksum) does not."""
    TRUNCATED = "truncated"
    """It began like a frame and stopped before its length."""
    BAD_HEADER = "bad-header"
    """It began like a frame, but its length or control field cannot be."""
    NOT_RECOGNISED = "not-recognised"
    """Octets between silences that belong to no known protocol."""


class Role(Enum):
    """Who speaks."""

    REQUEST = "request"
    """A controller (control panel, client) asks."""
    REPLY = "reply"
    """A device (peripheral, server) answers."""
    UNKNOWN = "unknown"


class Frame(NamedTuple):
    """One frame or one unknown span.

    Every octet of the line lies in exactly one frame's `lead` + `octets`, or in a decoder's named counter.
    """

    protocol: Protocol
    t_ns: int
    """When the first octet of `octets` began."""
    end_ns: int
    """When the last octet was complete."""
    octets: bytes
    reason: Reason
    role: Role = Role.UNKNOWN
    silence_ns: int | None = None
    """Silence before `lead` + `octets`; None before the first octets of a capture."""
    marks: bytes = b""
    """Empty, or one `Mark` value per octet of `octets`."""
    lead: bytes = b""
    """Mark octets (FF) sent directly before an OSDP start octet: in neither its length nor its check."""
    direction: Direction = Direction.UNKNOWN

    @property
    def ok(self) -> bool:
        """Whether length and check value are right (line-error marks are judged apart)."""
        return self.reason is Reason.OK

    @property
    def proved(self) -> bool:
        """Whether a check value says that it is sound; False where it is not `ok`, or none is known of its protocol."""
        return self.reason is Reason.OK

    @property
    def address(self) -> int | None:
        """The device address: OSDP 0 to 126 (127 broadcast) without the reply bit; Modbus 0 to 255; else None.

        A frame that failed its check still has one, as read: it may itself be damaged.
        """
        octets = self.octets
        if self.protocol is Protocol.OSDP:
            return octets[1] & 0x7F if len(octets) > 1 else None
        if self.protocol is Protocol.MODBUS_RTU:
            return octets[0] if octets else None
        if self.protocol is Protocol.MODBUS_ASCII:
            return _two_digits(octets[1:3])
        return None


def _two_digits(characters: bytes) -> int | None:
    """The octet that two hexadecimal digits say, their eighth bits left out; None where they are none."""
    try:
        return bytes.fromhex(bytes(octet & 0x7F for octet in characters).decode("ascii"))[0]
    except (ValueError, IndexError):
        return None
