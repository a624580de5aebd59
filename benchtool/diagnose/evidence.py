"""Gathers, in constant memory, what the diagnosis needs beyond the tallies.

Kept: distinct damaged spans with their counts, the damaged spans that stood where a device's reply should be, how
damage lies in frames, in time and among the talkers (`measure` counts most of it), and what mends it.
"""

from __future__ import annotations

from collections import Counter, deque
from dataclasses import dataclass, field

from benchtool.capture.chunk import Chunk, Item, Mark
from benchtool.diagnose.copies import Copies
from benchtool.diagnose.repair import Mended, Repairs, repair
from benchtool.diagnose.unheard import Unheard, UnheardCounter
from benchtool.diagnose.where import Where
from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.measure.bit_errors import BitErrorCounter, BitErrors
from benchtool.measure.clustering import ClusterCounter, Clusters, Timeline
from benchtool.measure.conduct import Conduct, ConductCounter
from benchtool.measure.exchange import REPLY_LIMIT_NS, Exchange, Outcome
from benchtool.measure.kept import Sampler
from benchtool.measure.mains_phase import MainsPhase, mains_phase
from benchtool.measure.strays import StrayCounter, Strays
from benchtool.measure.tally import Figures, Tally

MOST_SPANS = 300
"""Distinct damaged spans that are kept, whole bus and per address alike."""
MOST_OCTETS = 4000
"""Octets of damaged spans that are kept with their marks for the value sets."""
MOST_REPEATS = 500
"""Damaged spans held against earlier ones: of any damage, more and more equals an earlier one the longer it goes on."""
REPEAT_OCTETS = 5
"""Spans at least this long hardly ever come out the same twice by chance."""
STRAY_OCTETS = 2
"""Damaged spans up to this long are strays, not frames."""
_MOST_ADDRESSES = 256
_MOST_UNDECIDED = 128
"""Damaged frames that wait for more sound ones to be compared with."""
_MOST_TIMES = 1024
_FINE_NS = 5_000_000
"""With times coarser than this nothing can be said about the mains."""
_SHORT = 12
"""A damaged frame of so many octets is one point in time, where it is not known which octet it is."""

Span = tuple[bytes, bytes]
"""Octets and marks (empty for none) of a damaged span."""

_OK = Reason.OK
_REQUEST, _REPLY = Role.REQUEST, Role.REPLY
_OSDP, _MODBUS = Protocol.OSDP, Protocol.MODBUS_RTU
_LINE = Mark.FRAMING | Mark.BREAK


@dataclass(frozen=True, slots=True)
class SoundMarks:
    """Line errors marked on octets of frames that are sound all the same."""

    frames: int = 0
    """Sound frames with a mark on any octet."""
    framing: int = 0
    """Octets with a framing error or break."""
    parity: int = 0
    damaged_framing: int = 0
    """The same in damaged frames."""
    damaged_parity: int = 0
    damaged_breaks: int = 0
    framing_of: dict[int, int] = field(default_factory=dict)
    """The octets of `framing` by their value."""
    parity_of: dict[int, int] = field(default_factory=dict)


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
    strays: int
    """Damaged spans of one or two octets."""
    long_spans: int
    """Damaged spans of `REPEAT_OCTETS` or more, the first `MOST_REPEATS`."""
    long_repeats: int
    """Of those, the ones that equal an earlier one octet for octet."""
    now_ns: int
    bits: BitErrors = field(default_factory=BitErrors)
    """Which bits were wrong, where the true octets are known."""
    where: Where = field(default_factory=Where)
    strays_seen: Strays = field(default_factory=Strays)
    marks: SoundMarks = field(default_factory=SoundMarks)
    repairs: Repairs = field(default_factory=Repairs)
    clusters: Clusters = field(default_factory=Clusters)
    timeline: Timeline = field(default_factory=Timeline)
    conduct: Conduct = field(default_factory=Conduct)
    mains: MainsPhase | None = None
    """None where times are too coarse or too little came."""
    values: tuple[int, ...] = ()
    """How often each octet value came, damaged or not: 256 counts; empty where they were not counted."""
    unheard: dict[int, Unheard] = field(default_factory=dict)
    """Commands asked again although their reply was heard here, by OSDP address."""


