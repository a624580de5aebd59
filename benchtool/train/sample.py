"""One worked line as training sees it: its causes, the symptoms of its octets, the readings of its wires."""

from __future__ import annotations

from dataclasses import dataclass

from benchtool.diagnose.finding import Cause


@dataclass(frozen=True, slots=True)
class Sample:
    """A worked line."""

    seed: int
    causes: tuple[Cause, ...]
    """None for a sound bus; up to two."""
    address: int | None
    """Of the device at fault, where there is one."""
    length_m: float
    baud: int
    symptoms: dict[str, float | None]
    readings: dict[str, float]
    """By kind (`ab-idle`, `supply@that`, `scope-swing-v`), in the kind's unit."""
