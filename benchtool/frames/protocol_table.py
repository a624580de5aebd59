"""A protocol table: what was learned of an unknown bus, enough to find its frames and to count damaged ones.

Made by `benchtool explore`, kept as TOML (protocol_file.py, docs/explore.md), used by `TableDecoder`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from benchtool.capture.settings import LineSettings
from benchtool.frames.check_value import CheckValue
from benchtool.frames.frame import Frame, Reason, Role

MOST_LENGTH = 4096
"""Octets of the longest frame that a table may allow."""


@dataclass(frozen=True, slots=True)
class Place:
    """A field of the frame: `size` octets (1 or 2) from octet `at`, of which `mask` counts."""

    at: int
    size: int = 1
    little: bool = False
    mask: int = 0xFF

    def __post_init__(self) -> None:
        if self.at < 0 or self.size not in (1, 2) or not 0 < self.mask < 1 << 8 * self.size:
            raise ValueError("a field stands at octet 0 or later, has 1 or 2 octets, and a mask that fits")

    def read(self, octets: bytes) -> int | None:
        """The field's value; None where the frame is too short."""
        field = octets[self.at : self.at + self.size]
        if len(field) < self.size:
            return None
        return int.from_bytes(field, "little" if self.little else "big") & self.mask


@dataclass(frozen=True, slots=True)
class LengthRule:
    """The frame's octets, all together: the field's value plus `add`."""

    place: Place
    add: int


@dataclass(frozen=True, slots=True)
class RoleRule:
    """Who speaks, told by a field: requests have one of some values, replies one of others."""

    place: Place
    request: frozenset[int]
    reply: frozenset[int]

    def __post_init__(self) -> None:
        both = self.request & self.reply
        if both:
            raise ValueError(f"who speaks: {min(both)} cannot stand in requests and in replies alike")


@dataclass(frozen=True, slots=True)
class ProtocolTable:
    """What is known of a bus. What is not known is None or empty."""

    name: str = "unnamed"
    settings: LineSettings | None = None
    """What the receiver was set to when it was learned."""
    starts: tuple[bytes, ...] = ()
    """Octets that frames begin with, one of these."""
    ends: tuple[bytes, ...] = ()
    """Octets that frames end with, one of these."""
    least: int = 1
    """Octets of the shortest frame."""
    most: int = MOST_LENGTH
    """Octets of the longest."""
    lengths: tuple[int, ...] = ()
    """The only lengths there are, where no field tells the length; shortest first."""
    length: LengthRule | None = None
    silence_ns: int = 0
    """Frames are parted by silences at least this long; 0: not known."""
    check: CheckValue | None = None
    address: Place | None = None
    reply_address: Place | None = None
    """Where it stands in replies, if elsewhere."""
    counter: Place | None = None
    role: RoleRule | None = None
    reply_within_ns: int | None = None
    """Where no field tells who speaks: a frame after a shorter silence than this is a reply, any other a request."""
    period_ns: int | None = None
    """From one request to the next, the middle value."""
    notes: tuple[str, ...] = ()
    """For people."""

    def __post_init__(self) -> None:
        if not 1 <= self.least <= self.most <= MOST_LENGTH:
            raise ValueError(f"lengths are 1 to {MOST_LENGTH} octets, the least not above the most")
        if self.role is not None and self.reply_within_ns is not None:
            raise ValueError("who speaks is told by a field or by silences, not by both")
        if self.reply_within_ns is not None and self.reply_within_ns < 1:
            raise ValueError("a silence before replies is longer than 0")
        if not (self.check or self.length or self.lengths or self.starts or self.ends or self.silence_ns):
            raise ValueError("nothing in it tells where a frame begins or ends")
        self._check_lengths()

    def _check_lengths(self) -> None:
        """ValueError where no frame could have all that the table wants."""
        least, most = self.least, self.most
        range_text = f"{least} octets" if least == most else f"{least} to {most} octets"
        ends = min(map(len, self.ends), default=0)
        if max(map(len, self.starts), default=0) + ends > most or max(map(len, self.ends), default=0) > most:
            raise ValueError(f"start and end octets do not fit into the longest frame, {most} octets")
        if self.check is not None and self.check.least > most:
            raise ValueError(f"the check value wants {self.check.least} octets or more, the longest frame has {most}")
        for length in self.lengths:
            if not least <= length <= most:
                raise ValueError(f"a length of {length} is not among {range_text}, the least and the most")
        if self.length is not None:
            low, high = self.length.add, self.length.place.mask + self.length.add
            if high < least or low > most:
                raise ValueError(f"the length field gives {low} to {high} octets, but frames have {range_text}")
        fields = {
            "length": self.length.place if self.length is not None else None,
            "address": self.address,
            "reply_address": self.reply_address,
            "counter": self.counter,
            "role": self.role.place if self.role is not None else None,
        }
        for name, place in fields.items():
            if place is not None and place.at + place.size > most:
                raise ValueError(f"[{name}] at {place.at} lies behind the end of the longest frame, {most} octets")

    def frame_length(self, octets: bytes) -> int | None:
        """What the length field says; None without one, or where it is not there yet."""
        rule = self.length
        if rule is None:
            return None
        value = rule.place.read(octets)
        return None if value is None else value + rule.add

    def role_of(self, octets: bytes) -> Role:
        """Who sent a sound frame, where that can be told."""
        rule = self.role
        if rule is None:
            return Role.UNKNOWN
        value = rule.place.read(octets)
        if value in rule.request:
            return Role.REQUEST
        return Role.REPLY if value in rule.reply else Role.UNKNOWN

    def starts_like_one(self, octets: bytes) -> bool:
        """Whether octets begin as frames do (as far as they go)."""
        return not self.starts or any(octets[: len(start)] == start[: len(octets)] for start in self.starts)

    def sound(self, octets: bytes) -> bool:
        """Whether this is a whole frame and everything in it is right."""
        if not self.least <= len(octets) <= self.most:
            return False
        if self.starts and not octets.startswith(self.starts):
            return False
        if self.ends and not octets.endswith(self.ends):
            return False
        if self.length is not None and self.frame_length(octets) != len(octets):
            return False
        if self.length is None and self.lengths and len(octets) not in self.lengths:
            return False
        return self.check is None or self.check.ok(octets)

    @property
    def frame_type(self) -> type[TableFrame]:
        """The type of this table's frames: `address` and the explanation follow the table."""
        return _frame_type(self)


class TableFrame(Frame):
    """A frame read by a table; the table is the type's."""

    __slots__ = ()
    table = ProtocolTable(silence_ns=1)

    @property
    def proved(self) -> bool:
        """Whether a check value says that it is sound: never where the table has none."""
        return self.reason is Reason.OK and self.table.check is not None

    @property
    def address(self) -> int | None:
        """The device address, where the table knows its place; None else, and for unknown spans."""
        place = self.table.address
        if self.role is Role.REPLY and self.table.reply_address is not None:
            place = self.table.reply_address
        if place is None or self.reason is Reason.NOT_RECOGNISED:
            return None
        return place.read(self.octets)


@lru_cache(maxsize=16)
def _frame_type(table: ProtocolTable) -> type[TableFrame]:
    return type("TableFrame", (TableFrame,), {"__slots__": (), "table": table})
