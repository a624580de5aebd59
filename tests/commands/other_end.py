"""The other end of a pseudo-terminal, for tests of commands that transmit: our stations, run by a thread."""

from __future__ import annotations

import os
import pty
import select
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager

from benchtool.capture.chunk import TapInfo
from benchtool.capture.settings import LineSettings
from benchtool.simulate.station import Station
from benchtool.taps.clock import SystemClock
from benchtool.taps.talker import Talker

FAST = LineSettings(115200)


class Terminal:
    """The master end, as a line to talk on; with `echo` the command hears itself."""

    def __init__(self, fd: int, *, echo: bool = False) -> None:
        self.fd = fd
        self.echo = echo
        self.notices: list[str] = []
        self.info = TapInfo("other end", FAST)

    def read(self, timeout_s: float) -> tuple[bytes, bytes]:
        if not select.select([self.fd], [], [], timeout_s)[0]:
            return b"", b""
        octets = os.read(self.fd, 4096)
        if self.echo:
            os.write(self.fd, octets)
        return octets, b""

    def send(self, octets: bytes) -> None:
        os.write(self.fd, octets)

    def set_baud(self, baud: int) -> None:
        pass

    def close(self) -> None:
        pass


class Silent(Station):
    """Hears and says nothing."""

    name = "silent"

    def hear(self, chunk: object) -> None:
        pass

    def wake_ns(self) -> int | None:
        return None

    def act(self, now_ns: int) -> bytes | None:
        return None


@contextmanager
def other_end(station: Station, *, echo: bool = False) -> Iterator[str]:
    """A device name on which `station` is the other end."""
    ours, theirs = pty.openpty()
    tty.setraw(ours)
    tty.setraw(theirs)
    stop = threading.Event()
    talker = Talker(station, Terminal(ours, echo=echo), SystemClock())

    def run() -> None:
        while not stop.is_set():
            talker.turn(0.01)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        yield os.ttyname(theirs)
    finally:
        stop.set()
        thread.join(10)
        os.close(ours)
        os.close(theirs)
