"""What a symptom is, and what its value is taken from. `symptoms` lists them all."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import NamedTuple

from benchtool.capture.chunk import LineErrors
from benchtool.capture.settings import LineSettings
from benchtool.diagnose.evidence import Evidence
from benchtool.diagnose.proofs import Proofs
from benchtool.frames.frame import Protocol
from benchtool.measure.bit_errors import BitErrors
from benchtool.measure.conduct import AddressConduct
from benchtool.measure.tally import AddressFigures

FEW = 4
"""A share of fewer than this says too little."""
TINY = 1e-6
USUAL_FRAMES = 640
"""What grows with listening alone is taken as of so many frames at most. The tables were fitted to captures of mostly
fewer; a longer one of the same bus shows nothing new in that, and must not lead out of what they know."""
_COMPARED = 0.02
"""Share of damaged spans whose bits must be known."""
SHARES = (TINY, 0.01, 0.05, 0.15, 0.4, 0.7, 0.95)
"""Edges for a share that is mostly small but may be anything."""
RARE = (TINY, 0.003, 0.01, 0.03, 0.1, 0.3, 0.7)
"""Edges for a share that is 0 on a sound bus."""
PARTS = (0.02, 0.15, 0.35, 0.65, 0.85, 0.98)
"""Edges for how something divides."""

Told = tuple[str, dict[str, float | int | str]]
"""A sentence and its numbers."""
BROADCASTS = {Protocol.OSDP: 127, Protocol.MODBUS_RTU: 0, Protocol.MODBUS_ASCII: 0, Protocol.TABLE: None}


class Measured(NamedTuple):
    """A symptom's value, and what it was taken from."""

    value: float
    part: float = 0
    whole: float = 0
    address: int | None = None
    """Of the device it is about, for what is taken at the worst address."""


class View:
    """Everything a symptom is taken from, with what several of them need."""

    def __init__(self, evidence: Evidence, proofs: Proofs, settings: LineSettings, address: int | None = None) -> None:
        self.evidence, self.proofs, self.settings = evidence, proofs, settings
        self.address = address
        """Where a device is asked for: symptoms of the worst address are taken there."""
        self.figures = figures = evidence.figures
        self.marked = figures.line_errors is LineErrors.MARKED
        self.counted = figures.line_errors is not LineErrors.UNAVAILABLE
        self.strays = evidence.strays
        self.spans = max(0, figures.damaged - evidence.strays)
        """Damaged spans without strays."""
        self.bits = evidence.bits if evidence.bits.copies >= _COMPARED * self.spans else BitErrors()
        """Which bits are wrong; nothing where next to no damage could be compared with what was sent: a few spans of
        very many are no sample, and would begin to speak in a long capture."""
        self.frames = figures.sound + self.spans
        self.asked = [a for a in figures.addresses if a.requests >= FEW and a.address != BROADCASTS[a.protocol]]
        self.requests = sum(a.requests for a in self.asked)
        self.answered = sum(a.answered for a in self.asked)
        conduct = {(c.protocol, c.address): c for c in evidence.conduct.addresses}
        self.conducts = [c for a in self.asked if (c := conduct.get((a.protocol, a.address))) is not None]
        listened_ns = max(1, figures.elapsed_ns - figures.deaf_ns)
        self.silence_s = listened_ns * (1 - min(0.99, figures.bus_load)) / 1e9

    def finer_than(self, characters: float) -> bool:
        """Whether the tap's times are finer than so many character times."""
        return self.figures.resolution_ns <= characters * self.settings.char_ns

    def worst(self, rows: Iterable[Measured]) -> Measured | None:
        """The greatest value, or that of the address asked for."""
        rows = list(rows)
        chosen = [row for row in rows if row.address == self.address]
        return max(chosen or rows, key=lambda row: row.value, default=None)

    def tallied(self, count: Callable[[AddressFigures], int]) -> list[Measured]:
        """A count of each address as a share of its requests."""
        return [Measured(count(a) / a.requests, count(a), a.requests, a.address) for a in self.asked]

    def conducted(
        self, count: Callable[[AddressConduct], int], protocol: Protocol | None = None, scale: float = 1
    ) -> list[Measured]:
        """The same of the conduct."""
        return [
            Measured(scale * count(c) / c.requests, count(c), c.requests, c.address)
            for c in self.conducts
            if c.requests >= FEW and protocol in (None, c.protocol)
        ]


def part_of(part: float, whole: float, least: float = FEW) -> Measured | None:
    """A share; None where the whole is below `least`, or 0."""
    return Measured(part / whole, part, whole) if whole > 0 and whole >= least else None


def plain(value: float | None) -> Measured | None:
    """A value by itself."""
    return None if value is None else Measured(value)


@dataclass(frozen=True, slots=True)
class Symptom:
    """Something measured on octets."""

    name: str
    about: str
    """What it is a measure of."""
    edges: tuple[float, ...]
    """Where its bins end, rising; at most 8 bins. A value on an edge belongs to the bin above."""
    measure: Callable[[View], Measured | None]
    """None where it cannot be seen here."""
    words: str
    """The sentence: `{part}`, `{whole}`, `{value}`, `{percent}`, `{at}` (the address) are filled in."""

    def tell(self, view: View) -> Told | None:
        """The sentence with its numbers; None where there is nothing to say."""
        found = self.measure(view)
        if found is None or ("{part}" in self.words and not found.whole):
            return None
        at = "" if found.address is None else f"address {found.address}"
        text = self.words.format(
            part=_number(found.part),
            whole=_number(found.whole),
            value=f"{found.value:.2g}" if found.value < 100 else f"{found.value:.0f}",
            percent=f"{100 * found.value:.3g} %",
            at=at,
        )
        numbers: dict[str, float | int | str] = {"value": round(found.value, 5)}
        if found.whole:
            numbers |= {"count": _plain_number(found.part), "of": _plain_number(found.whole)}
        if found.address is not None:
            numbers["address"] = found.address
        return text, numbers


def _plain_number(value: float) -> float | int:
    return int(value) if value == int(value) else round(value, 3)


def _number(value: float) -> str:
    return f"{value:.0f}" if value == int(value) else f"{value:.3g}"
