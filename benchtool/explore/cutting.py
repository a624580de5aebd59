"""Where frames begin and end, before anything is known: by silences, a length field, and the check value that fits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchtool.capture.chunk import Chunk, TapInfo
from benchtool.explore.bursts import bursts, pauses
from benchtool.explore.check_search import search
from benchtool.explore.explained import CheckResult
from benchtool.explore.lengths import cut, cutting_rules

_GOOD = 0.8
MOST_BURSTS = 1500


@dataclass(frozen=True, slots=True)
class Cutting:
    """Pieces of the traffic that should be frames, and the check value they carry."""

    pieces: tuple[bytes, ...]
    pause_ns: int
    by_length: bool
    """Cut by a length field, because silences alone do not part them."""
    result: CheckResult

    @property
    def sound(self) -> list[bytes]:
        """The pieces whose check value is right; all of them where none is known."""
        best = self.result.best
        return list(self.pieces) if best is None else [piece for piece in self.pieces if best.check.ok(piece)]

    @property
    def good(self) -> bool:
        """Whether the check value explains nearly all pieces, so that no better cut is to be looked for."""
        best = self.result.best
        return best is not None and best.right >= _GOOD * best.total

    @property
    def weight(self) -> float:
        """How much the check value explains, in bits; 0 where there is none."""
        best = self.result.best
        return 0.0 if best is None else float(best.right * best.check.width)


def cuttings(chunks: Sequence[Chunk], info: TapInfo) -> Cutting:
    """The best of the ways to cut the traffic."""
    best: Cutting | None = None
    cut_by_silence: list[Cutting] = []
    for pause in pauses(chunks, info):
        pieces = [burst.octets for burst in bursts(chunks, pause)][:MOST_BURSTS]
        plain = Cutting(tuple(pieces), pause, False, search(pieces))
        cut_by_silence.append(plain)
        if best is None or plain.weight > 1.05 * best.weight:
            best = plain
        if plain.good:
            return best
    for plain in cut_by_silence:
        for found in cutting_rules(plain.pieces[:400]):
            parts: list[bytes] = []
            for piece in plain.pieces:
                parts += cut(piece, found.rule) or [piece]
            made = Cutting(tuple(parts), plain.pause_ns, True, search(parts))
            if best is None or made.weight > 1.05 * best.weight:
                best = made
            if made.good:
                return best
    assert best is not None
    return best
