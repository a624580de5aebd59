"""The USB serial port of the card-line probe, open to read what it saw and to ask it.

Asking transmits nothing on the card lines; that is another type (probe_emit.py). MicroPython gives nothing to a computer
that has not raised DTR, and takes 1200 bit/s as a wish to be programmed (both from memory).
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import select
import stat
import struct
import termios
from collections.abc import Callable
from typing import Protocol

from benchtool.capture.settings import LineSettings
from benchtool.taps.live import SourceLostError
from benchtool.taps.port import PosixPort, open_line
from benchtool.taps.tap import TapError

SETTINGS = LineSettings(115200)
"""USB has no bit rate; this one is harmless."""
_STUCK_S = 2.0


class ProbePort(Protocol):
    """What is asked of the open port."""

    def read(self, timeout_s: float) -> bytes:
        """What has come, after at most `timeout_s`; SourceLostError when the probe has gone."""

    def write(self, octets: bytes) -> None:
        """Send; SourceLostError when the probe has gone or takes nothing."""

    def close(self) -> None:
        """Give the port back; may be called twice."""


Opener = Callable[[str], ProbePort]


class PosixProbePort:
    """The port on POSIX. Made by `open_probe_port`."""

    def __init__(self, fd: int) -> None:
        self._port = PosixPort(fd, [])
        # A pseudo-terminal has no such line.
        with contextlib.suppress(OSError):
            fcntl.ioctl(fd, termios.TIOCMBIS, struct.pack("I", termios.TIOCM_DTR))

    def read(self, timeout_s: float) -> bytes:
        """What has come."""
        return self._port.read(timeout_s)

    def write(self, octets: bytes) -> None:
        """Send all of it."""
        try:
            while octets:
                try:
                    octets = octets[os.write(self._port.fd, octets) :]
                except BlockingIOError:
                    if not select.select([], [self._port.fd], [], _STUCK_S)[1]:
                        raise SourceLostError("it takes no octets") from None
        except OSError as error:
            raise SourceLostError(error.strerror or str(error)) from error

    def close(self) -> None:
        """Give the port back."""
        self._port.close()


def open_probe_port(device: str) -> ProbePort:
    """Open the probe's port for us alone; TapError with a one-line mend."""
    try:
        mode = os.stat(device).st_mode
    except (OSError, ValueError):
        raise TapError(f"there is no device {device!r}; benchtool ports lists what is plugged in", reason="absent") from None
    if not stat.S_ISCHR(mode):
        raise TapError(f"{device} is no serial device; a probe is written probe:/dev/ttyACM0", reason="unusable")
    return PosixProbePort(open_line(device, SETTINGS, os.O_RDWR)[0])
