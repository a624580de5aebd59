"""What flows from every tap: chunks of octets, gaps, and counted line errors.

Tuples rather than dataclasses: they are made once a read on the hottest path, are as immutable, and cheaper to make.
Times are integer nanoseconds on the capture's own clock, which starts at 0 at
the wall-clock anchor in `TapInfo`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum, IntEnum, IntFlag
from typing import NamedTuple

from benchtool.capture.settings import LineSettings


class Mark(IntFlag):
    """A line error on one octet."""

    NONE = 0
    FRAMING = 1
    """The stop bit was read as 0."""
    PARITY = 2
    """The parity bit did not fit."""
    BREAK = 4
    """The line stayed at 0 for a whole character or longer."""
    OVERRUN = 8
    """Octets before this one were lost in the receiver."""


class Direction(IntEnum):
    """Which way octets went, seen from the tap. A listening tap knows nothing else than RECEIVED."""

    UNKNOWN = 0
    RECEIVED = 1
    SENT = 2


class Chunk(NamedTuple):
    """Octets that arrived together.

    `t_ns` is when the first octet's start bit began, `end_ns` when the last octet was complete; where the tap only
    knows the end (an adapter), it sets `t_ns` by counting characters back, never before the chunk before.
    `marks` is either empty (no line error, or none that could be seen) or one `Mark` value per octet.
    """

    t_ns: int
    end_ns: int
    octets: bytes
    marks: bytes = b""
    direction: Direction = Direction.UNKNOWN


class Gap(NamedTuple):
    """A time in which the tap could not hear: an adapter pulled out, a recorder stopped."""

    t_ns: int
    end_ns: int
    why: str


class LineCounts(NamedTuple):
    """Line errors that an adapter counted since the last such item, without saying on which octet."""

    t_ns: int
    framing: int = 0
    parity: int = 0
    breaks: int = 0
    overrun: int = 0


Item = Chunk | Gap | LineCounts
"""What a tap delivers and a capture file holds, in order of time."""


class LineErrors(Enum):
    """What a tap can say about line errors. `UNAVAILABLE` means that zero errors prove nothing."""

    MARKED = "marked"
    """Each damaged octet is marked."""
    COUNTED = "counted"
    """Errors are counted, but not tied to octets."""
    UNAVAILABLE = "unavailable"
    """The tap is blind to line errors."""


@dataclass(frozen=True, slots=True)
class TapInfo:
    """What a tap says about itself; kept in every capture made from it."""

    name: str
    """The address it was opened by: a device, a URL, `sim:…`, a file."""
    settings: LineSettings = field(default_factory=LineSettings)
    line_errors: LineErrors = LineErrors.UNAVAILABLE
    resolution_ns: int = 0
    """Silences shorter than this cannot be told from none (16 ms on many adapters, 0 where times are exact)."""
    anchor_ns: int = 0
    """Wall clock (nanoseconds since 1970 UTC) at time 0 of the capture; 0 when unknown."""
