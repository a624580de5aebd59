"""A line to talk on through pySerial: ports of other machines by URL, and COM ports of Windows (NOT TESTED there).

A port on the network sets its own line and delays what goes through it: 200 ms for a reply may be too few.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from benchtool.capture.chunk import LineErrors, TapInfo
from benchtool.capture.settings import LineSettings
from benchtool.taps.clock import Clock
from benchtool.taps.live import SourceLostError
from benchtool.taps.network import NETWORK_RESOLUTION_NS, SerialSource, cannot_open, open_serial
from benchtool.taps.talker_line import Switching
from benchtool.taps.tap import TapError
from benchtool.taps.windows import RESOLUTION_NS


class SerialTalkPort:
    """An open pySerial port to talk on."""

    def __init__(self, address: str, settings: LineSettings, port: Any, switching: Switching, clock: Clock) -> None:
        self.notices: list[str] = []
        resolution_ns = NETWORK_RESOLUTION_NS if "://" in address else RESOLUTION_NS
        self.info = TapInfo(address, settings, LineErrors.UNAVAILABLE, resolution_ns)
        self._serial = port
        self._source = SerialSource(port, clock)
        self._by_rts = switching is Switching.RTS
        self._clock = clock

    def read(self, timeout_s: float) -> tuple[bytes, bytes]:
        """Octets; their marks are never known."""
        return self._source.read(timeout_s), b""

    def send(self, octets: bytes) -> None:
        """Write; by RTS, wait until all is out."""
        try:
            if self._by_rts:
                self._serial.rts = True
            began_ns = self._clock.now_ns()
            self._serial.write(octets)
            if self._by_rts:
                self._serial.flush()
                left_ns = began_ns + len(octets) * self.info.settings.char_ns - self._clock.now_ns()
                if left_ns > 0:
                    self._clock.wait(left_ns / 1e9)
        except OSError as error:  # SerialException is one
            raise SourceLostError(" ".join(str(error).split())) from error
        finally:
            if self._by_rts:
                self._serial.rts = False

    def set_baud(self, baud: int) -> None:
        """Another bit rate."""
        try:
            self._serial.baudrate = baud
        except (OSError, ValueError) as error:
            raise TapError(f"{self.info.name} does not take {baud} bit/s: {error}", reason="unusable") from error
        self.info = replace(self.info, settings=replace(self.info.settings, baud=baud))

    def close(self) -> None:
        """Close the port."""
        self._source.close()


def open_serial_talk_port(address: str, settings: LineSettings, switching: Switching, clock: Clock) -> SerialTalkPort:
    """Open a URL or COM port; TapError with a one-line mend."""
    if switching is Switching.KERNEL:
        raise TapError(
            f"{address} has no RS-485 mode of this computer's kernel; leave --direction out", reason="unusable"
        )
    try:
        port = open_serial(address, settings)
    except Exception as error:
        raise cannot_open(address, error) from error
    return SerialTalkPort(address, settings, port, switching, clock)
