"""The USB serial port of the card-line probe, open to read what it saw and to ask it.

Asking transmits nothing on the card lines; that is another type (probe_emit.py). MicroPython gives nothing to a
computer that has not raised DTR, and takes 1200 bit/s as a wish to be programmed (both from memory).
"""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any, Protocol

from benchtool.capture.settings import LineSettings
from benchtool.taps.clock import Clock, SystemClock
from benchtool.taps.live import SourceLostError

SETTINGS = LineSettings(115200)
"""USB has no bit rate; this one is harmless."""


class ProbePort(Protocol):
    """What is asked of the open port."""

    def read(self, timeout_s: float) -> bytes:
        """What has come, after at most `timeout_s`; SourceLostError when the probe has gone."""

    def write(self, octets: bytes) -> None:
        """Send; SourceLostError when the probe has gone or takes nothing."""

    def close(self) -> None:
        """Give the port back; may be called twice."""


Opener = Callable[[str], ProbePort]


class SerialProbePort:
    """The port through pySerial: COM ports of Windows (NOT TESTED there), ports of other machines by URL."""

    def __init__(self, port: Any, clock: Clock) -> None:
        from benchtool.taps.network import SerialSource

        self._serial = port
        self._source = SerialSource(port, clock)

    def read(self, timeout_s: float) -> bytes:
        """What has come."""
        return self._source.read(timeout_s)

    def write(self, octets: bytes) -> None:
        """Send all of it."""
        try:
            self._serial.write(octets)
        except OSError as error:  # SerialException is one
            raise SourceLostError(" ".join(str(error).split())) from error

    def close(self) -> None:
        """Give the port back."""
        self._source.close()


def open_probe_port(device: str) -> ProbePort:
    """Open the probe's port for us alone; TapError with a one-line mend."""
    if "://" not in device and os.name == "posix":
        from benchtool.taps.probe_posix import open_posix

        return open_posix(device, SETTINGS)
    from benchtool.taps.network import cannot_open, open_serial

    try:
        port = open_serial(device, SETTINGS)
        port.dtr = True
    except Exception as error:
        raise cannot_open(device, error) from error
    return SerialProbePort(port, SystemClock())
