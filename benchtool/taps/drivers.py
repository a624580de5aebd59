"""What each serial driver can say about line errors, and how coarse its times are.

Facts: sheet 10.2 (READ, kernel sources), 10.3 (latency timer), 10.6. Rows not in the sheet say so in `source`.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchtool.capture.chunk import LineErrors
from benchtool.capture.settings import LineSettings

_MS = 1_000_000
PSEUDO_TERMINAL = "pseudo-terminal"
"""The name we give to the driver behind a pseudo-terminal; the kernel names none."""


@dataclass(frozen=True, slots=True)
class Driver:
    """One row: a kernel driver and what a listener must know about it."""

    line_errors: LineErrors
    words: str
    """For people: what can be seen, in one line."""
    source: str
    """Where the row comes from."""


_READ = "sheet 10.2, kernel source"
_ONBOARD = Driver(
    LineErrors.COUNTED,
    "counted; damaged octets are marked where the driver gives them",
    "not in the sheet: the counters are asked when the port is opened",
)

DRIVERS: dict[str, Driver] = {
    "ftdi_sio": Driver(LineErrors.MARKED, "marked, but one mark covers a whole USB packet, not one octet", _READ),
    "cp210x": Driver(LineErrors.MARKED, "marked: each damaged octet", _READ),
    "pl2303": Driver(LineErrors.MARKED, "marked, but one mark covers a whole USB packet, maybe the next one", _READ),
    "ch341": Driver(
        LineErrors.UNAVAILABLE, "cannot be seen: the driver reports none, so 0 errors prove nothing", _READ
    ),
    "cdc_acm": Driver(
        LineErrors.UNAVAILABLE, "cannot be seen: octets always arrive as good, so 0 errors prove nothing", _READ
    ),
    PSEUDO_TERMINAL: Driver(LineErrors.UNAVAILABLE, "cannot be seen: a pseudo-terminal has no line", "sheet 10.6"),
    "serial8250": _ONBOARD,
    "serial": _ONBOARD,
    "port": _ONBOARD,
    "uart-pl011": _ONBOARD,
}
"""Kernel driver name: what it can do."""
_ALIASES = {"ch341-uart": "ch341", "cdc-acm": "cdc_acm"}

_COUNTING = Driver(
    LineErrors.COUNTED, "counted, as far as this driver counts (it is not in our table)", "TIOCGICOUNT answered"
)
_BLIND = Driver(
    LineErrors.UNAVAILABLE, "not known to be seen (the driver is not in our table), so 0 errors prove nothing", "none"
)


def driver_facts(name: str | None, *, counters: bool) -> Driver:
    """The row for a driver; one that is not in the table counts errors if `counters` (TIOCGICOUNT answered)."""
    row = DRIVERS.get(_ALIASES.get(name or "", name or ""))
    if row is None:
        return _COUNTING if counters else _BLIND
    if row.line_errors is LineErrors.COUNTED and not counters:
        return _BLIND
    return row


def resolution_ns(*, usb: bool, latency_ms: int | None, hold_octets: int, settings: LineSettings) -> int:
    """Silences shorter than this cannot be told from none at this adapter.

    The latency timer where there is one, a USB frame of 1 ms where there is USB, the time a receive buffer of
    `hold_octets` may keep octets (0: none known), and 1 ms for the host to wake (sheet 10.3: ±1 ms plus USB frame).
    """
    held = round(hold_octets * settings.char_ns)
    return (latency_ms or 0) * _MS + (_MS if usb else 0) + held + _MS
