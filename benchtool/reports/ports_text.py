"""The list of serial adapters, in words and as JSON values."""

from __future__ import annotations

import sys

from benchtool.taps.devices import Adapter
from benchtool.taps.drivers import Driver, driver_facts

_LABEL_WIDTH = 13
_NONE_FOUND = """\
No {what} found.
  Is it plugged in, and does its lamp light? Try another cable and socket: some cables carry power alone.
  Does the system see it? {system}
  In a virtual machine, pass the USB device through to it first.
  {more}
  Without any hardware: benchtool listen sim:demo"""

_SYSTEMS = {
    "linux": "After plugging in, `sudo dmesg | tail` names the driver, or says that there is none.",
    "darwin": "After plugging in, `ls /dev/cu.*` shows one name more.",
    "win32": "After plugging in, the device manager shows it under the ports (COM and LPT).",
}


def ports_text(adapters: list[Adapter], *, onboard: bool) -> str:
    """A few lines an adapter, with what matters before listening; hints where there is none."""
    if not adapters:
        what = "serial port" if onboard else "USB serial adapter"
        more = (
            "Another computer's port is heard by its URL: socket://host:port or rfc2217://host:port."
            if onboard
            else "On-board ports are listed by: benchtool ports --all"
        )
        return _NONE_FOUND.format(what=what, more=more, system=_SYSTEMS.get(sys.platform, _SYSTEMS["linux"]))
    return "\n\n".join(_one(adapter) for adapter in adapters)


def ports_json(adapters: list[Adapter]) -> dict[str, list[dict[str, object]]]:
    """`{"ports": […]}`; the keys are described in docs/adapters.md."""
    return {"ports": [_values(adapter) for adapter in adapters]}


def _one(adapter: Adapter) -> str:
    identity = ", ".join(
        part
        for part in (adapter.usb_id, f"serial number {adapter.serial_number}" if adapter.serial_number else None)
        if part
    )
    title = f"{adapter.device}   {adapter.product or 'no product text'}{f'  ({identity})' if identity else ''}"
    facts = _facts(adapter)
    rows = [("driver", adapter.driver or "not known"), ("line errors", facts.words)]
    if adapter.latency_ms is not None:
        rows.append(("latency", _latency(adapter.latency_ms)))
    rows.append(("permission", adapter.problem or "you may listen"))
    if adapter.holders:
        rows.append(("in use", f"by {', '.join(adapter.holders)}; close that program first"))
    return "\n".join([title, *(f"  {label:<{_LABEL_WIDTH}}{words}" for label, words in rows)])


def _latency(milliseconds: int) -> str:
    if milliseconds <= 1:
        return f"{milliseconds} ms"
    return f"{milliseconds} ms; lowered to 1 ms while benchtool listens, where that is allowed"


def _facts(adapter: Adapter) -> Driver:
    # Whether a driver outside the table has counters shows only when it is opened.
    return driver_facts(adapter.driver, counters=adapter.driver is not None and not adapter.usb)


def _values(adapter: Adapter) -> dict[str, object]:
    facts = _facts(adapter)
    return {
        "device": adapter.device,
        "product": adapter.product,
        "usb_id": adapter.usb_id,
        "serial_number": adapter.serial_number,
        "driver": adapter.driver,
        "line_errors": facts.line_errors.value,
        "line_errors_words": facts.words,
        "latency_ms": adapter.latency_ms,
        "permitted": adapter.problem is None,
        "mend": adapter.problem,
        "in_use_by": adapter.holders,
    }
