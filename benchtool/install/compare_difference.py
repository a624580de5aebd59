"""What a comparison of record and wire says: differences, with their evidence and the edits that they propose."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from benchtool.install.compare_found import AsFound, FoundDevice
from benchtool.install.places import Path
from benchtool.install.record import Device
from benchtool.install.rule import Severity
from benchtool.install.view import Trunk, View


@dataclass(frozen=True, slots=True)
class Proposal:
    """One field of the record, as it would be right by what was found; or a whole entry for the end of a list."""

    path: Path
    value: Any
    """A `Device`: an entry, and `path` is that of its list."""
    was: Any
    """None: not noted."""
    doubt: str = ""
    """Why it may be wrong; such an edit is written only where a person says yes to it."""

    @property
    def place(self) -> Path:
        """What it changes: no two edits of one place can be written."""
        return (*self.path, self.value.id) if isinstance(self.value, Device) else self.path


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that is not as recorded."""

    id: str
    severity: Severity
    sentence: str
    devices: tuple[str, ...] = ()
    """Ids of the record's devices that it is about."""
    addresses: tuple[int, ...] = ()
    evidence: tuple[str, ...] = ()
    mend: str = ""
    edits: tuple[Proposal, ...] = ()
    numbers: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Pairing:
    """A device of the record, and where it was found."""

    path: Path
    device: Device
    found: FoundDevice | None
    """What answers as this device: at its address, or at another where its serial was heard."""
    by_serial: bool = False
    """Whether its serial says so."""


@dataclass(frozen=True)
class Sides:
    """Record and wire beside each other."""

    view: View
    trunk: Trunk
    found: AsFound

    @property
    def recorded(self) -> tuple[tuple[Path, Device], ...]:
        """The devices that ought to answer."""
        return self.trunk.answerers

    def name(self, device: Device) -> str:
        """A device as people call it, with its door and its id: `Slipway reader at Slipway gate (rd-5)`."""
        return self._named(device, device.id)

    def with_address(self, device: Device) -> str:
        """The same with its address, where it is noted: `Slipway reader at Slipway gate (rd-5, address 5)`."""
        return self._named(device, device.id if device.address is None else f"{device.id}, address {device.address}")

    def _named(self, device: Device, within: str) -> str:
        door = self.view.find(device.door, "door")
        words = [word for word in (device.name, None if door is None else door.name) if word]
        if not words:
            return f"{device.kind} {within}"
        return f"{' at '.join(dict.fromkeys(words))} ({within})"

    def neighbour(self, device: Device) -> str:
        """From where the cable to it comes, in words; empty where that is not recorded."""
        segment = next((one for one in self.trunk.segments if one.device.id == device.id), None)
        return "" if segment is None else self.view.called(segment.start)


def times(count: int) -> str:
    """`once`, `2 times`."""
    return "once" if count == 1 else f"{count} times"


def listed(words: list[str], most: int = 6) -> str:
    """The first of many, and how many more."""
    return ", ".join(words[:most]) + (f" and {len(words) - most} more" if len(words) > most else "")
