"""The distinct frames that the search for a check value works on, as arrays, and where the check field may stand."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

MOST_TAIL = 3
MOST_GAP = 2
_FIXED = 0.75
"""Share of the frames in which an octet must be the same to be taken as fixed: the rest may be damaged."""
_HEX = frozenset(b"0123456789ABCDEFabcdef")
RAW_SIZES = (1, 2, 3, 4, 5, 8)
TEXT_SIZES = (1, 2, 4)

Values = npt.NDArray[np.uint64]


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the check field stands: `size` octets of value, `tail` before the end; the cover ends `gap` before it."""

    size: int
    tail: int
    gap: int
    text: bool

    @property
    def field(self) -> int:
        """Octets the field takes on the wire."""
        return 2 * self.size if self.text else self.size


class Samples:
    """Distinct frames. `octets` has shape (frames, longest), zero-padded; `lengths` shape (frames,)."""

    def __init__(self, frames: Sequence[bytes]) -> None:
        self.frames = list(frames)
        self.lengths = np.array([len(frame) for frame in frames], dtype=np.int64)
        longest = int(self.lengths.max()) if frames else 0
        self.octets = np.zeros((len(frames), longest), dtype=np.uint8)
        for row, frame in enumerate(frames):
            self.octets[row, : len(frame)] = np.frombuffer(frame, dtype=np.uint8)
        groups: dict[int, list[int]] = {}
        for row, frame in enumerate(frames):
            groups.setdefault(len(frame), []).append(row)
        self.groups = [np.array(rows, dtype=np.int64) for rows in groups.values()]
        """Rows of the frames of each length."""

    def __len__(self) -> int:
        return len(self.frames)

    def ends(self, layout: Layout) -> npt.NDArray[np.int64]:
        """Where the cover ends in each frame; below 1 where the frame is too short."""
        ends: npt.NDArray[np.int64] = self.lengths - layout.tail - layout.field - layout.gap
        return ends

    def fields(self, layout: Layout) -> tuple[Values, Values, npt.NDArray[np.bool_]]:
        """The check fields read high octet first and low octet first, and which frames have one at all."""
        big = np.zeros(len(self), dtype=np.uint64)
        little = np.zeros(len(self), dtype=np.uint64)
        usable = self.ends(layout) >= 1
        for row, frame in enumerate(self.frames):
            if not usable[row]:
                continue
            end = len(frame) - layout.tail
            field = frame[end - layout.field : end]
            if layout.text:
                if not _HEX.issuperset(field):
                    usable[row] = False
                    continue
                field = bytes.fromhex(field.decode("ascii"))
            big[row] = int.from_bytes(field, "big")
            little[row] = int.from_bytes(field, "little")
        return big, little, usable

    def layouts(self) -> list[Layout]:
        """The places worth trying, the plainest first."""
        found = []
        for tail in range(MOST_TAIL + 1):
            if tail and not self._fixed_at_end(tail - 1):
                break
            for text in (False, True):
                for size in TEXT_SIZES if text else RAW_SIZES:
                    for gap in range(MOST_GAP + 1):
                        layout = Layout(size, tail, gap, text)
                        if gap and not self._fixed_at_end(tail + layout.field + gap - 1):
                            break
                        if text and not self._is_text(layout):
                            break
                        found.append(layout)
        return found

    def _fixed_at_end(self, place: int) -> bool:
        values = Counter(frame[-1 - place] for frame in self.frames if len(frame) > place + 2)
        return bool(values) and values.most_common(1)[0][1] >= _FIXED * values.total()

    def fixed_in_field(self, layout: Layout) -> bool:
        """Whether an octet of the field is always the same: a part of a CRC is not."""
        return any(self._fixed_at_end(layout.tail + place) for place in range(layout.field)) and not layout.text

    def _is_text(self, layout: Layout) -> bool:
        usable = self.fields(layout)[2]
        return bool(usable.mean() >= _FIXED) if len(self) else False


def distinct(frames: Sequence[bytes]) -> list[bytes]:
    """Each different frame once, in order of its first coming."""
    return list(dict.fromkeys(frames))


def halves(frames: Sequence[bytes]) -> tuple[list[bytes], list[bytes]]:
    """Two shares of the distinct frames, each with every length where it can: one to search, one to prove."""
    seen: Counter[int] = Counter()
    search: list[bytes] = []
    proof: list[bytes] = []
    for frame in frames:
        (proof if seen[len(frame)] % 2 else search).append(frame)
        seen[len(frame)] += 1
    if len(search) > 2 * len(proof) + 2:
        # Many lengths with one frame each: they are as good a proof as others.
        singles = [frame for frame in search if seen[len(frame)] == 1]
        moved = set(singles[1::2])
        search = [frame for frame in search if frame not in moved]
        proof += singles[1::2]
    return search, proof
