"""What every tap on something real shares: the clock, the stamps, and what happens when the source goes away.

A source that is lost leaves a `Gap`; the tap then looks for it every half second from inside `read`, and goes on when
it is back. Nothing that had come before is lost.
"""

from __future__ import annotations

from abc import abstractmethod
from dataclasses import replace
from typing import Protocol

from benchtool.capture.chunk import Chunk, Direction, Gap, Item, TapInfo
from benchtool.capture.settings import LineSettings
from benchtool.taps.clock import Clock, SystemClock
from benchtool.taps.tap import Tap, TapError

_RECEIVED = Direction.RECEIVED  # looking it up in the Enum costs a third of making the chunk
_RETRY_NS = 500_000_000
_S = 1_000_000_000


class SourceLostError(Exception):
    """The source gives no more octets; the text says why."""


class Source(Protocol):
    """Something open that octets come out of."""

    def read(self, timeout_s: float) -> bytes:
        """What has come; waits at most `timeout_s` for the first octet. SourceLostError when it has gone."""

    def close(self) -> None:
        """Close it; must not raise."""


class LiveTap(Tap):
    """A tap in real time. Subclasses say how to connect and what the source is."""

    def __init__(self, address: str, settings: LineSettings | None = None, *, clock: Clock | None = None) -> None:
        self._address = address
        self._settings = settings or LineSettings()
        self._char_ns = self._settings.char_ns
        self._clock: Clock = clock or SystemClock()
        self._now = self._clock.now_ns
        self._origin_ns = 0
        self._opened = False
        self._source: Source | None = None
        self._info = TapInfo(address, self._settings)
        self._heard_ns = 0
        self._chunk_end_ns = 0
        self._retry_ns = 0
        self._lost_why = ""
        self._rest: list[Item] = []
        self.told_from_ns = 0
        """What a notice adds to our times: how long somebody had been listening when this tap was opened."""
        self.notices: list[str] = []
        """For the user, in order: what the source did not take, that it went, that it came back."""

    @abstractmethod
    def _connect(self, timeout_s: float | None) -> Source:
        """Open the source or raise TapError; `timeout_s` None for the first time, else how long it may take."""

    @abstractmethod
    def _describe(self) -> TapInfo:
        """What is true of the source just connected (the anchor is filled in elsewhere)."""

    def _arrived(self, raw: bytes, now_ns: int) -> list[Item]:
        """Items from what the source gave (b"": nothing in time)."""
        return [self._stamp(raw, b"", now_ns)] if raw else []

    def _left_over(self, now_ns: int) -> list[Item]:
        """Items still held when the source has gone or is being closed."""
        return []

    def open(self) -> None:
        """Connect, or raise TapError."""
        if self._opened:
            return
        self._source = self._connect(None)
        self._opened = True
        self._origin_ns = self._now()
        self._heard_ns = self._chunk_end_ns = 0
        self._rest = []
        self._info = replace(self._describe(), anchor_ns=self._clock.wall_ns())

    def close(self) -> None:
        """Close. What was still held, or the gap still open, comes from the next `read`."""
        if not self._opened:
            return
        self._opened = False
        now_ns = self._now() - self._origin_ns
        source, self._source = self._source, None
        if source is not None:
            self._rest = self._left_over(now_ns)
            self._release(source)
        else:
            self._rest = [Gap(self._heard_ns, now_ns, self._lost_why)]

    def _release(self, source: Source) -> None:
        """Give the source back."""
        source.close()

    @property
    def info(self) -> TapInfo:
        """What the tap says about itself."""
        return self._info

    @property
    def lost(self) -> str:
        """Why nothing can be heard just now; empty while the source is there."""
        return self._lost_why if self._opened and self._source is None else ""

    @property
    def ended(self) -> bool:
        """True once closed and read out: a live tap does not end by itself."""
        return not self._opened and not self._rest

    @property
    def now_ns(self) -> int:
        """Nanoseconds since `open` (0 before)."""
        return self._now() - self._origin_ns if self._opened else self._heard_ns

    def read(self, timeout_s: float) -> list[Item]:
        """What has come. After a loss: the Gap when the source is back, nothing until then."""
        source = self._source
        if source is None:
            return self._look_for_it(timeout_s) if self._opened else self._take_rest()
        try:
            raw = source.read(timeout_s)
        except SourceLostError as lost:
            return self._lose(source, str(lost))
        self._heard_ns = now_ns = self._now() - self._origin_ns
        return self._arrived(raw, now_ns)

    def _stamp(self, octets: bytes, marks: bytes, now_ns: int) -> Chunk:
        begin_ns, before_ns = now_ns - len(octets) * self._char_ns, self._chunk_end_ns
        self._chunk_end_ns = now_ns
        return Chunk(begin_ns if begin_ns > before_ns else before_ns, now_ns, octets, marks, _RECEIVED)

    def _take_rest(self) -> list[Item]:
        rest, self._rest = self._rest, []
        return rest

    def _lose(self, source: Source, why: str) -> list[Item]:
        items = self._left_over(self._heard_ns)
        self._source = None
        self._lost_why = f"{self._address} gone: {why}"
        self._release(source)
        self._retry_ns = self._now() - self._origin_ns + _RETRY_NS
        self.notices.append(
            f"{self._address} gone at {(self.told_from_ns + self._heard_ns) / _S:.1f} s ({why}); waiting for it"
        )
        return items

    def _look_for_it(self, timeout_s: float) -> list[Item]:
        now_ns = self._now() - self._origin_ns
        deadline_ns = now_ns + round(timeout_s * _S)
        while True:
            if now_ns >= self._retry_ns:
                try:
                    self._source = self._connect(max(0, deadline_ns - now_ns) / _S)
                except TapError as error:
                    if error.reason != "absent" and str(error) not in self.notices:
                        self.notices.append(str(error))
                    self._retry_ns = self._now() - self._origin_ns + _RETRY_NS
                else:
                    return [self._come_back()]
            if now_ns >= deadline_ns:
                return []
            self._clock.wait((min(self._retry_ns, deadline_ns) - now_ns) / _S)
            now_ns = self._now() - self._origin_ns

    def _come_back(self) -> Gap:
        now_ns = self._now() - self._origin_ns
        gap = Gap(self._heard_ns, now_ns, self._lost_why)
        self._heard_ns = self._chunk_end_ns = now_ns
        self._info = replace(self._describe(), anchor_ns=self._info.anchor_ns)
        self.notices.append(f"{self._address} back after {(gap.end_ns - gap.t_ns) / _S:.1f} s")
        return gap
