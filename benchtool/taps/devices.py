"""Which serial adapters are plugged in, and what each is: from sysfs on Linux, from pySerial's list elsewhere.

Nothing is opened. `root` is the root of the file system, so that tests can build one.
"""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass, field
from pathlib import Path

from benchtool.capture.printable import printable
from benchtool.taps.holders import holders, permission_problem

_PSEUDO_MAJORS = range(136, 144)
_UNKNOWN_UART = "0"


@dataclass(frozen=True, slots=True)
class Adapter:
    """One serial device as the system describes it."""

    device: str
    driver: str | None = None
    """The kernel driver's name; None where the system does not say."""
    usb: bool = False
    vendor_id: int | None = None
    product_id: int | None = None
    product: str = ""
    serial_number: str | None = None
    latency_ms: int | None = None
    """The latency timer as set now; None where there is none."""
    hold_octets: int = 0
    """Octets that the receive buffer may keep back; 0 where not known."""
    problem: str | None = None
    """Why this user cannot read it, with the mend."""
    holders: list[str] = field(default_factory=list)
    """Other processes that have it open, as far as we may see."""

    @property
    def usb_id(self) -> str | None:
        """`vid:pid` as four hex digits each."""
        if self.vendor_id is None or self.product_id is None:
            return None
        return f"{self.vendor_id:04x}:{self.product_id:04x}"


def list_adapters(root: Path = Path("/"), *, onboard: bool = False) -> list[Adapter]:
    """Serial adapters by device name; with `onboard` also ports that are not USB and have a real UART."""
    if not sys.platform.startswith("linux"):
        return _from_pyserial(onboard=onboard)
    found = []
    for name in sorted(_names(root / "sys/class/tty"), key=_natural):
        adapter = describe(str(root / "dev" / name), root)
        if adapter is not None and (adapter.usb or onboard):
            found.append(adapter)
    return found


def describe(device: str, root: Path = Path("/")) -> Adapter | None:
    """What sysfs says about a device; None where it knows no hardware behind the name (or a UART of unknown type)."""
    name = os.path.basename(os.path.realpath(device))
    tty = root / "sys/class/tty" / name
    if not (tty / "device").exists() or _line(tty / "type") == _UNKNOWN_UART:
        return None
    hardware = (tty / "device").resolve()
    driver = (hardware / "driver").resolve().name if (hardware / "driver").exists() else None
    parent = next((place for place in (hardware, *hardware.parents) if (place / "idVendor").exists()), None)
    latency = _number(root / "sys/bus/usb-serial/devices" / name / "latency_timer")
    if parent is None:
        return Adapter(
            device,
            driver,
            product="on-board port",
            hold_octets=_number(tty / "rx_trig_bytes") or 0,
            problem=permission_problem(device),
            holders=holders(device, root),
        )
    return Adapter(
        device,
        driver,
        usb=True,
        vendor_id=_number(parent / "idVendor", 16),
        product_id=_number(parent / "idProduct", 16),
        product=_line(parent / "product"),
        serial_number=_line(parent / "serial") or None,
        latency_ms=latency,
        problem=permission_problem(device),
        holders=holders(device, root),
    )


def is_pseudo_terminal(device: str) -> bool:
    """True for the device end of a pseudo-terminal, which has no line behind it."""
    try:
        return os.major(os.stat(device).st_rdev) in _PSEUDO_MAJORS
    except OSError:
        return False


def _names(folder: Path) -> list[str]:
    try:
        return os.listdir(folder)
    except OSError:
        return []


def _natural(name: str) -> tuple[str, int]:
    stem = name.rstrip("0123456789")
    return stem, int(name[len(stem) :] or 0)


def _line(path: Path) -> str:
    """The text, made printable: a USB device chooses these, so no control character may reach a terminal."""
    try:
        text = path.read_text(errors="replace").strip()
    except OSError:
        return ""
    return printable(text, "?")


def _number(path: Path, base: int = 10) -> int | None:
    # A device pulled out while we look leaves empty texts.
    try:
        return int(_line(path), base)
    except ValueError:
        return None


def _from_pyserial(*, onboard: bool) -> list[Adapter]:
    from serial.tools import list_ports

    return [
        Adapter(
            port.device,
            usb=port.vid is not None,
            vendor_id=port.vid,
            product_id=port.pid,
            product=port.product or port.description or "",
            serial_number=port.serial_number,
            problem=None if os.name == "nt" else permission_problem(port.device),
        )
        for port in sorted(list_ports.comports())
        if port.vid is not None or onboard
    ]
