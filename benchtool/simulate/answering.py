"""What every simulated device that only speaks when asked has in common: hear a request, wait, send one answer."""

from __future__ import annotations

from abc import abstractmethod

import numpy as np

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.frame import Frame
from benchtool.simulate.station import Station

_SPREAD = 0.1
"""A device takes up to this share longer than its usual time; a free choice of this simulation."""


class Answering(Station):
    """A device at `address` that answers about `reply_ns` after it was asked.

    With `answers` False it hears everything and never says a word.
    """

    def __init__(
        self, name: str, address: int, settings: LineSettings, *, reply_ns: int, rng: np.random.Generator, answers: bool
    ) -> None:
        self.name = name
        self.address = address
        self._reply_ns = reply_ns
        self._rng = rng
        self._answers = answers
        self._decoder = BusDecoder(settings)
        self._due: tuple[int, bytes] | None = None

    @abstractmethod
    def is_for_me(self, frame: Frame) -> bool:
        """Whether a sound frame is a request that this device takes."""

    @abstractmethod
    def answer(self, frame: Frame) -> bytes | None:
        """Do what a request asks; the octets to answer with, or None where it is only obeyed."""

    def hear(self, chunk: Chunk) -> None:
        """Take octets; a sound request to this device is answered after the turnaround."""
        for frame in self._decoder.feed(chunk):
            # If it ended before this chunk, others have talked since, and nobody waits for an answer.
            if frame.ok and frame.end_ns >= chunk.t_ns and self._answers and self.is_for_me(frame):
                octets = self.answer(frame)
                if octets is not None:
                    wait_ns = int(self._reply_ns * (1 + _SPREAD * self._rng.random()))
                    self._due = (frame.end_ns + wait_ns, octets)

    def wake_ns(self) -> int | None:
        """When the answer is due; None while nobody has asked."""
        return None if self._due is None else self._due[0]

    def act(self, now_ns: int) -> bytes | None:
        """Send the answer that is due."""
        if self._due is None or now_ns < self._due[0]:
            return None
        octets = self._due[1]
        self._due = None
        return octets
