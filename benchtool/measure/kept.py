"""Small helpers that keep running figures in constant memory."""

from __future__ import annotations

from collections.abc import Sized


def bounded(held: Sized, most: int) -> bool:
    """Whether one more may be kept."""
    return len(held) < most


class Sampler:
    """Keeps times evenly over a capture of any length: every n-th, n doubling whenever the room is used up."""

    __slots__ = ("_left", "_most", "_step", "_times")

    def __init__(self, most: int) -> None:
        self._most = most
        self._step = 1
        self._left = 1
        self._times: list[int] = []

    def add(self, t_ns: int) -> None:
        """Take a time."""
        self._left -= 1
        if self._left:
            return
        self._left = self._step
        self._times.append(t_ns)
        if len(self._times) >= self._most:
            del self._times[1::2]
            self._step *= 2

    def times(self) -> list[int]:
        """The times that were kept, in order."""
        return list(self._times)
