"""What was found on a pair, by listening or by a survey: the side of a comparison that the record is held against.

None, or nothing in a collection, is "not found out", which no comparison takes for right.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

from benchtool.capture.settings import CharFormat

LEAST_ANSWERS = 2
"""So many sound answers show that a device is there; a single one may be a chance or somebody else's."""
LEAST_REQUESTS = 3
"""An address asked less often than this is not called silent."""


class Way(Enum):
    """How it was found; the value is what `--json` prints."""

    LISTENED = "listened"
    SURVEYED = "surveyed"


class KeyUse(Enum):
    """Which key a device's secure channel uses; the values are those of the record's field `key`."""

    NONE = "none"
    """It talks in the clear."""
    DEFAULT = "default"
    OWN = "own"


@dataclass(frozen=True, slots=True)
class Identity:
    """What an OSDP device says of itself (PDID, sheet 5.5)."""

    oui: str
    """Maker: six hexadecimal digits."""
    model: int
    version: int
    serial: int

    def __str__(self) -> str:
        return f"maker {self.oui}, model {self.model}, serial {self.serial}"


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundDevice:
    """One address, at one bit rate."""

    address: int
    baud: int | None = None
    requests: int = 0
    answered: int = 0
    failed: int = 0
    """Requests met by silence or by damage."""
    damaged: int = 0
    """Requests after which damaged octets came; of a survey also where a sound answer came with them."""
    unasked: int = 0
    """Sound replies whose request was not heard."""
    identities: tuple[Identity, ...] = ()
    """More than one: more than one device."""
    capabilities: tuple[tuple[int, int, int], ...] | None = None
    """PDCAP records: function, compliance, number."""
    with_crc: int = 0
    """Sound replies."""
    with_checksum: int = 0
    asked_with_crc: int = 0
    """Sound requests."""
    asked_with_checksum: int = 0
    key: KeyUse | None = None
    takes_default: bool | None = None
    """Whether the default key opens it."""
    unsafe: tuple[str, ...] = ()
    """What was noticed about its keys and secrets, in words."""
    doubled: int = 0
    """How often two sound replies came to one request."""
    moved_to: int | None = None
    """The address that it was told to take while it was heard."""

    @property
    def there(self) -> bool:
        """Whether a device answers here."""
        return self.answered + self.unasked >= LEAST_ANSWERS or bool(self.identities)

    @property
    def garbled(self) -> bool:
        """Whether mostly damaged octets come from here: two devices that talk at once, or a bad line."""
        return self.damaged >= LEAST_REQUESTS and 2 * self.damaged >= self.requests

    @property
    def silent(self) -> bool:
        """Whether it was asked often enough, and nobody answered."""
        return not self.there and self.requests >= LEAST_REQUESTS and not self.answered


@dataclass(frozen=True, slots=True, kw_only=True)
class AsFound:
    """All that was found."""

    tap: str
    way: Way
    protocol: str | None = None
    """The one most frames are of, by the record's names."""
    frames: Mapping[str, int] = field(default_factory=dict)
    """Sound frames by protocol."""
    baud: int | None = None
    """The bus's rate, where sound frames, or damage undone, prove it."""
    set_to: int | None = None
    """What the receiver was set to."""
    format: CharFormat | None = None
    """The bus's character format, as far as `parity_seen` and `stops_seen` say; None where it was not found out."""
    parity_seen: bool = False
    """Whether a wrong parity or number of data bits would have shown."""
    stops_seen: bool = False
    """Whether the stop bits were measured."""
    seconds: float = 0.0
    """How long was listened."""
    octets: int = 0
    devices: tuple[FoundDevice, ...] = ()
    asked: Mapping[int, frozenset[int]] | None = None
    """By bit rate, the addresses that a survey asked to the end; None where that is not known, or for listening."""
    complete: bool = True
    two_controllers: tuple[str, ...] = ()
    """Why a diagnosis of what was heard takes it for two controllers' talk; empty where it does not."""

    @property
    def sound(self) -> int:
        """Sound frames, or answers of a survey."""
        return sum(self.frames.values())

    def at(self, address: int) -> tuple[FoundDevice, ...]:
        """What was found at an address, those that answer first."""
        return tuple(sorted((one for one in self.devices if one.address == address), key=lambda one: not one.there))