class Gatherer:
    """Feed it everything that the tap delivers and the decoder makes; then ask for the evidence."""

    def __init__(self, tally: Tally) -> None:
        self._tally = tally
        self._char_ns = tally.info.settings.char_ns
        self._spans: Counter[Span] = Counter()
        self._in_slot: dict[tuple[Protocol, int], Counter[Span]] = {}
        self._octets: list[tuple[int, int]] = []
        self._copies = Copies()
        self._undecided: deque[tuple[Frame, bytes | None]] = deque()
        self._long_spans = self._long_repeats = 0
        self._now_ns = 0
        self._bits = BitErrorCounter()
        self._clusters = ClusterCounter()
        self._conduct = ConductCounter()
        self._unheard = UnheardCounter()
        self._strays = StrayCounter(self._char_ns, tally.info.resolution_ns)
        self._repairs = Repairs()
        self._fine = tally.info.resolution_ns <= _FINE_NS
        self._bad_times, self._good_times = Sampler(_MOST_TIMES), Sampler(_MOST_TIMES)
        self._last: Frame | None = None
        """The last sound frame, None where damage came after it."""
        self._asked: Frame | None = None
        self._reply_lengths: dict[int, int] = {}
        """By Modbus address, or OSDP address octet + 256: hashing an Enum costs too much here."""
        self._seen_osdp = self._seen_modbus = False
        self._modbus_addresses: dict[int, None] = {}
        self._places = dict.fromkeys(_PLACES, 0)
        self._after_reply_of: Counter[tuple[Protocol, int]] = Counter()
        self._marks = dict.fromkeys(_MARKS, 0)
        self._framing_of: Counter[int] = Counter()
        self._parity_of: Counter[int] = Counter()

    def item(self, item: Item) -> None:
        """Take an item from the tap."""
        self._tally.item(item)
        if isinstance(item, Chunk):
            if item.end_ns > self._now_ns:
                self._now_ns = item.end_ns
        else:
            self._now_ns = max(self._now_ns, item.t_ns)

    def frame(self, frame: Frame) -> Exchange | None:
        """Take a frame from the decoder."""
        exchange = self._tally.frame(frame)
        sound = frame.reason is _OK
        if exchange is not None:
            self._exchange(exchange, frame)
        if sound:
            self._clusters.add(frame.t_ns, False)
            self._sound(frame, exchange)
        else:
            self._damaged(frame)
        return exchange

    def close(self, now_ns: int) -> None:
        """End of listening at `now_ns` on the tap's clock."""
        self._now_ns = max(self._now_ns, now_ns)
        exchange = self._tally.close(now_ns)
        if exchange is not None:
            self._exchange(exchange, None)

    def evidence(self, decoder_counters: dict[str, int] | None = None) -> Evidence:
        """What has been gathered so far."""
        while self._undecided:
            self._decide(self._undecided.popleft())
        bits, strays = self._bits.figures(), self._strays.figures()
        return Evidence(
            figures=self._tally.figures(decoder_counters),
            spans=tuple(self._spans.most_common()),
            in_slot={key: tuple(counts.most_common()) for key, counts in self._in_slot.items()},
            damaged_octets=tuple(self._octets),
            strays=strays.spans,
            long_spans=self._long_spans,
            long_repeats=self._long_repeats,
            now_ns=self._now_ns,
            bits=bits,
            where=Where(after_reply_of=dict(self._after_reply_of), **self._places),
            strays_seen=strays,
            marks=SoundMarks(**self._marks, framing_of=dict(self._framing_of), parity_of=dict(self._parity_of)),
            repairs=Repairs(self._repairs.tried, dict(self._repairs.mended)),
            clusters=self._clusters.clusters(),
            timeline=self._clusters.timeline(),
            conduct=self._conduct.figures(),
            mains=self._mains() if self._fine else None,
            values=tuple(self._tally.values().tolist()),
            unheard=self._unheard.figures(),
        )

    def _mains(self) -> MainsPhase | None:
        found = (
            mains_phase(self._bad_times.times(), self._good_times.times()),
            mains_phase(self._strays.times.times(), None),
        )
        return max((one for one in found if one is not None), key=lambda one: one.score, default=None)

    def _sound(self, frame: Frame, exchange: Exchange | None) -> None:
        octets = frame.octets
        self._copies.learn(octets)
        if self._strays.waiting:
            self._strays.before(frame)
        if frame.role is _REQUEST:
            self._conduct.request(frame)
            if frame.protocol is _OSDP:
                self._unheard.request(frame)
            self._asked = frame
        elif frame.role is _REPLY:
            if exchange is None:
                self._conduct.unasked(frame)
            else:
                self._reply_lengths[octets[1] | 0x100 if frame.protocol is _OSDP else octets[0]] = len(octets)
            self._asked = None
        self._last = frame
        if frame.protocol is _OSDP:
            self._seen_osdp = True
        elif octets[0] not in self._modbus_addresses and len(self._modbus_addresses) < _MOST_ADDRESSES:
            self._modbus_addresses[octets[0]] = None
        if self._fine:
            self._good_times.add((frame.t_ns + frame.end_ns) >> 1)
        if frame.marks:
            framing = [value for value, mark in zip(octets, frame.marks, strict=True) if mark & _LINE]
            parity = [value for value, mark in zip(octets, frame.marks, strict=True) if mark & Mark.PARITY]
            self._marks["frames"] += bool(framing or parity)
            self._marks["framing"] += len(framing)
            self._marks["parity"] += len(parity)
            self._framing_of.update(framing)
            self._parity_of.update(parity)

    def _damaged(self, frame: Frame) -> None:
        self._conduct.damaged()
        self._unheard.damaged()
        span = (frame.lead + frame.octets, bytes(len(frame.lead)) + frame.marks if frame.marks else b"")
        size = len(frame.octets)
        if size >= REPEAT_OCTETS and self._long_spans < MOST_REPEATS:
            self._long_spans += 1
            self._long_repeats += span in self._spans
        _count(self._spans, span)
        self._places["octets"] += size
        if len(self._octets) < MOST_OCTETS:
            octets, marks = span
            self._octets.extend(zip(octets, marks or bytes(len(octets)), strict=True))
        if frame.marks:
            for mark in frame.marks:
                self._marks["damaged_framing"] += mark & _LINE != 0
                self._marks["damaged_parity"] += mark & Mark.PARITY != 0
                self._marks["damaged_breaks"] += mark & Mark.BREAK != 0
        if size <= STRAY_OCTETS:
            self._strays.add(frame, self._last)
            return
        self._clusters.add(frame.t_ns, True)
        # Compared later, when more sound frames are known.
        self._undecided.append((frame, self._place(frame, size)))
        if len(self._undecided) > _MOST_UNDECIDED:
            self._decide(self._undecided.popleft())
        self._last = None

    def _decide(self, waiting: tuple[Frame, bytes | None]) -> None:
        frame, asked = waiting
        self._places["end_sound"] += self._copies.ends_like_one(frame.octets)
        wrong = self._compare(frame.octets, asked)
        if self._fine:
            self._time_damage(frame, wrong)

    def _place(self, frame: Frame, size: int) -> bytes | None:
        """Where in the conversation it stands; answers the request whose reply it should have been.

        A reply's place is empty once anything stood there.
        """
        places, last, asked = self._places, self._last, self._asked
        first = frame.octets[0]
        known = first == 0x53 if self._seen_osdp else first in self._modbus_addresses
        places["first_wrong"] += bool(self._seen_osdp or self._modbus_addresses) and not known
        places["truncated"] += frame.reason is Reason.TRUNCATED
        if asked is not None and frame.t_ns - asked.end_ns < REPLY_LIMIT_NS[asked.protocol]:
            self._asked = None
            places["in_slot"] += 1
            at = asked.octets[1] | 0x180 if asked.protocol is _OSDP else asked.octets[0]
            usual = self._reply_lengths.get(at)
            if usual is not None:
                places["shorter" if size < usual else "same_length" if size == usual else "longer"] += 1
            return asked.octets
        if last is not None and last.role is _REPLY:
            places["after_reply"] += 1
            self._after_reply_of[(last.protocol, last.address or 0)] += 1
        return None

    def _compare(self, octets: bytes, asked: bytes | None) -> list[int]:
        """Find what was really sent, from a sound copy or by repair; answers which octets are wrong."""
        if not (self._seen_osdp or self._modbus_addresses):
            return []
        repairs = self._repairs
        repairs.tried += 1
        mended = repair(
            octets, tuple(self._modbus_addresses), osdp=self._seen_osdp, modbus=bool(self._modbus_addresses)
        )
        if mended is not None:
            repairs.mended[mended.how] = repairs.mended.get(mended.how, 0) + 1
            if mended.how is Mended.FIRST_LOST:
                return [0]
            return self._bits.add(octets, mended.frame)
        found = self._copies.find(octets, asked)
        if found is None:
            return []
        at, true = found
        self._places["extra_before"] += at > 0
        self._places["extra_after"] += at + len(true) < len(octets)
        wrong = self._bits.add(octets[at : at + len(true)], true)
        return [at + place for place in wrong]

    def _time_damage(self, frame: Frame, wrong: list[int]) -> None:
        size = len(frame.octets)
        each = (frame.end_ns - frame.t_ns) / size
        if frame.marks:
            wrong = [at for at, mark in enumerate(frame.marks) if mark] or wrong
        if wrong:
            self._bad_times.add(frame.t_ns + round((wrong[0] + 0.5) * each))
        elif size <= _SHORT:
            self._bad_times.add(frame.t_ns + round(size * each / 2))

    def _exchange(self, exchange: Exchange, ending: Frame | None) -> None:
        self._conduct.exchange(exchange)
        if exchange.protocol is _OSDP:
            self._unheard.exchange(exchange)
        outcome = exchange.outcome
        if outcome is Outcome.DAMAGED and exchange.damaged is not None:
            frame = exchange.damaged
            counts = self._in_slot.setdefault((exchange.protocol, exchange.address), Counter())
            marks = bytes(len(frame.lead)) + frame.marks if frame.marks else b""
            _count(counts, (frame.lead + frame.octets, marks))
        elif outcome is Outcome.SILENT and ending is not None:
            self._conduct.gave_up(ending.t_ns - exchange.request.end_ns)


_PLACES = (
    "in_slot",
    "after_reply",
    "octets",
    "first_wrong",
    "truncated",
    "end_sound",
    "shorter",
    "same_length",
    "longer",
    "extra_before",
    "extra_after",
)
_MARKS = ("frames", "framing", "parity", "damaged_framing", "damaged_parity", "damaged_breaks")


def _count(counts: Counter[Span], key: Span) -> None:
    if key in counts or len(counts) < MOST_SPANS:
        counts[key] += 1
