"""Which bits were read wrong: direction, place in the octet, place in the frame, and what came before on the wire.

Feed it damaged copies beside what was really sent. Bits go out least significant first after a start bit 0; before it
the line is at 1 (sheet section 2), so each data bit's neighbour before it on the wire is known.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchtool.measure.kept import bounded

PLACES = 16
"""Parts of a frame in the histogram of places."""
LONG_RUN = 4
"""Equal bits before a bit that count as a long run."""
_MOST_PAIRS = 256
_MOST_AGAIN = 500


@dataclass(frozen=True, slots=True)
class BitErrors:
    """Counts over all damaged copies."""

    copies: int = 0
    """Damaged frames whose true octets are known."""
    rose: int = 0
    """Bits sent as 0 and read as 1."""
    fell: int = 0
    """Bits sent as 1 and read as 0."""
    zeros: int = 0
    """Bits sent as 0 in these frames, right or wrong."""
    ones: int = 0
    by_bit: tuple[int, ...] = (0,) * 8
    """Wrong bits by their place in the octet, first on the wire first."""
    octets: int = 0
    """Wrong octets."""
    first: int = 0
    """Wrong octets that are the first of their frame."""
    last: int = 0
    places: tuple[int, ...] = (0,) * PLACES
    """Wrong octets by their place in the frame, first sixteenth first."""
    turned_wrong: int = 0
    """Wrong bits that differ from the bit before them on the wire."""
    turned: int = 0
    """Bits that do so, right or wrong."""
    after_run_wrong: int = 0
    """Wrong bits that end a run of `LONG_RUN` or more equal bits."""
    after_run: int = 0
    same_again: int = 0
    """Copies damaged in exactly the way that another copy of the same frame was before."""
    same_possible: int = 0
    """Copies of frames that had come damaged before, the first 500: the longer, the more are like an earlier one."""

    @property
    def bits(self) -> int:
        """All wrong bits."""
        return self.rose + self.fell


def _masks(value: int) -> tuple[int, int]:
    """Bits of an octet that differ from the bit before them; and those of them that end a long run."""
    turned = after = 0
    before, run = 0, 1
    for index in range(8):
        bit = value >> index & 1
        if bit != before:
            turned |= 1 << index
            if run >= LONG_RUN:
                after |= 1 << index
            before, run = bit, 0
        run += 1
    return turned, after


_TURNED = bytes(_masks(value)[0] for value in range(256))
_AFTER = bytes(_masks(value)[1] for value in range(256))


class BitErrorCounter:
    """Counts; one a tap. Work is done for damaged frames only."""

    def __init__(self) -> None:
        self._copies = self._rose = self._fell = self._zeros = self._ones = 0
        self._by_bit = [0] * 8
        self._octets = self._first = self._last = 0
        self._places = [0] * PLACES
        self._turned_wrong = self._turned = self._after_wrong = self._after = 0
        self._seen: dict[bytes, dict[bytes, None]] = {}
        self._same = self._possible = 0

    def add(self, read: bytes, true: bytes) -> list[int]:
        """Count a damaged copy of the same length; answers the positions of its wrong octets."""
        self._copies += 1
        wrong = []
        size = len(true)
        for at, (got, sent) in enumerate(zip(read, true, strict=True)):
            ones = sent.bit_count()
            self._ones += ones
            self._zeros += 8 - ones
            turned, after = _TURNED[sent], _AFTER[sent]
            self._turned += turned.bit_count()
            self._after += after.bit_count()
            apart = got ^ sent
            if not apart:
                continue
            wrong.append(at)
            self._rose += (got & ~sent).bit_count()
            self._fell += (sent & ~got).bit_count()
            self._turned_wrong += (apart & turned).bit_count()
            self._after_wrong += (apart & after).bit_count()
            for bit in range(8):
                self._by_bit[bit] += apart >> bit & 1
            self._places[at * PLACES // size] += 1
        self._octets += len(wrong)
        if wrong:
            self._first += wrong[0] == 0
            self._last += wrong[-1] == size - 1
        self._again(read, true)
        return wrong

    def _again(self, read: bytes, true: bytes) -> None:
        seen = self._seen.get(true)
        if seen is None:
            if bounded(self._seen, _MOST_PAIRS):
                self._seen[true] = {read: None}
            return
        if self._possible >= _MOST_AGAIN:
            return
        self._possible += 1
        if read in seen:
            self._same += 1
        elif bounded(seen, _MOST_PAIRS):
            seen[read] = None

    def figures(self) -> BitErrors:
        """The counts as they stand."""
        return BitErrors(
            self._copies,
            self._rose,
            self._fell,
            self._zeros,
            self._ones,
            tuple(self._by_bit),
            self._octets,
            self._first,
            self._last,
            tuple(self._places),
            self._turned_wrong,
            self._turned,
            self._after_wrong,
            self._after,
            self._same,
            self._possible,
        )
