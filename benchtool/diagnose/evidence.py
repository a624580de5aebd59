"""Gathers, in constant memory, what the diagnosis needs beyond the tallies: samples of what could not be decoded.

Kept: distinct damaged spans with their counts, the damaged spans that stood where a device's reply should be, and
damaged frames beside the sound frame that they should have been.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from benchtool.capture.chunk import Chunk, Item
from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.measure.exchange import Exchange, Outcome
from benchtool.measure.tally import Figures, Tally

MOST_SPANS = 300
"""Distinct damaged spans that are kept, whole bus and per address alike."""
MOST_OCTETS = 4000
"""Octets of damaged spans that are kept with their marks for the value sets."""
REPEAT_OCTETS = 5
"""Spans at least this long hardly ever come out the same twice by chance."""
_MOST_TRUTHS = 64
_NEAR_BITS = 10
"""A damaged frame that differs in more bits than this from every sound one is not compared."""

Span = tuple[bytes, bytes]
"""Octets and marks (empty for none) of a damaged span."""

_OK = Reason.OK


@dataclass(frozen=True, slots=True)
class Damage:
    """Damaged copies of known frames: which way their bits were read wrong."""

    copies: int
    """Damaged frames whose true octets are known from a sound copy."""
    rose: int
    """Bits sent as 0 and read as 1."""
    fell: int
    """Bits sent as 1 and read as 0."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """Everything the inference looks at."""

    figures: Figures
    spans: tuple[tuple[Span, int], ...]
    """Distinct damaged spans, most frequent first, with their counts."""
    in_slot: dict[tuple[Protocol, int], tuple[tuple[Span, int], ...]]
    """Damaged spans that came where this address should have replied."""
    damaged_octets: tuple[tuple[int, int], ...]
    """(value, mark) of octets in damaged spans, the first `MOST_OCTETS`."""
    damage: Damage
    strays: int
    """Damaged spans of one or two octets."""
    long_spans: int
    """Damaged spans of `REPEAT_OCTETS` or more."""
    long_repeats: int
    """Of those, the ones that equal an earlier one octet for octet."""
    now_ns: int


class Gatherer:
    """Feed it everything that the tap delivers and the decoder makes; then ask for the evidence."""

    def __init__(self, tally: Tally) -> None:
        self._tally = tally
        self._spans: Counter[Span] = Counter()
        self._in_slot: dict[tuple[Protocol, int], Counter[Span]] = {}
        self._octets: list[tuple[int, int]] = []
        self._truths: dict[tuple[Role, int], dict[bytes, None]] = {}
        self._copy_count = 0
        self._rose = self._fell = 0
        self._strays = 0
        self._long_spans = self._long_repeats = 0
        self._now_ns = 0

    def item(self, item: Item) -> None:
        """Take an item from the tap."""
        self._tally.item(item)
        self._now_ns = max(self._now_ns, item.end_ns if isinstance(item, Chunk) else item.t_ns)

    def frame(self, frame: Frame) -> Exchange | None:
        """Take a frame from the decoder."""
        exchange = self._tally.frame(frame)
        if frame.reason is _OK:
            self._learn(frame)
        else:
            self._damaged(frame)
        if exchange is not None:
            self._exchange(exchange)
        return exchange

    def close(self, now_ns: int) -> None:
        """End of listening at `now_ns` on the tap's clock."""
        self._now_ns = max(self._now_ns, now_ns)
        exchange = self._tally.close(now_ns)
        if exchange is not None:
            self._exchange(exchange)

    def evidence(self, decoder_counters: dict[str, int] | None = None) -> Evidence:
        """What has been gathered so far."""
        return Evidence(
            figures=self._tally.figures(decoder_counters),
            spans=tuple(self._spans.most_common()),
            in_slot={key: tuple(counts.most_common()) for key, counts in self._in_slot.items()},
            damaged_octets=tuple(self._octets),
            damage=Damage(self._copy_count, self._rose, self._fell),
            strays=self._strays,
            long_spans=self._long_spans,
            long_repeats=self._long_repeats,
            now_ns=self._now_ns,
        )

    def _learn(self, frame: Frame) -> None:
        truths = self._truths.setdefault((frame.role, len(frame.octets)), {})
        if frame.octets not in truths:
            if len(truths) >= _MOST_TRUTHS:
                del truths[next(iter(truths))]
            truths[frame.octets] = None

    def _damaged(self, frame: Frame) -> None:
        span = (frame.lead + frame.octets, bytes(len(frame.lead)) + frame.marks if frame.marks else b"")
        if len(frame.octets) >= REPEAT_OCTETS:
            self._long_spans += 1
            self._long_repeats += span in self._spans
        _count(self._spans, span)
        if len(self._octets) < MOST_OCTETS:
            octets, marks = span
            self._octets.extend(zip(octets, marks or bytes(len(octets)), strict=True))
        if len(frame.octets) <= 2:
            self._strays += 1
        else:
            self._compare(frame.octets)

    def _compare(self, octets: bytes) -> None:
        read = int.from_bytes(octets, "big")
        nearest, least = b"", _NEAR_BITS + 1
        for (_, length), truths in self._truths.items():
            if length != len(octets):
                continue
            for truth in truths:
                apart = (read ^ int.from_bytes(truth, "big")).bit_count()
                if apart < least:
                    nearest, least = truth, apart
        if not nearest:
            return
        true = int.from_bytes(nearest, "big")
        self._copy_count += 1
        self._rose += (read & ~true).bit_count()
        self._fell += (true & ~read).bit_count()

    def _exchange(self, exchange: Exchange) -> None:
        if exchange.outcome is Outcome.DAMAGED and exchange.damaged is not None:
            frame = exchange.damaged
            counts = self._in_slot.setdefault((exchange.protocol, exchange.address), Counter())
            _count(counts, (frame.lead + frame.octets, frame.marks))


def _count(counts: Counter[Span], key: Span) -> None:
    if key in counts or len(counts) < MOST_SPANS:
        counts[key] += 1
