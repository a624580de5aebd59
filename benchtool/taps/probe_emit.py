"""Emits card frames through the probe: another type than the one that listens (design rule 4).

The probe sees what it emits, through its inputs: what comes back says whether the lines really followed.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchtool.taps.probe import ProbeLink, RefusedError
from benchtool.taps.probe_protocol import Edges, Event, Levels, Lost, Overrun, Sent
from benchtool.taps.tap import TapError

MOST_BITS = 200
WIDTH_US = (5, 10_000)
"""Shortest and longest pulse that the probe emits."""
SPACING_US = (20, 100_000)
"""From the beginning of a pulse to that of the next."""
LEAST_PAUSE_US = 5
"""Between two pulses at least."""
_LATE_S = 2.0
_READ_S = 0.05


@dataclass(frozen=True, slots=True)
class Emitted:
    """What the probe saw on the lines while it emitted."""

    bits: str
    """The pulses seen, D0 as 0 and D1 as 1, in order."""
    gap: bool
    """Whether something that it saw was lost on the way to us, so that `bits` is not all."""


def why_not(bits: str, width_us: int, spacing_us: int) -> str | None:
    """Why the probe cannot emit this, in words without the bits; None where it can."""
    if not 1 <= len(bits) <= MOST_BITS or bits.strip("01"):
        return f"the probe emits 1 to {MOST_BITS} bits, not {len(bits)}"
    if not WIDTH_US[0] <= width_us <= WIDTH_US[1]:
        return f"the probe emits pulses of {WIDTH_US[0]} to {WIDTH_US[1]} us, not {width_us}"
    if not SPACING_US[0] <= spacing_us <= SPACING_US[1]:
        return f"the probe spaces pulses by {SPACING_US[0]} to {SPACING_US[1]} us, not {spacing_us}"
    if spacing_us < width_us + LEAST_PAUSE_US:
        return f"pulses of {width_us} us need a spacing of {width_us + LEAST_PAUSE_US} us at least, not {spacing_us}"
    return None


class ProbeEmitter(ProbeLink):
    """A probe that may emit. Opened only where the user asked to transmit."""

    def send(self, bits: str, width_us: int, spacing_us: int) -> Emitted:
        """Emit one frame and wait until it is on the lines. ValueError where `why_not` says why; TapError as ever."""
        problem = why_not(bits, width_us, spacing_us)
        if problem:
            raise ValueError(problem)
        self.events(0)
        try:
            self._command(f"send {width_us:X} {spacing_us:X} {bits}")
        except RefusedError as error:
            raise TapError(f"the probe at {self.device} did not emit: {error}", reason="unusable") from None
        seen: list[Event] = []
        number = self._number
        end_ns = self._clock.now_ns() + len(bits) * spacing_us * 1000 + round(_LATE_S * 1e9)
        while not any(isinstance(event, Sent) and event.number == number for event in seen):
            if self._clock.now_ns() > end_ns:
                raise TapError(
                    f"the probe at {self.device} did not say that the frame is out: it may be, or in part",
                    reason="unusable",
                )
            seen += self.events(_READ_S)
        return _seen(seen)

    def stop(self) -> None:
        """Let the lines go at once."""
        self._command("stop")


def _seen(events: list[Event]) -> Emitted:
    bits = ""
    for event in events:
        if isinstance(event, Edges):
            levels: Levels = event.before
            for change in event.changes:
                bits += "".join("01"[line] for line in (0, 1) if levels[line] and not change.levels[line])
                levels = change.levels
    return Emitted(bits, any(isinstance(event, Lost | Overrun) for event in events))
