"""What a talker asks of an open line, who switches its driver, and which line an address names.

This is another type than every tap (design rule 4): it is opened only where the user asked to transmit.
"""

from __future__ import annotations

import os
import stat
from enum import Enum
from typing import Protocol

from benchtool.capture.chunk import TapInfo
from benchtool.capture.settings import LineSettings
from benchtool.taps.clock import Clock
from benchtool.taps.tap import TapError


class Switching(Enum):
    """Who switches the line driver on to send and off again; the value is the word of `--direction`."""

    ADAPTER = "adapter"
    """The adapter itself, as most do."""
    KERNEL = "kernel"
    """The kernel's RS-485 mode, by RTS, on time."""
    RTS = "rts"
    """We, by RTS: as late as the computer is."""


class TalkPort(Protocol):
    """What a talker asks of an open line."""

    @property
    def notices(self) -> list[str]:
        """What the line did not take, in words."""

    @property
    def info(self) -> TapInfo:
        """What the line says about itself."""

    def read(self, timeout_s: float) -> tuple[bytes, bytes]:
        """Octets that have come and their marks, after at most `timeout_s`; SourceLostError when it has gone."""

    def send(self, octets: bytes) -> None:
        """Send; returns when the last octet is out, or is about to be. SourceLostError when the line has gone."""

    def set_baud(self, baud: int) -> None:
        """Another bit rate from now on; TapError where it does not take it."""

    def close(self) -> None:
        """Give the line back; may be called twice."""


def open_talk(address: str, settings: LineSettings, switching: Switching, clock: Clock) -> TalkPort:
    """Open the line that an address names to listen and talk on it; TapError with a one-line mend."""
    word = address.strip()
    if word.startswith("sim:"):
        raise TapError(f"{word} is a simulated bus; a real line is wanted here", reason="bad-address")
    if "://" in word or os.name == "nt":
        from benchtool.taps.talker_serial import open_serial_talk_port

        return open_serial_talk_port(word, settings, switching, clock)
    try:
        mode = os.stat(word).st_mode
    except (OSError, ValueError):
        raise TapError(f"there is no device {word!r}; see benchtool ports", reason="absent") from None
    if not stat.S_ISCHR(mode):
        raise TapError(f"{word} is no serial device: one cannot talk on it", reason="unusable")
    from benchtool.taps.talker_port import open_talk_port

    return open_talk_port(word, settings, switching, clock)
