"""Where card data comes from: one contract for files, converters, OSDP captures, the probe and the simulated reader.

A source answers pieces of what the lines did (`LineRecord`) where it sees pulses, finished `CardRead`s where it sees
only bits. It never transmits. What address is what is found out by looking; nothing is opened yet.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from types import TracebackType
from typing import Self

from benchtool.capture.card_lines import LineRecord
from benchtool.frames.card.read import CardRead, Source

CardItem = LineRecord | CardRead
"""What a source answers."""


@dataclass(frozen=True, slots=True)
class CardSourceInfo:
    """What a source says about itself."""

    where: str
    """The address as a person would say it: a file, a port, a simulated reader."""
    source: Source
    sees_pulses: bool
    """False: only bits come, so that width, spacing and glitches cannot be judged."""
    resolution_ns: int | None = None
    """How finely edges are timed; None without pulses."""
    notes: tuple[str, ...] = ()
    """What was assumed (columns, units, levels), in words."""
    turned: bool = False
    """Whether both lines rest low in it, and were turned over to read them."""


class CardSource(ABC):
    """A place where card data comes from. The constructor does no I/O; `with source:` opens and closes.

    Errors are `TapError` (taps/tap.py): one line with the mend, and a reason.
    """

    @abstractmethod
    def open(self) -> None:
        """Open, or raise TapError."""

    @abstractmethod
    def close(self) -> None:
        """Close; may be called twice."""

    @property
    @abstractmethod
    def info(self) -> CardSourceInfo:
        """What the source says about itself; complete once open."""

    @abstractmethod
    def read(self, timeout_s: float) -> list[CardItem]:
        """What has come, in order; a live source waits at most `timeout_s` for the first (0: does not wait).

        Pieces of one line follow each other: where the next piece begins at the end of the last, nothing was lost
        between them; where it begins later, the lines were not seen meanwhile. A live source answers a piece without
        edges now and then, so that the end of a frame is known. A source in virtual time (file, simulation) does not
        wait, and answers an empty list only when `ended`. TapError where the source breaks off.
        """

    @property
    @abstractmethod
    def ended(self) -> bool:
        """True when nothing more will come."""

    @property
    @abstractmethod
    def now_ns(self) -> int:
        """The present on the source's clock; in virtual time the end of what was answered."""

    @property
    def problems(self) -> list[str]:
        """What was wrong and was left out, with counts, in words; grows while reading."""
        return []

    def __enter__(self) -> Self:
        self.open()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
