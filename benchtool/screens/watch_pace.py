"""Plays a bus in virtual time (a capture, a simulated bus) at a speed that a person can follow, and can change.

Pure: the real time comes in as an argument.
"""

from __future__ import annotations

FULL = 0.0
"""As fast as it goes."""
PAUSED = "paused"
SPEEDS = (0.1, 0.25, 1.0, 4.0, 16.0, 64.0, FULL)
"""Times real time, slowest first."""
_LAG_NS = 500_000_000
_STRIDE_NS = 1_000_000_000
"""Bus time of one turn at full speed."""


class Pace:
    """Which bus time it is."""

    def __init__(self, speed: float = 1.0) -> None:
        self.speed = speed
        self.paused = False
        self.bus_ns = 0
        self._real_ns: int | None = None

    @property
    def waits(self) -> bool:
        """Whether real time has to pass for more to come."""
        return self.paused or self.speed != FULL

    def turn(self, real_ns: int) -> int:
        """Go on to bus time now."""
        before_ns, self._real_ns = self._real_ns, real_ns
        if not self.paused:
            if self.speed == FULL:
                self.bus_ns += _STRIDE_NS
            elif before_ns is not None:
                self.bus_ns += round((real_ns - before_ns) * self.speed)
        return self.bus_ns

    def reached(self, bus_ns: int) -> None:
        """There is more to come before now than could be taken: what this computer cannot keep up with is given up."""
        if self.speed == FULL or self.bus_ns - bus_ns > _LAG_NS * max(1.0, self.speed):
            self.bus_ns = bus_ns

    def change(self, step: int) -> str:
        """Faster (1) or slower (-1); the speed in words."""
        order = SPEEDS.index(self.speed) if self.speed in SPEEDS else SPEEDS.index(1.0)
        self.speed = SPEEDS[max(0, min(len(SPEEDS) - 1, order + step))]
        return self.text()

    def text(self) -> str:
        """For the screen's head."""
        if self.paused:
            return PAUSED
        return "full speed" if self.speed == FULL else f"speed {self.speed:g}"
