"""The contract of every listening tap. It has no way to transmit: that is another type (design rule 4)."""

from __future__ import annotations

from abc import ABC, abstractmethod
from types import TracebackType
from typing import Self

from benchtool.capture.chunk import Item, TapInfo


class TapError(Exception):
    """A tap cannot be opened or read; the text is one line with the mend."""

    def __init__(self, message: str, *, reason: str) -> None:
        super().__init__(message)
        self.reason = reason
        """One word for scripts: `absent`, `busy`, `forbidden`, `unusable`, `foreign`, `bad-address`."""


class Tap(ABC):
    """A place where a bus is listened to. The constructor does no I/O; `with tap:` opens and closes."""

    @abstractmethod
    def open(self) -> None:
        """Open, or raise TapError with one clear line."""

    @abstractmethod
    def close(self) -> None:
        """Close; may be called twice."""

    @property
    @abstractmethod
    def info(self) -> TapInfo:
        """What the tap says about itself; complete once open."""

    @abstractmethod
    def read(self, timeout_s: float) -> list[Item]:
        """Items that have come, in order; waits at most `timeout_s` for the first (0: do not wait).

        A tap in virtual time (file, simulated bus) does not wait: it returns the next items, at most a few
        hundred at once, and an empty list only when `ended`.
        """

    @property
    @abstractmethod
    def ended(self) -> bool:
        """True when nothing more will come (end of file, end of the simulated time)."""

    @property
    @abstractmethod
    def now_ns(self) -> int:
        """The present on the tap's clock: real for an adapter, the time reached for a file or simulated bus."""

    def __enter__(self) -> Self:
        self.open()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
