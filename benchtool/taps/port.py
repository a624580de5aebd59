"""An open serial device on POSIX, for reading only: the system calls under `AdapterTap`, and their errors in words.

It is opened O_RDONLY: the kernel itself refuses a write. RTS and DTR, which the kernel raises on opening, are lowered
at once: on RS-485 adapters with software direction a raised RTS may switch the driver on (common practice).
"""

from __future__ import annotations

import array
import contextlib
import errno
import fcntl
import os
import select
import struct
import sys
import termios
from collections.abc import Callable
from typing import Protocol

from benchtool.capture.settings import LineSettings
from benchtool.taps.counters import ICOUNT_SIZE, Counters
from benchtool.taps.holders import holders, lock_owner, permission_problem, process_words
from benchtool.taps.line_setup import LineState, line_state, put_back, set_line, settings_in_force
from benchtool.taps.live import Source, SourceLostError
from benchtool.taps.tap import TapError

_TIOCGICOUNT = 0x545D
_ASYNC_LOW_LATENCY = 0x2000
_FLAGS_WORD = 4
_READ_SIZE = 4096
"""As much as a Linux line holds; a larger buffer costs its allocation at every read."""


class Port(Source, Protocol):
    """What an adapter tap asks of an open device beside reading and closing."""

    @property
    def notices(self) -> list[str]:
        """What the device did not take, in words."""

    @property
    def settings(self) -> LineSettings | None:
        """What the device is set to, which need not be what it was told; None where nobody asked it."""

    def counters(self) -> Counters | None:
        """The error counters as they stand; None where there are none."""

    def low_latency(self, wanted: bool) -> bool:
        """Ask the driver not to hold octets back; True if the setting was changed by this call."""


Opener = Callable[[str, LineSettings], Port]


class PosixPort:
    """The open device. Made by `open_port`. On closing the line is set as it was `before`."""

    def __init__(
        self,
        fd: int,
        notices: list[str],
        before: LineState | None = None,
        settings: LineSettings | None = None,
    ) -> None:
        self.fd = fd
        self.settings = settings
        self._before = before
        self.notices = notices
        self._wait = _waiter(fd)

    def read(self, timeout_s: float) -> bytes:
        """What has come, after at most `timeout_s`; SourceLostError when the device has gone."""
        try:
            if not self._wait(timeout_s * 1000.0):
                return b""
            data = os.read(self.fd, _READ_SIZE)
        except BlockingIOError:
            return b""
        except OSError as error:
            raise SourceLostError(error.strerror or str(error)) from error
        if not data:
            raise SourceLostError("the device hung up")
        return data

    def close(self) -> None:
        """Give the device back; may be called twice."""
        fd, self.fd = self.fd, -1
        if fd < 0:
            return
        if self._before is not None:
            put_back(fd, self._before)
        # Not undone by closing while another process still has it open.
        with contextlib.suppress(OSError):
            fcntl.ioctl(fd, termios.TIOCNXCL)
        with contextlib.suppress(OSError):
            os.close(fd)

    def counters(self) -> Counters | None:
        """The error counters as they stand; None where the driver has none."""
        if not sys.platform.startswith("linux"):
            return None
        try:
            return Counters.from_bytes(fcntl.ioctl(self.fd, _TIOCGICOUNT, bytes(ICOUNT_SIZE)))
        except OSError:
            return None

    def low_latency(self, wanted: bool) -> bool:
        """Set or clear ASYNC_LOW_LATENCY; True if that changed it."""
        if not sys.platform.startswith("linux"):
            return False
        words = array.array("i", [0] * 32)
        try:
            fcntl.ioctl(self.fd, termios.TIOCGSERIAL, words)
            if bool(words[_FLAGS_WORD] & _ASYNC_LOW_LATENCY) == wanted:
                return False
            words[_FLAGS_WORD] ^= _ASYNC_LOW_LATENCY
            fcntl.ioctl(self.fd, termios.TIOCSSERIAL, words)
        except OSError:
            return False
        return True


def open_port(device: str, settings: LineSettings) -> PosixPort:
    """Open a device for listening, for us alone; TapError says in one line what is in the way."""
    fd, notices, before = open_line(device, settings, os.O_RDONLY)
    return PosixPort(fd, notices, before, settings_in_force(fd, settings))


def open_line(device: str, settings: LineSettings, access: int) -> tuple[int, list[str], LineState]:
    """Open and set a device with `access` (os.O_RDONLY to listen).

    Its descriptor, what it did not take, in words, and how it was set before.

    TapError says in one line what is in the way.
    """
    owner = lock_owner(device)
    if owner is not None and owner != str(os.getpid()):
        raise TapError(f"{device} is locked by {process_words(owner)}; close that program first", reason="busy")
    try:
        fd = os.open(device, access | os.O_NOCTTY | os.O_NONBLOCK)
    except OSError as error:
        raise _refused(device, error) from error
    before = None
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        fcntl.ioctl(fd, termios.TIOCEXCL)
        _lower_control_lines(fd)
        before = line_state(fd)
        notices = set_line(fd, settings)
        termios.tcflush(fd, termios.TCIFLUSH)
    except (OSError, termios.error) as error:
        if before is not None:
            put_back(fd, before)
        os.close(fd)
        raise _refused(device, error) from error
    others = holders(device)
    if others:
        notices.append(f"{device} is also open in {', '.join(others)}, which takes octets away; close that program")
    return fd, notices, before


def _lower_control_lines(fd: int) -> None:
    lines = struct.pack("I", termios.TIOCM_RTS | termios.TIOCM_DTR)
    # A device without these lines says so; nothing is to be lowered there.
    with contextlib.suppress(OSError):
        fcntl.ioctl(fd, termios.TIOCMBIC, lines)


def _waiter(fd: int) -> Callable[[float], object]:
    if sys.platform == "darwin":  # poll() does not know devices there
        return lambda milliseconds: select.select([fd], [], [], milliseconds / 1000.0)[0]
    poller = select.poll()
    poller.register(fd, select.POLLIN)
    return poller.poll


def _refused(device: str, error: Exception) -> TapError:
    number = error.args[0] if error.args else 0
    words = error.args[1] if len(error.args) > 1 else str(error)
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO):
        return TapError(f"there is no device {device}; see benchtool ports", reason="absent")
    if number in (errno.EACCES, errno.EPERM):
        words = permission_problem(device) or f"you may not read {device}: {words}"
        return TapError(words, reason="forbidden")
    if number in (errno.EBUSY, errno.EWOULDBLOCK):
        others = ", ".join(holders(device)) or "another program"
        return TapError(f"{device} is in use by {others}; close that program first", reason="busy")
    if number in (errno.ENOTTY, errno.EIO):
        return TapError(f"{device} is not a working serial line ({words}); see benchtool ports", reason="unusable")
    return TapError(f"{device} cannot be set for listening: {words}", reason="unusable")
