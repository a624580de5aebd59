"""A COM port of Windows as a tap: pySerial for the octets, ClearCommError for the line errors.

Facts: sheet 10.4 and 10.5: the flags are cumulative, without a number, tied to no octet, and pySerial's own calls clear
some of them unseen. So each flag counts as one error at least. NOT TESTED on Windows: only `counts_from` is.
"""

from __future__ import annotations

import sys

from benchtool.capture.chunk import Item, LineCounts, LineErrors, TapInfo
from benchtool.taps.live import Source
from benchtool.taps.network import UrlTap

_OVERRUN = 0x0001 | 0x0002
_PARITY = 0x0004
_FRAMING = 0x0008
_BREAK = 0x0010
RESOLUTION_NS = 17_000_000
"""16 ms of latency timer, which we do not read there, and 1 ms (sheet 10.3)."""


def counts_from(flags: int, t_ns: int) -> LineCounts | None:
    """What the flags of ClearCommError say: one error at least of each kind, or None."""
    counts = LineCounts(
        t_ns,
        int(bool(flags & _FRAMING)),
        int(bool(flags & _PARITY)),
        int(bool(flags & _BREAK)),
        int(bool(flags & _OVERRUN)),
    )
    return counts if any(counts[1:]) else None


class ComTap(UrlTap):
    """Listens on `COM5`."""

    def _connect(self, timeout_s: float | None) -> Source:
        return _FlaggedSource(super()._connect(timeout_s), self)

    def _describe(self) -> TapInfo:
        return TapInfo(self._address, self._settings, LineErrors.COUNTED, RESOLUTION_NS)

    def _arrived(self, raw: bytes, now_ns: int) -> list[Item]:
        items = super()._arrived(raw, now_ns)
        source = self._source
        counts = counts_from(source.take_flags(), now_ns) if isinstance(source, _FlaggedSource) else None
        if counts is not None:
            items.append(counts)
        return items


class _FlaggedSource:
    def __init__(self, inner: Source, tap: ComTap) -> None:
        self._inner = inner
        self._tap = tap
        self._flags = 0

    def read(self, timeout_s: float) -> bytes:
        self._flags |= _clear_comm_error(self._tap.serial)
        return self._inner.read(timeout_s)

    def take_flags(self) -> int:
        flags, self._flags = self._flags | _clear_comm_error(self._tap.serial), 0
        return flags

    def close(self) -> None:
        self._inner.close()


def _clear_comm_error(port: object) -> int:
    """The error flags since the call before; 0 where there is no Windows."""
    if sys.platform == "win32":
        import ctypes

        flags = ctypes.c_ulong(0)
        ctypes.windll.kernel32.ClearCommError(ctypes.c_void_p(port._port_handle), ctypes.byref(flags), None)  # type: ignore[attr-defined]
        return flags.value
    return 0
