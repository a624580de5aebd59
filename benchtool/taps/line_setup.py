"""Sets a POSIX serial line for listening: raw, any bit rate, any character format, line errors marked.

Facts: sheet 10.1 (termios flags), 10.4 (odd rates by TCSETS2/BOTHER, mark and space parity by CMSPAR, IOSSIOSPEED).
Everything is set in one go, so INPCK|PARMRK can never be left behind by a later change.
"""

from __future__ import annotations

import array
import contextlib
import fcntl
import sys
import termios
from typing import Any, NamedTuple

from benchtool.capture.settings import CharFormat, LineSettings, Parity

CMSPAR = 0o10000000000
_TCGETS2, _TCSETS2, _TCSETSW2 = 0x802C542A, 0x402C542B, 0x402C542C
_CBAUD, _BOTHER = 0o010017, 0o010000
_IOSSIOSPEED = 0x80045402
_SIZES = {5: termios.CS5, 6: termios.CS6, 7: termios.CS7, 8: termios.CS8}
_FORMAT = termios.CSIZE | termios.PARENB | termios.PARODD | termios.CSTOPB
_RATE_TOLERANCE = 0.02
_IFLAG, _OFLAG, _CFLAG, _LFLAG, _ISPEED, _OSPEED, _CC = range(7)


class LineState(NamedTuple):
    """How a line was set before; `words` is Linux's struct termios2, which knows odd rates, where there is one."""

    attributes: list[Any]
    words: array.array[int] | None


def line_state(fd: int) -> LineState:
    """How the line is set, to be put back; termios.error where the system cannot say."""
    words = None
    if sys.platform.startswith("linux"):
        words = array.array("i", [0] * 11)
        try:
            fcntl.ioctl(fd, _TCGETS2, words)
        except OSError:
            words = None
    return LineState(termios.tcgetattr(fd), words)


def put_back(fd: int, state: LineState) -> None:
    """Set the line as it was, once all is out; where it has gone meanwhile nothing is to be put back.

    Marked line errors left on would double each FF for the program that reads next.
    """
    with contextlib.suppress(OSError, termios.error):
        if state.words is not None:
            fcntl.ioctl(fd, _TCSETSW2, state.words)
        else:
            termios.tcsetattr(fd, termios.TCSADRAIN, state.attributes)


def set_line(fd: int, settings: LineSettings) -> list[str]:
    """Set the line; returns what the device did not take, in words. OSError/termios.error where it takes nothing.

    1.5 stop bits are set as 2, as POSIX knows no other; a receiver checks the first stop bit alone.
    """
    wanted = _control_flags(settings)
    attributes = termios.tcgetattr(fd)
    attributes[_IFLAG] = termios.INPCK | termios.PARMRK
    attributes[_OFLAG] = 0
    attributes[_CFLAG] = wanted
    attributes[_LFLAG] = 0
    # VMIN 1: then a read of nothing means that the device has gone, and no data is an error of its own.
    attributes[_CC][termios.VMIN] = 1
    attributes[_CC][termios.VTIME] = 0
    standard = getattr(termios, f"B{settings.baud}", None)
    attributes[_ISPEED] = attributes[_OSPEED] = termios.B38400 if standard is None else standard
    termios.tcsetattr(fd, termios.TCSANOW, attributes)
    if standard is None:
        _set_odd_rate(fd, settings.baud)
    return _not_taken(fd, wanted, settings)


def _control_flags(settings: LineSettings) -> int:
    shape = settings.format
    flags = _SIZES[shape.data_bits] | termios.CREAD | termios.CLOCAL
    if shape.stop_bits > 1:
        flags |= termios.CSTOPB
    if shape.parity is not Parity.NONE:
        flags |= termios.PARENB
    if shape.parity in (Parity.ODD, Parity.MARK):
        flags |= termios.PARODD
    if shape.parity in (Parity.MARK, Parity.SPACE):
        if not sys.platform.startswith("linux"):
            raise OSError(0, "mark and space parity cannot be set on this system")
        flags |= CMSPAR
    return flags


def _set_odd_rate(fd: int, baud: int) -> None:
    if sys.platform == "darwin":
        fcntl.ioctl(fd, _IOSSIOSPEED, array.array("i", [baud]), True)
        return
    words = array.array("i", [0] * 11)
    fcntl.ioctl(fd, _TCGETS2, words)
    words[2] = (words[2] & ~_CBAUD) | _BOTHER
    words[9] = words[10] = baud
    fcntl.ioctl(fd, _TCSETS2, words)


def _not_taken(fd: int, wanted: int, settings: LineSettings) -> list[str]:
    got = termios.tcgetattr(fd)
    notices = []
    if (got[_CFLAG] ^ wanted) & _FORMAT:
        notices.append(f"the device did not take the format {settings.format}")
    if got[_IFLAG] & (termios.INPCK | termios.PARMRK) != termios.INPCK | termios.PARMRK:
        notices.append("the device did not take the marking of line errors")
    rate = actual_rate(fd)
    if rate is not None and abs(rate - settings.baud) > settings.baud * _RATE_TOLERANCE:
        notices.append(f"the device set {rate} bit/s, not {settings.baud}")
    return notices


def settings_in_force(fd: int, wanted: LineSettings) -> LineSettings:
    """What the device is set to after `set_line(fd, wanted)`; what it took, and what cannot be asked, as `wanted`."""
    flags = termios.tcgetattr(fd)[_CFLAG]
    shape = wanted.format
    if (flags ^ _control_flags(wanted)) & _FORMAT:
        data_bits = next(bits for bits, flag in _SIZES.items() if flags & termios.CSIZE == flag)
        parity = Parity.NONE
        if flags & termios.PARENB:
            stuck = bool(flags & CMSPAR) and sys.platform.startswith("linux")
            odd, even = (Parity.MARK, Parity.SPACE) if stuck else (Parity.ODD, Parity.EVEN)
            parity = odd if flags & termios.PARODD else even
        shape = CharFormat(data_bits, parity, 2.0 if flags & termios.CSTOPB else 1.0)
    rate = actual_rate(fd) or wanted.baud
    return LineSettings(wanted.baud if abs(rate - wanted.baud) <= wanted.baud * _RATE_TOLERANCE else rate, shape)


def actual_rate(fd: int) -> int | None:
    """The bit rate as the driver set it; None where the system cannot say."""
    if not sys.platform.startswith("linux"):
        return None
    words = array.array("i", [0] * 11)
    try:
        fcntl.ioctl(fd, _TCGETS2, words)
    except OSError:
        return None
    return words[9]
