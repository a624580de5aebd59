"""A serial adapter on POSIX as a tap: octets with their line errors, counted errors, and honest times.

Line errors come as PARMRK sequences in the stream (parmrk.py), their kinds and the unmarked rest from the kernel's
counters (counters.py); what a driver can show is a table (drivers.py). Facts: sheet section 10.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from benchtool.capture.chunk import Item, TapInfo
from benchtool.capture.settings import LineSettings, Parity
from benchtool.taps.clock import Clock
from benchtool.taps.counters import ErrorLedger
from benchtool.taps.devices import Adapter, describe, is_pseudo_terminal, list_adapters
from benchtool.taps.drivers import PSEUDO_TERMINAL, Driver, driver_facts, resolution_ns
from benchtool.taps.live import LiveTap, Source
from benchtool.taps.parmrk import ParmrkDecoder, name_marks
from benchtool.taps.port import Opener, Port, open_port
from benchtool.taps.tap import TapError

_COUNT_EVERY_NS = 100_000_000
_HELD_TOO_LONG_NS = 100_000_000
_LOWERED_MS = 1


class AdapterTap(LiveTap):
    """Listens on a serial device. `settings` None: 9600 8N1.

    While open it lowers the adapter's latency timer to 1 ms where that is allowed (`lower_latency`), and restores it.
    A device that goes away is looked for under its name, or under another name by its USB serial number.
    """

    def __init__(
        self,
        device: str,
        settings: LineSettings | None = None,
        *,
        clock: Clock | None = None,
        opener: Opener = open_port,
        root: Path = Path("/"),
        lower_latency: bool = True,
    ) -> None:
        super().__init__(device, settings, clock=clock)
        self._wanted = self._settings
        self._opener = opener
        self._root = root
        self._lower_latency = lower_latency
        self._decoder = ParmrkDecoder(parity=self._parity)
        self._port: Port | None = None
        self._adapter: Adapter | None = None
        self._ledger: ErrorLedger | None = None
        self._count_at_ns = 0
        self._latency_ms: int | None = None
        self._latency_before: int | None = None
        self._flag_set = False

    @property
    def _parity(self) -> bool:
        return self._settings.format.parity is not Parity.NONE

    @property
    def driver(self) -> Driver:
        """What the driver in use can show; complete once open."""
        name = self._adapter.driver if self._adapter is not None else None
        if name is None and is_pseudo_terminal(self._address):
            name = PSEUDO_TERMINAL
        return driver_facts(name, counters=self._ledger is not None)

    @property
    def latency_ms(self) -> int | None:
        """The latency timer in force while open; None where there is none."""
        return self._latency_ms

    def _connect(self, timeout_s: float | None) -> Source:
        device = self._address if timeout_s is None else self._find_again()
        port = self._opener(device, self._wanted)
        # A device may refuse a format or rate; what is told, stamped and recorded is what it listens with.
        self._settings = port.settings or self._wanted
        self._char_ns = self._settings.char_ns
        if _name(device) != _name(self._address):
            self.notices.append(f"{self._address} is {device} now")
        adapter = describe(device, self._root)
        if timeout_s is None or adapter is not None:
            self._adapter = adapter
        self._port = port
        self.notices += port.notices
        self._decoder = ParmrkDecoder(parity=self._parity)
        counters = port.counters()
        self._ledger = None if counters is None else ErrorLedger(counters)
        self._count_at_ns = 0
        self._set_latency(port)
        return port

    def _describe(self) -> TapInfo:
        adapter = self._adapter
        resolution = resolution_ns(
            usb=adapter is not None and adapter.usb,
            latency_ms=self._latency_ms,
            hold_octets=adapter.hold_octets if adapter is not None else 0,
            settings=self._settings,
        )
        return TapInfo(self._address, self._settings, self.driver.line_errors, resolution)

    def _arrived(self, raw: bytes, now_ns: int) -> list[Item]:
        items: list[Item] = []
        if raw:
            octets, marks = self._decoder.feed(raw)
            if marks:
                marks = self._name(octets, marks)
            if octets:
                items.append(self._stamp(octets, marks, now_ns))
        elif self._decoder.holds and now_ns - self._chunk_end_ns > _HELD_TOO_LONG_NS:
            # A line that really marks never pauses inside a sequence this long.
            items.append(self._stamp(*self._decoder.flush(), now_ns))
        if now_ns >= self._count_at_ns:
            self._count_at_ns = now_ns + _COUNT_EVERY_NS
            self._take_counts(items, now_ns, last=False)
        return items

    def _left_over(self, now_ns: int) -> list[Item]:
        items: list[Item] = []
        if self._decoder.holds:
            items.append(self._stamp(*self._decoder.flush(), now_ns))
        self._take_counts(items, now_ns, last=True)
        return items

    def _name(self, octets: bytes, marks: bytes) -> bytes:
        if self._ledger is None:
            return marks
        self._count()
        marks = name_marks(octets, marks, self._ledger.kinds, parity=self._parity)
        self._ledger.marked(marks)
        return marks

    def _count(self) -> None:
        counters = self._port.counters() if self._port is not None else None
        if counters is not None and self._ledger is not None:
            self._ledger.count(counters)

    def _take_counts(self, items: list[Item], now_ns: int, *, last: bool) -> None:
        if self._ledger is None:
            return
        self._count()
        # Octets may be on their way that began before now: leave room to date them back without disorder.
        when_ns = max(self._chunk_end_ns, now_ns - _COUNT_EVERY_NS)
        counts = self._ledger.left_over(when_ns, last=last)
        if counts is not None:
            self._chunk_end_ns = when_ns
            items.append(counts)

    def _find_again(self) -> str:
        """The name the device has now. One of another serial number under the old name is not taken for it."""
        wanted = self._adapter
        if wanted is None or wanted.serial_number is None:
            return self._address
        for adapter in list_adapters(self._root):
            if adapter.serial_number == wanted.serial_number and adapter.usb_id == wanted.usb_id:
                return adapter.device
        raise TapError(f"{self._address} is not there", reason="absent")

    def _set_latency(self, port: Port) -> None:
        adapter = self._adapter
        self._latency_ms = adapter.latency_ms if adapter is not None else None
        self._latency_before, self._flag_set = None, False
        if not self._lower_latency or self._latency_ms is None or self._latency_ms <= _LOWERED_MS:
            return
        before = self._latency_ms
        try:
            self._latency_file().write_text(f"{_LOWERED_MS}\n")
            self._latency_before = before
            self._latency_ms = _LOWERED_MS
        except OSError:
            # The low-latency flag, which every user may set, forces 1 ms too (sheet 10.3).
            self._flag_set = port.low_latency(True)
            if self._flag_set:
                self._latency_ms = _LOWERED_MS
            else:
                self.notices.append(f"the latency timer stays at {before} ms: silences shorter than that are not seen")

    def _latency_file(self) -> Path:
        device = self._adapter.device if self._adapter is not None else self._address
        return self._root / "sys/bus/usb-serial/devices" / _name(device) / "latency_timer"

    def _release(self, source: Source) -> None:
        if self._flag_set and self._port is not None:
            self._port.low_latency(False)
        if self._latency_before is not None:
            with contextlib.suppress(OSError):
                self._latency_file().write_text(f"{self._latency_before}\n")
        self._port = None
        source.close()


def _name(device: str) -> str:
    return os.path.basename(os.path.realpath(device))
