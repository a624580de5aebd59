"""How well a receiver's settings fit what it heard: sound frames, line errors, and a check value where none is known.

A wrong rate gives framing errors and octets that no check value explains; a wrong parity gives parity or framing errors
on octets that are mostly right. Facts: sheet section 2 (characters), section 11 (what a wrong rate reads).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from benchtool.capture.chunk import Item, LineErrors, TapInfo
from benchtool.capture.settings import CharFormat, LineSettings, Parity
from benchtool.explore.bursts import bursts, chunks_of, line_errors_of, pauses
from benchtool.explore.check_search import search
from benchtool.frames.decoders import UNTOLD, Spoken, decode_all
from benchtool.frames.frame import Protocol

PARITIES = ("8N1", "8E1", "8O1")
PROVEN_FRAMES = 3
"""Frames of 16-bit check values; so many do not come by chance."""
_EXACT_NS = 1000
_LEAST_TIMED = 3


@dataclass(frozen=True, slots=True)
class Score:
    """What was heard with some settings, and how well it fits, 0 to 1."""

    settings: LineSettings
    octets: int
    frames: int
    """Sound frames of a known protocol."""
    sound: float
    """Share of the octets that lie in sound frames, 0 to 1; of a check value found, where no protocol is known."""
    errors: float | None
    """Line errors for each octet; None where the tap cannot see them."""
    by_search: bool = False
    """Judged by a check value that was searched for."""

    @property
    def value(self) -> float:
        """What the settings are ranked by."""
        clean = 0.0 if self.errors is None else max(0.0, 1.0 - 4 * self.errors)
        if self.octets == 0:
            return 0.0
        weight = 0.75 if self.by_search else 0.95
        return weight * self.sound * (0.5 + 0.5 * (1.0 if self.errors is None else clean)) + 0.05 * clean

    @property
    def proven(self) -> bool:
        """Whether sound frames bear the settings out."""
        return self.sound >= 0.5 and (self.by_search or self.frames >= PROVEN_FRAMES)

    @property
    def certain(self) -> bool:
        """Whether nothing is left to wish for: no need to try the other rates."""
        return self.proven and not self.by_search and self.sound >= 0.9 and not self.errors

    def words(self) -> str:
        """One line for people."""
        if not self.octets:
            return f"{self.settings}: nothing heard"
        errors = "line errors not seen" if self.errors is None else f"{self.errors:.0%} line errors"
        what = "explained by a check value" if self.by_search else "in sound frames"
        return f"{self.settings}: {self.octets} octets, {self.sound:.0%} {what}, {errors}"


def score(items: Sequence[Item], info: TapInfo, spoken: Spoken = UNTOLD) -> Score:
    """Judge what a receiver with `info.settings` heard."""
    chunks = chunks_of(items)
    octets = sum(len(chunk.octets) for chunk in chunks)
    frames, covered = _decoded(items, info, spoken)
    return Score(info.settings, octets, frames, covered / octets if octets else 0.0, _errors(items, info, octets))


def searched(items: Sequence[Item], info: TapInfo) -> Score:
    """The same for a bus of no known protocol: by whether any check value explains the bursts."""
    plain = score(items, info)
    chunks = chunks_of(items)
    if len(chunks) < 2:
        return plain
    share = 0.0
    for pause in pauses(chunks, info)[:3]:
        pieces = bursts(chunks, pause)
        best = search(pieces).best
        if best is not None and best.proved:
            right = sum(len(piece) for piece in pieces if best.check.ok(piece))
            share = max(share, right / max(1, plain.octets))
    return (
        Score(plain.settings, plain.octets, plain.frames, share, plain.errors, True) if share > plain.sound else plain
    )


def _decoded(items: Sequence[Item], info: TapInfo, spoken: Spoken) -> tuple[int, int]:
    frames = decode_all(spoken.decoder(info.settings, info.resolution_ns), items)
    good = [frame for frame in frames if frame.ok and frame.protocol is not Protocol.UNKNOWN]
    return len(good), sum(len(frame.octets) + len(frame.lead) for frame in good)


def _errors(items: Sequence[Item], info: TapInfo, octets: int) -> float | None:
    if info.line_errors is LineErrors.UNAVAILABLE or not octets:
        return None
    return min(1.0, line_errors_of(items) / octets)


def stop_bits(items: Sequence[Item], info: TapInfo) -> float | None:
    """Stop bits by how long characters last, where the tap's times are exact; None where that cannot be told."""
    if info.resolution_ns > _EXACT_NS:
        return None
    timed = [chunk for chunk in chunks_of(items) if len(chunk.octets) >= 4 and not any(chunk.marks)]
    lasted = [(chunk.end_ns - chunk.t_ns) / len(chunk.octets) for chunk in timed]
    if len(lasted) < _LEAST_TIMED:
        return None
    bits = median(lasted) * info.settings.baud / 1e9
    char = info.settings.format
    without_stop = char.bits - char.stop_bits
    for found in (1.0, 2.0):
        if abs(bits - without_stop - found) <= 0.25:
            return found
    return None


def seven_bits(items: Sequence[Item], heard: CharFormat) -> Parity | None:
    """The parity of all octets heard as 8 bits without one, if they have one: 7 bits and that parity read the same."""
    if heard.data_bits != 8 or heard.parity is not Parity.NONE:
        return None
    octets = b"".join(chunk.octets for chunk in chunks_of(items))
    values = set(octets)
    if len(octets) < 40 or len(values) < 8:
        return None
    ones = {value.bit_count() & 1 for value in values}
    if len(ones) == 2:
        return None
    return Parity.ODD if ones == {1} else Parity.EVEN
