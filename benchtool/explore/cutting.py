"""Where frames begin and end, before anything is known: by silences, a length field, and the check value that fits."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from benchtool.capture.chunk import Chunk, TapInfo
from benchtool.explore.bursts import bursts, pauses
from benchtool.explore.check_search import search
from benchtool.explore.explained import CheckResult, weight
from benchtool.explore.lengths import LEAST_FRAME, cut, cutting_rules
from benchtool.frames.check_value import CheckValue

_GOOD = 0.8
_POOR = 0.5
_MOST_POLL = 24
"""Octets of the longest frame that lumps may begin with, where nothing else parts them."""
_MOST_CUT = 80
_MOST_DEEP = 3
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
        return _weight(self.result)


def cuttings(chunks: Sequence[Chunk], info: TapInfo) -> Cutting:
    """The best of the ways to cut the traffic: named check values first, any CRC only where those explain little."""
    best: Cutting | None = None
    for deep in (False, True):
        best = _best(chunks, info, best, deep)
        if best.good:
            return best
    assert best is not None
    return best


def _best(chunks: Sequence[Chunk], info: TapInfo, before: Cutting | None, deep: bool) -> Cutting:
    best = before
    cut_by_silence: list[Cutting] = []
    for pause in pauses(chunks, info)[: _MOST_DEEP if deep else None]:
        pieces = bursts(chunks, pause)[:MOST_BURSTS]
        plain = Cutting(tuple(pieces), pause, False, search(pieces, deep=deep))
        cut_by_silence.append(plain)
        if best is None or plain.weight > 1.05 * best.weight:
            best = plain
        # Several frames in one lump bear out a sum as one frame does: a coarse tap is looked at twice.
        if plain.good and not info.resolution_ns:
            return plain
    for plain in cut_by_silence:
        for found in cutting_rules(plain.pieces[:400]):
            parts: list[bytes] = []
            for piece in plain.pieces:
                parts += cut(piece, found.rule) or [piece]
            made = Cutting(tuple(parts), plain.pause_ns, True, search(parts, deep=deep))
            if best is None or made.weight > 1.05 * best.weight:
                best = made
            if made.good:
                return best
    assert best is not None
    if best.result.best is None or best.result.best.right < _POOR * best.result.best.total:
        for plain in cut_by_silence[:2]:
            found_by_head = _by_first_length(plain, deep)
            if found_by_head is not None and found_by_head.weight > 1.05 * best.weight:
                best = found_by_head
    return best


def _by_first_length(plain: Cutting, deep: bool) -> Cutting | None:
    """Lumps that begin with frames of one length, such as polls: the check value from those, the rest cut by it."""
    best: CheckResult | None = None
    most = (0.0, 0.0)
    lumps = [piece for piece in plain.pieces if len(piece) > LEAST_FRAME]
    for size in range(LEAST_FRAME + 1, _MOST_POLL):
        heads = [lump[:size] for lump in lumps if len(lump) >= size]
        if len(heads) < 0.3 * len(lumps):
            break
        result = search(heads, deep=deep)
        # With or without an end octet the check value is the same: the next frame begins as the first did.
        again = sum(lump[size : size + 1] == lump[:1] for lump in lumps) / len(lumps)
        if result.best is not None and (round(_weight(result), -1), again) > most:
            best, most = result, (round(_weight(result), -1), again)
    if best is None or best.best is None:
        return None
    check = _with_what_follows(best.best.check, lumps)
    lengths: Counter[int] = Counter()
    parts: list[bytes] = []
    for lump in lumps:
        pieces = _cut_by_check(lump, check, lengths)
        lengths.update(len(piece) for piece in pieces if check.ok(piece))
        parts += pieces
    return Cutting(tuple(parts), plain.pause_ns, True, search(parts, deep=deep))


def _with_what_follows(check: CheckValue, lumps: Sequence[bytes]) -> CheckValue:
    """The check value with the end octets that always follow it, where they are not the next frame's beginning."""
    first = Counter(lump[0] for lump in lumps).most_common(1)[0][0]
    for _ in range(2):
        longer = replace(check, tail=check.tail + 1)
        follows: Counter[int] = Counter()
        for lump in lumps:
            sizes = range(check.least + 1, min(len(lump), _MOST_POLL))
            size = next((size for size in sizes if check.ok(lump[:size])), None)
            if size is not None:
                follows[lump[size]] += 1
        if follows.total() < 6:
            break
        value, count = follows.most_common(1)[0]
        if value == first or count < 0.85 * follows.total():
            break
        check = longer
    return check


def _cut_by_check(lump: bytes, check: CheckValue, known: Counter[int]) -> list[bytes]:
    """A lump cut wherever a sound frame ends; lengths that came before are tried first."""
    pieces = []
    at = 0
    while at < len(lump):
        left = len(lump) - at
        sizes = [size for size, _ in known.most_common() if size <= left]
        sizes += [left, *range(check.least + 1, min(left, _MOST_CUT))]
        size = next((size for size in sizes if check.ok(lump[at : at + size])), left)
        pieces.append(lump[at : at + size])
        at += size
    return pieces


def _weight(result: CheckResult) -> float:
    return 0.0 if result.best is None else weight(result.best.right, result.best.check.width)
