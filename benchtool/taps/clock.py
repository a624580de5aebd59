"""Time for the taps that listen to something real: injected, so that tests need not wait."""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """What a live tap asks of time."""

    def now_ns(self) -> int:
        """Monotonic nanoseconds from any origin."""

    def wall_ns(self) -> int:
        """Nanoseconds since 1970 UTC."""

    def wait(self, seconds: float) -> None:
        """Let `seconds` pass."""


class SystemClock:
    """The machine's own clocks."""

    now_ns = staticmethod(time.monotonic_ns)
    wall_ns = staticmethod(time.time_ns)
    wait = staticmethod(time.sleep)
