"""Stand-ins for what taps touch: a clock that nobody waits for, a device by script, and a sysfs tree."""

from __future__ import annotations

import os
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from benchtool.capture.chunk import Chunk, Item
from benchtool.capture.settings import LineSettings
from benchtool.taps.counters import Counters
from benchtool.taps.tap import Tap

MS = 1_000_000
S = 1_000_000_000


class FakeClock:
    """Time passes only by `wait`."""

    def __init__(self) -> None:
        self.time_ns = 5 * S
        self.waited: list[float] = []

    def now_ns(self) -> int:
        return self.time_ns

    def wall_ns(self) -> int:
        return 1_700_000_000 * S

    def wait(self, seconds: float) -> None:
        self.waited.append(seconds)
        self.time_ns += round(seconds * S)


Step = bytes | Exception | Callable[[], bytes]


@dataclass
class FakePort:
    """An open device: each read takes one step of the script and one millisecond, or the whole time-out."""

    clock: FakeClock
    script: list[Step] = field(default_factory=list)
    counts: Counters | None = None
    flag_works: bool = True
    notices: list[str] = field(default_factory=list)
    settings: LineSettings | None = None
    flags: list[bool] = field(default_factory=list)
    closed: bool = False

    def read(self, timeout_s: float) -> bytes:
        if not self.script:
            self.clock.wait(timeout_s)
            return b""
        self.clock.time_ns += MS
        step = self.script.pop(0)
        if isinstance(step, Exception):
            raise step
        return step if isinstance(step, bytes) else step()

    def close(self) -> None:
        self.closed = True

    def counters(self) -> Counters | None:
        return self.counts

    def low_latency(self, wanted: bool) -> bool:
        self.flags.append(wanted)
        return self.flag_works


def usb_adapter(
    root: Path,
    name: str = "ttyUSB0",
    *,
    driver: str = "ftdi_sio",
    serial: str | None = "B0001",
    latency: int | None = 16,
    product: str = "Bench adapter",
) -> Path:
    """Build what Linux shows for one USB adapter, links and all; returns the device's path."""
    usb = root / f"sys/devices/usb1/1-{name}"
    hardware = usb / f"1-{name}:1.0" / name
    (hardware / "tty" / name).mkdir(parents=True)
    (usb / "idVendor").write_text("1209\n")
    (usb / "idProduct").write_text("0a01\n")
    (usb / "product").write_text(f"{product}\n")
    if serial is not None:
        (usb / "serial").write_text(f"{serial}\n")
    _finish(root, name, hardware, driver)
    if latency is not None:
        (hardware / "latency_timer").write_text(f"{latency}\n")
        (root / "sys/bus/usb-serial/devices").mkdir(parents=True, exist_ok=True)
        (root / "sys/bus/usb-serial/devices" / name).symlink_to(hardware)
    return root / "dev" / name


def onboard_port(root: Path, name: str = "ttyS0", *, uart: int = 4, driver: str = "serial8250") -> Path:
    """Build what Linux shows for an on-board port; `uart` 0 is one that is not there."""
    hardware = root / f"sys/devices/platform/{name}"
    (hardware / "tty" / name).mkdir(parents=True)
    (hardware / "tty" / name / "type").write_text(f"{uart}\n")
    (hardware / "tty" / name / "rx_trig_bytes").write_text("8\n")
    _finish(root, name, hardware, driver)
    return root / "dev" / name


def unplug(root: Path, name: str) -> None:
    """Take the device away again."""
    (root / "sys/class/tty" / name).unlink()
    (root / "dev" / name).unlink()


def _finish(root: Path, name: str, hardware: Path, driver: str) -> None:
    (root / "sys/bus/drivers" / driver).mkdir(parents=True, exist_ok=True)
    (hardware / "driver").symlink_to(root / "sys/bus/drivers" / driver)
    (hardware / "tty" / name / "device").symlink_to(hardware)
    (root / "sys/class/tty").mkdir(parents=True, exist_ok=True)
    (root / "sys/class/tty" / name).symlink_to(hardware / "tty" / name)
    (root / "dev").mkdir(exist_ok=True)
    (root / "dev" / name).write_text("")


@contextmanager
def pseudo_terminal() -> Iterator[tuple[int, str]]:
    """The near end and the name of a raw pseudo-terminal."""
    near, far = os.openpty()
    tty.setraw(far)
    name = os.ttyname(far)
    os.close(far)
    # The far end is closed until the tap opens it; the near end reads EIO meanwhile, which nothing here does.
    try:
        yield near, name
    finally:
        try:
            os.close(near)
        except OSError:
            assert near >= 0


def collect(tap: Tap, enough: Callable[[list[Item]], bool], tries: int = 2000) -> list[Item]:
    """Read until `enough`, without trusting the machine to be quick."""
    items: list[Item] = []
    for _ in range(tries):
        if enough(items):
            return items
        items += tap.read(0.02)
        if tap.ended:
            return items
    raise TimeoutError(f"only {items!r} came")


def octets_of(items: list[Item]) -> bytes:
    """All octets, in the order they came."""
    return b"".join(item.octets for item in items if isinstance(item, Chunk))


def octets_reach(size: int) -> Callable[[list[Item]], bool]:
    """True once `size` octets came."""
    return lambda items: len(octets_of(items)) >= size
