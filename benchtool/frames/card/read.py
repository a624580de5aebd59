"""One read of a card, wherever it came from: typed bits, an OSDP reply, a converter, edges, a simulated reader."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

from benchtool.frames.card.bits import Bits


class Source(Enum):
    """Where a read came from; the value is what `--json` prints."""

    TYPED = "typed"
    OSDP = "osdp"
    """An OSDP RAW reply: bits, no pulses."""
    CONVERTER = "converter"
    """A line printed by a converter: bits, hex or decimal."""
    EDGES = "edges"
    """An edge list or logic capture: pulses with times."""
    ANALOG = "analog"
    """A scope's record of both lines: pulses with times and levels."""
    PROBE = "probe"
    SIMULATED = "simulated"


class Pulse(NamedTuple):
    """One line went low and came back."""

    line: int
    """0 for D0, 1 for D1: the bit that it stands for."""
    start_ns: int
    """When it went low."""
    width_ns: int
    """How long it was low."""


@dataclass(frozen=True, slots=True)
class CardRead:
    """What one presentation of a card (or one key burst) brought."""

    bits: Bits
    source: Source
    where: str = ""
    """A file and line, an address, a port, in words."""
    t_ns: int | None = None
    """When the first bit began; None where no time is known."""
    pulses: tuple[Pulse, ...] | None = None
    """One for each bit, in order; None where only the bits are known."""
    resolution_ns: int | None = None
    """How finely pulses were timed; None without pulses."""
    built: bool = False
    """Whether the frame was made from a printed number: then its parity was never received and says nothing."""
