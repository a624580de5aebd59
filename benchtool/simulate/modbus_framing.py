"""The two ways in which Modbus puts address, function and data on the line, behind one interface.

Facts: sheet 3.1 and 3.2. Here a "unit" is address, function and data without the check value.
"""

from __future__ import annotations

from enum import Enum

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.frames.crc import modbus_ok, with_crc_modbus
from benchtool.frames.decoder import BusDecoder, break_ns
from benchtool.frames.frame import Frame, Protocol
from benchtool.frames.modbus.ascii import from_ascii, to_ascii
from benchtool.frames.modbus.ascii_decoder import AsciiDecoder
from benchtool.frames.modbus.lengths import MIN_LENGTH
from benchtool.simulate.modbus_stations import frame_gap_ns


class Mode(Enum):
    """How it is sent; the value is the protocol's name on the command line."""

    RTU = "modbus-rtu"
    ASCII = "modbus-ascii"


_PROTOCOLS = {Mode.RTU: Protocol.MODBUS_RTU, Mode.ASCII: Protocol.MODBUS_ASCII}


def wrap(mode: Mode, unit: bytes) -> bytes:
    """What goes on the line for address, function and data."""
    return with_crc_modbus(unit) if mode is Mode.RTU else to_ascii(unit)


def unwrap(mode: Mode, frame: Frame) -> bytes | None:
    """Address, function and data of a frame in this mode; None for anything else.

    Who knows that the line speaks RTU takes any octets between silences whose CRC is right, though a function or a
    length is none of the specification's: a server has to refuse these.
    """
    if frame.ok:
        if frame.protocol is not _PROTOCOLS[mode]:
            return None
        return from_ascii(frame.octets) if mode is Mode.ASCII else frame.octets[:-2]
    if mode is Mode.RTU and len(frame.octets) >= MIN_LENGTH and modbus_ok(frame.octets):
        return frame.octets[:-2]
    return None


def gap_ns(mode: Mode, settings: LineSettings) -> int:
    """The least silence before anybody talks: 3.5 characters in RTU; ASCII needs none, two are free choice."""
    return frame_gap_ns(settings) if mode is Mode.RTU else 2 * settings.char_ns


class Ear:
    """A decoder that is woken where only silence tells that a frame is over.

    `wake_ns` is when `flush` would tell something new; None while nothing is pending.
    """

    def __init__(self, mode: Mode, settings: LineSettings, resolution_ns: int = 0) -> None:
        self._decoder: BusDecoder | AsciiDecoder
        if mode is Mode.RTU:
            self._decoder = BusDecoder(settings, resolution_ns)
            self._short_ns = break_ns(settings, resolution_ns)
        else:
            self._decoder = AsciiDecoder(settings, resolution_ns)
            self._short_ns = self._decoder.end_ns
        self._last_ns = 0
        self._asked_ns = -1

    def feed(self, chunk: Chunk) -> list[Frame]:
        """The frames that are certain by now."""
        self._last_ns = max(self._last_ns, chunk.end_ns)
        self._asked_ns = -1
        return self._decoder.feed(chunk)

    @property
    def busy_until_ns(self) -> int:
        """Until when octets may still be followed by more of the same frame; 0 when none is begun."""
        return self._last_ns + self._short_ns if self._decoder.pending else 0

    @property
    def wake_ns(self) -> int | None:
        """When to call `flush`."""
        if not self._decoder.pending:
            return None
        short_ns = self._last_ns + self._short_ns
        if self._asked_ns < short_ns:
            return short_ns
        long_ns = self._last_ns + self._decoder.end_ns
        return long_ns if self._asked_ns < long_ns else None

    def flush(self, now_ns: int) -> list[Frame]:
        """The frames that the silence until now ends."""
        if not self._decoder.pending:
            return []
        self._asked_ns = now_ns
        return self._decoder.flush(now_ns)
