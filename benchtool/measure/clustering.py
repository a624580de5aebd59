"""Whether damage comes alone or in clusters, and when: counted frame by frame, so it does not depend on rate or length.

Independent errors make the count of damaged frames in a window binomial; its variance over that of the binomial is the
dispersion (1: independent; above: in bursts; below: in step with something). The timeline is for plots.
"""

from __future__ import annotations

from dataclasses import dataclass

WINDOW = 16
"""Frames in a row whose damaged ones are counted together."""
SLOTS = 64
_FIRST_SLOT_NS = 62_500_000


@dataclass(frozen=True, slots=True)
class Clusters:
    """How damage follows damage."""

    frames: int = 0
    damaged: int = 0
    followed: int = 0
    """Damaged frames that come directly after a damaged one."""
    longest: int = 0
    """Most damaged frames in a row."""
    windows: int = 0
    dispersion: float | None = None
    """None with fewer than four windows or no damage, or nothing else."""


@dataclass(frozen=True, slots=True)
class Timeline:
    """Sound and damaged frames over the capture, in `SLOTS` slots or fewer, from `begin_ns` on."""

    begin_ns: int = 0
    slot_ns: int = _FIRST_SLOT_NS
    sound: tuple[int, ...] = ()
    damaged: tuple[int, ...] = ()


class ClusterCounter:
    """Counts; one a tap."""

    __slots__ = (
        "_bad_slots",
        "_begin_ns",
        "_damaged",
        "_followed",
        "_frames",
        "_good_slots",
        "_in_window",
        "_longest",
        "_run",
        "_seen",
        "_slot_ns",
        "_squares",
        "_sum",
        "_windows",
    )

    def __init__(self) -> None:
        self._frames = self._damaged = self._followed = self._longest = self._run = 0
        self._seen = self._in_window = self._windows = self._sum = self._squares = 0
        self._begin_ns: int | None = None
        self._slot_ns = _FIRST_SLOT_NS
        self._good_slots = [0] * SLOTS
        self._bad_slots = [0] * SLOTS

    def add(self, t_ns: int, damaged: bool) -> None:
        """Count a frame that began at `t_ns`."""
        begin = self._begin_ns
        if begin is None:
            begin = self._begin_ns = t_ns
        t_ns = t_ns - begin if t_ns > begin else 0
        slot = t_ns // self._slot_ns
        if slot >= SLOTS:
            slot = self._widen(t_ns)
        self._frames += 1
        self._seen += 1
        if damaged:
            self._bad_slots[slot] += 1
            self._damaged += 1
            self._in_window += 1
            self._followed += self._run > 0
            self._run += 1
            if self._run > self._longest:
                self._longest = self._run
        else:
            self._good_slots[slot] += 1
            self._run = 0
        if self._seen == WINDOW:
            count = self._in_window
            self._windows += 1
            self._sum += count
            self._squares += count * count
            self._seen = self._in_window = 0

    def _widen(self, t_ns: int) -> int:
        while t_ns // self._slot_ns >= SLOTS:
            for slots in (self._good_slots, self._bad_slots):
                slots[:] = [a + b for a, b in zip(slots[::2], slots[1::2], strict=True)] + [0] * (SLOTS // 2)
            self._slot_ns *= 2
        return t_ns // self._slot_ns

    def clusters(self) -> Clusters:
        """The counts as they stand."""
        dispersion = None
        if self._windows >= 4:
            mean = self._sum / self._windows
            expected = mean * (1 - mean / WINDOW)
            if expected > 0:
                variance = (self._squares - self._windows * mean * mean) / (self._windows - 1)
                dispersion = max(0.0, variance / expected)
        return Clusters(self._frames, self._damaged, self._followed, self._longest, self._windows, dispersion)

    def timeline(self) -> Timeline:
        """The slots up to the last one with a frame."""
        used = max((i + 1 for i in range(SLOTS) if self._good_slots[i] or self._bad_slots[i]), default=0)
        return Timeline(
            self._begin_ns or 0, self._slot_ns, tuple(self._good_slots[:used]), tuple(self._bad_slots[:used])
        )
