"""A device that restarts again and again because its supply droops: every so often, or when a load comes on.

While it restarts it hears nothing and says nothing; afterwards it has forgotten everything. How long a restart takes
depends on the device: common practice says half a second to several seconds, no published source.
"""

from __future__ import annotations

import numpy as np

_SPREAD = 0.2
"""Times between restarts lie within this share of the usual one; a free choice of this simulation."""


class Outages:
    """When a device is out. Times are nanoseconds of bus time and are asked for in rising order."""

    def __init__(self, *, every_ns: int, by_load: bool, length_ns: int, rng: np.random.Generator) -> None:
        self._every_ns = every_ns
        self._by_load = by_load
        self._length_ns = length_ns
        self._rng = rng
        self._next_ns = self._later(0) if every_ns else None
        self._out_until_ns = 0
        self._restarted = False

    def _later(self, from_ns: int) -> int:
        return from_ns + int(self._every_ns * (1 + _SPREAD * (2 * self._rng.random() - 1)))

    def is_out(self, now_ns: int) -> bool:
        """Whether the device is restarting now."""
        while self._next_ns is not None and self._next_ns <= now_ns:
            self._out_until_ns = self._next_ns + self._length_ns
            self._next_ns = self._later(self._out_until_ns) if self._every_ns else None
            self._restarted = True
        return now_ns < self._out_until_ns

    def has_restarted(self) -> bool:
        """Whether it restarted since this was asked last."""
        told, self._restarted = self._restarted, False
        return told

    def load_comes(self, at_ns: int) -> None:
        """A lock, a light or a sounder is switched on: the supply droops if it cannot carry it."""
        if self._by_load and (self._next_ns is None or at_ns < self._next_ns):
            self._next_ns = at_ns
