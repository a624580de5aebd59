"""What every simulated device that only speaks when asked has in common: hear a request, wait, send one answer."""

from __future__ import annotations

from abc import abstractmethod
from collections import deque

import numpy as np

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.frame import Frame
from benchtool.simulate.outage import Outages
from benchtool.simulate.station import Station

_SPREAD = 0.1
"""A device takes up to this share longer than its usual time; a free choice of this simulation."""
_KEPT_REQUESTS = 2
"""A slow device works on one request and keeps one more; what comes then is lost."""


class Answering(Station):
    """A device at `address` that answers about `reply_ns` after it was asked, one request after the other.

    With `answers` False it hears everything and never says a word. `outages` are when it restarts, if it does.
    """

    def __init__(
        self,
        name: str,
        address: int,
        settings: LineSettings,
        *,
        reply_ns: int,
        rng: np.random.Generator,
        answers: bool,
        outages: Outages | None = None,
    ) -> None:
        self.name = name
        self.address = address
        self._reply_ns = reply_ns
        self._rng = rng
        self._answers = answers
        self._outages = outages
        self._settings = settings
        self._decoder = BusDecoder(settings)
        self._due: deque[tuple[int, bytes]] = deque()

    @abstractmethod
    def is_for_me(self, frame: Frame) -> bool:
        """Whether a sound frame is a request that this device takes."""

    @abstractmethod
    def answer(self, frame: Frame) -> bytes | None:
        """Do what a request asks; the octets to answer with, or None where it is only obeyed."""

    @abstractmethod
    def restart(self) -> None:
        """Forget everything, as after the supply came back."""

    def hear(self, chunk: Chunk) -> None:
        """Take octets; a sound request to this device is answered after the turnaround."""
        if self._is_out(chunk.end_ns):
            return
        for frame in self._decoder.feed(chunk):
            # If it ended before this chunk, others have talked since, and nobody waits for an answer.
            if frame.end_ns >= chunk.t_ns:
                self.take(frame)

    def take(self, frame: Frame) -> None:
        """Take a frame that has just ended; a sound request to this device is answered after the turnaround."""
        if frame.ok and self._answers and self.is_for_me(frame):
            octets = self.answer(frame)
            if octets is not None and len(self._due) < _KEPT_REQUESTS:
                begin_ns = max(frame.end_ns, self._due[-1][0]) if self._due else frame.end_ns
                wait_ns = int(self._reply_ns * (1 + _SPREAD * self._rng.random()))
                self._due.append((begin_ns + wait_ns, octets))

    def _is_out(self, now_ns: int) -> bool:
        if self._outages is None:
            return False
        out = self._outages.is_out(now_ns)
        if self._outages.has_restarted():
            self._decoder = BusDecoder(self._settings)
            self._due.clear()
            self.restart()
        return out

    def wake_ns(self) -> int | None:
        """When the next answer is due; None while nobody has asked."""
        return self._due[0][0] if self._due else None

    def act(self, now_ns: int) -> bytes | None:
        """Send the answer that is due, unless the supply has failed since."""
        if not self._due or now_ns < self._due[0][0]:
            return None
        octets = self._due[0][1]
        if self._is_out(now_ns):
            self._due.clear()
            return None
        if self._due:
            self._due.popleft()
            return octets
        return None
