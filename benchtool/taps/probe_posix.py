"""The probe's port on POSIX, opened for us alone, with DTR raised."""

from __future__ import annotations

import contextlib
import fcntl
import os
import select
import stat
import struct
import termios

from benchtool.capture.settings import LineSettings
from benchtool.taps.live import SourceLostError
from benchtool.taps.port import PosixPort, open_line
from benchtool.taps.tap import TapError

_STUCK_S = 2.0


class PosixProbePort:
    """The open port. Made by `open_posix`."""

    def __init__(self, port: PosixPort) -> None:
        self._port = port
        # A pseudo-terminal has no such line.
        with contextlib.suppress(OSError):
            fcntl.ioctl(port.fd, termios.TIOCMBIS, struct.pack("I", termios.TIOCM_DTR))

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


def open_posix(device: str, settings: LineSettings) -> PosixProbePort:
    """Open it; TapError with a one-line mend."""
    try:
        mode = os.stat(device).st_mode
    except (OSError, ValueError):
        raise TapError(f"there is no device {device!r}; see benchtool ports", reason="absent") from None
    if not stat.S_ISCHR(mode):
        raise TapError(f"{device} is no serial device; a probe is written probe:/dev/ttyACM0", reason="unusable")
    return PosixProbePort(PosixPort(*open_line(device, settings, os.O_RDWR)))
