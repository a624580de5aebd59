"""A POSIX serial device opened to talk on: writing, and switching the driver of an RS-485 pair.

Facts: sheet section 10 (`serial_rs485`, TIOCGRS485 and TIOCSRS485; RTS switched by software may be late by tens of ms).
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import select
import struct
import sys
import termios
from dataclasses import replace

from benchtool.capture.chunk import LineErrors, TapInfo
from benchtool.capture.settings import LineSettings, Parity
from benchtool.taps.clock import Clock
from benchtool.taps.devices import describe
from benchtool.taps.drivers import resolution_ns
from benchtool.taps.line_setup import set_line
from benchtool.taps.live import SourceLostError
from benchtool.taps.parmrk import ParmrkDecoder
from benchtool.taps.port import PosixPort, open_line
from benchtool.taps.talker_line import Switching
from benchtool.taps.tap import TapError

_TIOCGRS485, _TIOCSRS485 = 0x542E, 0x542F
_RS485_SIZE = 32
_ENABLED, _RTS_ON_SEND, _RX_DURING_TX = 1, 2, 0x10
_STUCK_S = 2.0
_SHORT_S = 0.02


class PosixTalkPort:
    """An open POSIX device to talk on. Made by `open_talk_port`."""

    def __init__(
        self, device: str, settings: LineSettings, port: PosixPort, switching: Switching, clock: Clock
    ) -> None:
        self.notices = port.notices
        self._port = port
        self._clock = clock
        self._switching = switching
        self._parmrk = ParmrkDecoder(parity=settings.format.parity is not Parity.NONE)
        self._before: bytes | None = None
        # An adapter that gathers octets for 16 ms makes each reply look that much later (sheet 10.3).
        self._flag_set = self._port.low_latency(True)
        self.info = TapInfo(device, settings, LineErrors.UNAVAILABLE, self._resolution_ns(device, settings))
        if switching is Switching.KERNEL:
            self._before = _kernel_mode(port.fd, device)
        elif switching is Switching.RTS:
            _need_rts(port.fd, device)

    def _resolution_ns(self, device: str, settings: LineSettings) -> int:
        """How fine the times of what is heard are, as for listening; the low-latency flag forces 1 ms (sheet 10.3)."""
        adapter = describe(device)
        latency_ms = adapter.latency_ms if adapter is not None else None
        return resolution_ns(
            usb=adapter is not None and adapter.usb,
            latency_ms=1 if latency_ms and self._flag_set else latency_ms,
            hold_octets=adapter.hold_octets if adapter is not None else 0,
            settings=settings,
        )

    def read(self, timeout_s: float) -> tuple[bytes, bytes]:
        """Octets and marks."""
        if 0 < timeout_s < _SHORT_S:
            # poll(), which listening uses, waits whole milliseconds; two characters at 115200 are a sixth of one.
            with contextlib.suppress(ValueError, OSError):
                select.select([self._port.fd], [], [], timeout_s)
            timeout_s = 0
        return self._parmrk.feed(self._port.read(timeout_s))

    def send(self, octets: bytes) -> None:
        """Switch the driver on where that is for us to do, write, wait until all is out, switch it off."""
        fd = self._port.fd
        # A pseudo-terminal has no transmitter to wait for; an adapter's may say that it is done while octets are
        # still in its own buffer, so the time that they take is waited for, too.
        by_rts = self._switching is Switching.RTS
        try:
            if by_rts:
                _set_rts(fd, True)
            began_ns = self._clock.now_ns()
            self._write(fd, octets)
            if by_rts:
                termios.tcdrain(fd)
                left_ns = began_ns + len(octets) * self.info.settings.char_ns - self._clock.now_ns()
                if left_ns > 0:
                    self._clock.wait(left_ns / 1e9)
        except (OSError, termios.error) as error:
            raise SourceLostError(str(error.args[-1] if error.args else error)) from error
        finally:
            if by_rts:
                with contextlib.suppress(OSError):
                    _set_rts(fd, False)

    def _write(self, fd: int, octets: bytes) -> None:
        while octets:
            try:
                octets = octets[os.write(fd, octets) :]
            except BlockingIOError:
                if not select.select([], [fd], [], _STUCK_S)[1]:
                    raise OSError(0, "the line takes no octets (flow control?)") from None

    def set_baud(self, baud: int) -> None:
        """Another bit rate; what came at the old one is kept."""
        settings = replace(self.info.settings, baud=baud)
        try:
            self.notices += set_line(self._port.fd, settings)
        except (OSError, termios.error) as error:
            raise TapError(f"{self.info.name} does not take {baud} bit/s: {error}", reason="unusable") from error
        resolution = self._resolution_ns(self.info.name, settings)
        self.info = replace(self.info, settings=settings, resolution_ns=resolution)

    def close(self) -> None:
        """Put the kernel's mode and the line back as they were, and close."""
        if self._before is not None and self._port.fd >= 0:
            with contextlib.suppress(OSError):
                fcntl.ioctl(self._port.fd, _TIOCSRS485, self._before)
        if self._flag_set and self._port.fd >= 0:
            self._port.low_latency(False)
        self._port.close()


def open_talk_port(device: str, settings: LineSettings, switching: Switching, clock: Clock) -> PosixTalkPort:
    """Open a device for listening and talking, for us alone; TapError says in one line what is in the way."""
    port = PosixPort(*open_line(device, settings, os.O_RDWR))
    try:
        return PosixTalkPort(device, settings, port, switching, clock)
    except BaseException:
        port.close()
        raise


def _kernel_mode(fd: int, device: str) -> bytes:
    """Switch the kernel's RS-485 mode on; how it was before."""
    refused = TapError(
        f"{device} has no RS-485 mode in the kernel; leave --direction out if the adapter switches by itself, "
        "or use --direction rts",
        reason="unusable",
    )
    if not sys.platform.startswith("linux"):
        raise refused
    try:
        before = fcntl.ioctl(fd, _TIOCGRS485, bytes(_RS485_SIZE))
        flags = _ENABLED | _RTS_ON_SEND | _RX_DURING_TX
        wanted = struct.pack("III", flags, 0, 0) + bytes(_RS485_SIZE - 12)
        fcntl.ioctl(fd, _TIOCSRS485, wanted)
        got = fcntl.ioctl(fd, _TIOCGRS485, bytes(_RS485_SIZE))
    except OSError as error:
        raise refused from error
    if not struct.unpack_from("I", got)[0] & _ENABLED:
        raise refused
    return before


def _need_rts(fd: int, device: str) -> None:
    try:
        _set_rts(fd, False)
    except OSError as error:
        raise TapError(
            f"{device} has no RTS to switch ({error.strerror}); leave --direction out", reason="unusable"
        ) from error


def _set_rts(fd: int, on: bool) -> None:
    request = termios.TIOCMBIS if on else termios.TIOCMBIC
    fcntl.ioctl(fd, request, struct.pack("I", termios.TIOCM_RTS))
