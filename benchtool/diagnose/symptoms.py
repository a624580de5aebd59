"""What is measured on octets to tell causes apart: shares and ratios, so that rate, length of capture and polling matter little.

`symptoms` gives every one a value, or None where it cannot be seen here: a blind adapter, times too coarse, too few
of what it is a share of. `SYMPTOMS` says what each is, and where its bins end. The sentences are in `symptoms_told`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import log10

from benchtool.capture.chunk import LineErrors
from benchtool.capture.settings import LineSettings
from benchtool.diagnose.evidence import Evidence
from benchtool.diagnose.proofs import Proofs
from benchtool.diagnose.repair import Mended
from benchtool.frames.frame import Protocol
from benchtool.measure.conduct import AddressConduct
from benchtool.measure.exchange import REPLY_LIMIT_NS
from benchtool.measure.tally import AddressFigures

_FEW = 4
"""A share of fewer than this says too little."""
_TINY = 1e-6
_SHARES = (_TINY, 0.01, 0.05, 0.15, 0.4, 0.7, 0.95)
_RARE = (_TINY, 0.003, 0.01, 0.03, 0.1, 0.3, 0.7)
_PARTS = (0.02, 0.15, 0.35, 0.65, 0.85, 0.98)


class View:
    """Everything a symptom is taken from, with what several of them need."""

    def __init__(self, evidence: Evidence, proofs: Proofs, settings: LineSettings) -> None:
        self.evidence, self.proofs, self.settings = evidence, proofs, settings
        self.figures = figures = evidence.figures
        self.marked = figures.line_errors is LineErrors.MARKED
        self.counted = figures.line_errors is not LineErrors.UNAVAILABLE
        self.strays = evidence.strays
        self.spans = max(0, figures.damaged - evidence.strays)
        """Damaged spans without strays."""
        self.frames = figures.sound + self.spans
        self.asked = [a for a in figures.addresses if a.requests >= _FEW and a.address != _broadcast(a.protocol)]
        self.requests = sum(a.requests for a in self.asked)
        self.conduct = {(c.protocol, c.address): c for c in evidence.conduct.addresses}
        self.conducts = [c for a in self.asked if (c := self.conduct.get((a.protocol, a.address))) is not None]
        self.answered = sum(a.answered for a in self.asked)
        self.listened_ns = max(1, figures.elapsed_ns - figures.deaf_ns)
        self.silence_s = self.listened_ns * (1 - min(0.99, figures.bus_load)) / 1e9
        self.osdp_answered = sum(a.answered for a in self.asked if a.protocol is Protocol.OSDP)

    def fine(self, times: float) -> bool:
        """Whether the tap's times are finer than `times` character times."""
        return self.figures.resolution_ns <= times * self.settings.char_ns


def _broadcast(protocol: Protocol) -> int:
    return 127 if protocol is Protocol.OSDP else 0


def share(part: float, whole: float, least: float = _FEW) -> float | None:
    """`part` of `whole`; None where `whole` is below `least`."""
    return part / whole if whole >= least and whole > 0 else None


def _most(rates: list[float]) -> float | None:
    return max(rates) if rates else None


def _rest(rows: list[tuple[float, float]]) -> float | None:
    """Share over all but the worst of (part, whole); None with a single row."""
    if len(rows) < 2:
        return None
    worst = max(range(len(rows)), key=lambda index: rows[index][0] / rows[index][1])
    parts = sum(part for index, (part, _) in enumerate(rows) if index != worst)
    return parts / sum(whole for index, (_, whole) in enumerate(rows) if index != worst)


def _rows(view: View, count: Callable[[AddressFigures], int]) -> list[tuple[float, float]]:
    return [(count(a), a.requests) for a in view.asked]


def _worst(rows: list[tuple[float, float]]) -> float | None:
    return _most([part / whole for part, whole in rows])


def _dead(a: AddressFigures) -> bool:
    return a.answered <= 0.02 * a.requests


def _conduct_worst(view: View, count: Callable[[AddressConduct], int]) -> float | None:
    return _most([count(c) / c.requests for c in view.conducts if c.requests >= _FEW])


def _sequence_worst(view: View, count: Callable[[AddressConduct], int]) -> float | None:
    return _most([count(c) / c.requests for c in view.conducts if c.requests >= _FEW and c.protocol is Protocol.OSDP])


def _direction(view: View) -> float | None:
    bits = view.evidence.bits
    if bits.bits < _FEW or not bits.zeros or not bits.ones:
        return None
    rose, fell = bits.rose / bits.zeros, bits.fell / bits.ones
    return rose / (rose + fell)


def _late_bits(view: View) -> float | None:
    bits = view.evidence.bits
    return share(bits.by_bit[6] + bits.by_bit[7], bits.bits, 6)


def _lift(part: int, whole: int, base: int, base_whole: int) -> float | None:
    """How many times commoner something is among wrong bits than among all."""
    if whole < 6 or not base or not base_whole:
        return None
    return (part / whole) / (base / base_whole)


def _latency_shares(view: View) -> list[float]:
    """Each address' median latency as a share of what its protocol allows."""
    found = []
    for c in view.conducts:
        if len(c.latency_quantiles) == 5:
            found.append(c.latency_quantiles[2] / REPLY_LIMIT_NS[c.protocol])
    return found


def _latency_apart(view: View) -> float | None:
    found = sorted(_latency_shares(view))
    if len(found) < 2:
        return None
    others = found[:-1]
    return found[-1] / max(1e-6, others[len(others) // 2])


def _latency_spread(view: View) -> float | None:
    floor = max(view.figures.resolution_ns, view.settings.char_ns)
    spreads = [
        (c.latency_quantiles[4] + floor) / (c.latency_quantiles[2] + floor)
        for c in view.conducts
        if c.answered >= 8 and len(c.latency_quantiles) == 5
    ]
    return _most(spreads)


def _drift(view: View) -> float | None:
    return _most([abs(log10(c.drift)) for c in view.conducts if c.drift is not None and c.drift > 0])


def _clumped(view: View) -> float | None:
    clusters = view.evidence.clusters
    if clusters.damaged < _FEW or clusters.damaged == clusters.frames:
        return None
    return (clusters.followed / clusters.damaged) / (clusters.damaged / clusters.frames)


def _follows_one(view: View) -> float | None:
    """Damage after replies: share at the address it follows most, over that address' share of all replies."""
    after = view.evidence.where.after_reply_of
    total = sum(after.values())
    if total < _FEW or len(view.asked) < 2 or not view.answered:
        return None
    replies = {(a.protocol, a.address): a.answered / view.answered for a in view.asked}
    return max(count / total - replies.get(key, 0.0) for key, count in after.items())


def _interval_low(view: View) -> float | None:
    lows = [c.interval_low for c in view.conducts if c.interval_low is not None]
    return min(lows) if lows else None


def _rate_fit(view: View) -> float | None:
    """Share of octets in a small closed set of values of another rate; 0 where none fits."""
    if view.frames < 1:
        return None
    rate = view.proofs.rate
    if rate is None or rate.values is None or rate.values.set_size > 64:
        return 0.0
    return rate.values.share


def _rate_kinds(view: View) -> float | None:
    rate = view.proofs.rate
    return float(rate.kinds_strong) if rate is not None else (0.0 if view.frames else None)


def _inverted_at_device(view: View) -> float | None:
    if not view.asked:
        return None
    return _most([found.kinds_passed for found in view.proofs.at_address.values()]) or 0.0


def _value_spread(view: View) -> float | None:
    """How many different octet values come in damage, as a share of those there could be in so many octets."""
    octets = view.evidence.damaged_octets
    if len(octets) < 24:
        return None
    return len({value for value, _ in octets}) / min(256, len(octets))


def _common_values(view: View) -> float | None:
    """Share of the octets in damage that are 00 or FF."""
    octets = view.evidence.damaged_octets
    return share(sum(value in (0, 255) for value, _ in octets), len(octets), 12)


@dataclass(frozen=True, slots=True)
class Symptom:
    """Something measured on octets."""

    name: str
    about: str
    """What it is a measure of."""
    edges: tuple[float, ...]
    """Where its bins end, rising; at most 8 bins. A value on an edge belongs to the bin above."""
    value: Callable[[View], float | None]
    """None where it cannot be seen."""


def _mended(how: Mended) -> Callable[[View], float | None]:
    return lambda view: share(view.evidence.repairs.count(how), view.evidence.repairs.tried)


def _mark_share(kind: str) -> Callable[[View], float | None]:
    return lambda view: share(view.figures.marks[kind], view.figures.octets, 20) if view.counted else None


def _stray(part: Callable[[View], int]) -> Callable[[View], float | None]:
    return lambda view: share(part(view), view.strays, 3)


SYMPTOMS: tuple[Symptom, ...] = (
    # How much was heard
    Symptom("load", "share of the time in which octets came", (_TINY, 0.003, 0.03, 0.3, 0.8), lambda v: v.figures.bus_load),
    Symptom("frames-heard", "log10 of sound frames and damaged spans", (0.1, 1.0, 1.8, 2.5, 3.2), lambda v: log10(v.frames + 1)),
    Symptom("addresses-asked", "addresses asked", (0.5, 1.5, 4.5, 12.5), lambda v: float(len(v.asked))),
    # How much is damaged
    Symptom("damage", "damaged share of frames and spans", (_TINY, 0.002, 0.01, 0.05, 0.2, 0.6, 0.97), lambda v: share(v.spans, v.frames)),
    Symptom("failed-exchanges", "share of requests without a sound reply", _RARE, lambda v: share(v.requests - v.answered, v.requests)),
    Symptom("marks-framing", "share of octets with a framing error", _RARE, _mark_share("framing")),
    Symptom("marks-parity", "share of octets with a parity error", _RARE, _mark_share("parity")),
    Symptom("marks-break", "share of octets marked as a break", _RARE, _mark_share("break")),
    Symptom(
        "sound-with-framing",
        "share of sound frames' octets with a framing error",
        _RARE,
        lambda v: share(v.evidence.marks.framing, v.figures.octets - v.evidence.where.octets, 20) if v.marked else None,
    ),
    Symptom(
        "sound-with-parity",
        "share of sound frames' octets with a parity error",
        _RARE,
        lambda v: share(v.evidence.marks.parity, v.figures.octets - v.evidence.where.octets, 20) if v.marked else None,
    ),
    Symptom(
        "damage-with-framing",
        "share of damaged octets with a framing error",
        _SHARES,
        lambda v: share(v.evidence.marks.damaged_framing, v.evidence.where.octets, 8) if v.marked else None,
    ),
    Symptom(
        "damage-with-parity",
        "share of damaged octets with a parity error",
        _SHARES,
        lambda v: share(v.evidence.marks.damaged_parity, v.evidence.where.octets, 8) if v.marked else None,
    ),
    Symptom(
        "damage-with-breaks",
        "share of damaged octets marked as a break",
        _SHARES,
        lambda v: share(v.evidence.marks.damaged_breaks, v.evidence.where.octets, 8) if v.marked else None,
    ),
    # Where
    Symptom("silent-worst", "share of requests met by silence, worst address", _RARE, lambda v: _worst(_rows(v, lambda a: a.silent))),
    Symptom("silent-rest", "the same over all others", _RARE, lambda v: _rest(_rows(v, lambda a: a.silent))),
    Symptom("damaged-worst", "share of requests with a damaged answer, worst address", _RARE, lambda v: _worst(_rows(v, lambda a: a.damaged))),
    Symptom("damaged-rest", "the same over all others", _RARE, lambda v: _rest(_rows(v, lambda a: a.damaged))),
    Symptom("dead-share", "share of the addresses asked that never answer", (_TINY, 0.2, 0.5, 0.99), lambda v: share(sum(map(_dead, v.asked)), len(v.asked), 1)),
    Symptom("dead-count", "addresses asked that never answer", (0.5, 1.5, 2.5), lambda v: float(sum(map(_dead, v.asked))) if v.asked else None),
    Symptom(
        "dead-with-octets",
        "share of requests to never answering addresses that damaged octets follow",
        _PARTS,
        lambda v: share(sum(a.damaged for a in v.asked if _dead(a)), sum(a.requests for a in v.asked if _dead(a))),
    ),
    Symptom("in-slot", "share of damaged spans in a reply's place", _PARTS, lambda v: share(v.evidence.where.in_slot, v.spans)),
    Symptom("after-reply", "share of damaged spans after a reply", _PARTS, lambda v: share(v.evidence.where.after_reply, v.spans)),
    Symptom("follows-one", "how much more damage follows one address' replies than its share", (0.02, 0.1, 0.25, 0.5), _follows_one),
    Symptom("first-wrong", "share of damaged spans that begin with a wrong octet", _PARTS, lambda v: share(v.evidence.where.first_wrong, v.spans)),
    Symptom("cut-short", "share of damaged spans that stop too early", _PARTS, lambda v: share(v.evidence.where.truncated, v.spans)),
    Symptom(
        "reply-shorter",
        "share of damaged answers shorter than the device's sound ones",
        _PARTS,
        lambda v: share(v.evidence.where.shorter, _sized(v)),
    ),
    Symptom("reply-longer", "share of damaged answers longer than the device's sound ones", _PARTS, lambda v: share(v.evidence.where.longer, _sized(v))),
    Symptom("wrong-in-first", "share of wrong octets that are the first of their frame", _SHARES, lambda v: share(v.evidence.bits.first, v.evidence.bits.octets)),
    Symptom("wrong-in-last", "share of wrong octets that are the last of their frame", _SHARES, lambda v: share(v.evidence.bits.last, v.evidence.bits.octets)),
    # Which bits
    Symptom("compared", "share of damaged spans whose true octets are known", _PARTS, lambda v: share(v.evidence.bits.copies, v.spans)),
    Symptom("bits-rose", "share of bit errors that are 0 read as 1, per bit sent", (0.05, 0.25, 0.42, 0.58, 0.75, 0.95), _direction),
    Symptom("bits-per-frame", "wrong bits in a damaged copy", (1.02, 1.3, 1.8, 2.8, 4.5), lambda v: share(v.evidence.bits.bits, v.evidence.bits.copies, 3)),
    Symptom("bits-late", "share of wrong bits in the last two of the octet", (0.05, 0.15, 0.35, 0.6, 0.9), _late_bits),
    Symptom("bits-early", "share of wrong bits that are the first of the octet", (0.03, 0.08, 0.2, 0.5), lambda v: share(v.evidence.bits.by_bit[0], v.evidence.bits.bits, 6)),
    Symptom(
        "bits-turned",
        "how many times commoner wrong bits are where the line changes",
        (0.5, 0.85, 1.15, 1.5, 1.9),
        lambda v: _lift(v.evidence.bits.turned_wrong, v.evidence.bits.bits, v.evidence.bits.turned, v.evidence.bits.zeros + v.evidence.bits.ones),
    ),
    Symptom(
        "bits-after-run",
        "how many times commoner wrong bits are after four or more equal ones",
        (0.3, 0.8, 1.3, 2.5, 5.0),
        lambda v: _lift(v.evidence.bits.after_run_wrong, v.evidence.bits.bits, v.evidence.bits.after_run, v.evidence.bits.zeros + v.evidence.bits.ones),
    ),
    Symptom("same-damage", "share of damaged copies damaged in the same way before", _PARTS, lambda v: share(v.evidence.bits.same_again, v.evidence.bits.same_possible)),
    Symptom("same-spans", "share of damaged spans that equal an earlier one", _PARTS, lambda v: share(v.evidence.long_repeats, v.evidence.long_spans)),
    Symptom("mended-by-bit", "share of damaged spans that one flipped bit mends", _SHARES, _mended(Mended.BIT)),
    Symptom("first-octet-lost", "share of damaged spans that only lack their first octet", _SHARES, _mended(Mended.FIRST_LOST)),
    Symptom("first-octet-wrong", "share of damaged spans in which only the first octet is wrong", _SHARES, _mended(Mended.FIRST_WRONG)),
    Symptom("value-spread", "different values in damage, of those there could be", (0.02, 0.08, 0.2, 0.4, 0.7), _value_spread),
    Symptom("zeros-and-ones", "share of octets in damage that are 00 or FF", (0.05, 0.12, 0.25, 0.5, 0.9), _common_values),
    # When
    Symptom("dispersion", "damage in windows of 16 frames: variance over that of independent damage", (0.3, 0.7, 1.4, 2.5, 5.0), lambda v: v.evidence.clusters.dispersion if v.spans >= _FEW else None),
    Symptom("clumped", "how many times likelier damage is after damage", (0.2, 0.7, 1.4, 3.0, 8.0), _clumped),
    Symptom("mains", "Rayleigh score of damage at 100 or 120 Hz over that of sound frames", (2.0, 5.0, 8.0, 12.0, 25.0), lambda v: v.evidence.mains.score if v.evidence.mains else None),
    Symptom("mains-step", "how much better damage keeps step with the mains than sound frames", (0.15, 0.3, 0.5, 0.7), lambda v: v.evidence.mains.resultant if v.evidence.mains else None),
    Symptom("outages", "outages of one address, per hundred requests to it", (_TINY, 0.3, 1.0, 3.0), lambda v: _worst([(100 * c.outages, c.requests) for c in v.conducts if c.requests])),
    Symptom("outage-share", "share of an address' requests that fell in outages, worst address", _RARE, lambda v: _conduct_worst(v, lambda c: c.out_requests)),
    # Strays
    Symptom("strays", "stray octets a hundred frames", (_TINY, 0.3, 1.0, 4.0, 15.0, 60.0), lambda v: share(100 * v.strays, v.frames, 1)),
    Symptom("strays-a-second", "stray octets a second of silence", (_TINY, 0.05, 0.3, 2.0, 10.0, 50.0), lambda v: share(v.strays, v.silence_s, 0.2)),
    Symptom("strays-after-reply", "share of strays right after a reply", _PARTS, _stray(lambda v: v.evidence.strays_seen.after_reply)),
    Symptom("strays-after-request", "share of strays right after a request", _PARTS, _stray(lambda v: v.evidence.strays_seen.after_request)),
    Symptom("strays-before", "share of strays right before a sound frame", _PARTS, _stray(lambda v: v.evidence.strays_seen.before)),
    Symptom("strays-zero", "share of strays that are 00", _PARTS, _stray(lambda v: v.evidence.strays_seen.zeros)),
    Symptom("strays-high", "share of strays that are a short 0 and then 1s", _PARTS, _stray(lambda v: v.evidence.strays_seen.high)),
    # Times and order
    Symptom("latency", "greatest median latency, as a share of what is allowed", (0.02, 0.1, 0.3, 0.6, 1.0), lambda v: _most(_latency_shares(v))),
    Symptom("latency-apart", "slowest address over the middle one of the others", (1.2, 2.0, 4.0, 10.0), _latency_apart),
    Symptom("latency-spread", "95 % quantile of an address' latency over its median", (1.1, 1.4, 2.0, 4.0), _latency_spread),
    Symptom("latency-drift", "log10 of how latency changed from beginning to end", (0.03, 0.1, 0.3), _drift),
    Symptom("late", "share of replies too late, worst address", _RARE, lambda v: _conduct_worst(v, lambda c: c.late)),
    Symptom("second-replies", "share of requests with a second sound reply, worst address", _RARE, lambda v: _conduct_worst(v, lambda c: c.seconds)),
    Symptom("unasked", "sound replies nobody asked for, as a share of all", _RARE, lambda v: share(sum(a.unasked for a in v.figures.addresses), v.figures.sound)),
    Symptom("cut-in", "share of requests that came before an answer could", _RARE, lambda v: share(v.evidence.conduct.cut_in, v.requests) if v.fine(8) else None),
    Symptom("odd-steps", "share of polls out of the usual order", (_TINY, 0.02, 0.08, 0.2, 0.4), lambda v: share(v.evidence.conduct.odd_steps, v.evidence.conduct.steps, 8)),
    Symptom("poll-interval-low", "shortest time between polls of an address over the usual one", (0.1, 0.3, 0.6, 0.9), _interval_low),
    # Sequence numbers
    Symptom("sequence-jumps", "share of requests that leave a number out, worst address", _RARE, lambda v: _sequence_worst(v, lambda c: c.jumps)),
    Symptom("sequence-repeats", "share of requests that use a number again, worst address", _RARE, lambda v: _sequence_worst(v, lambda c: c.repeats)),
    Symptom("sequence-restarts", "share of requests that begin afresh, worst address", _RARE, lambda v: _sequence_worst(v, lambda c: c.restarts)),
    Symptom("sequence-mismatches", "share of replies with another number than asked, worst address", _RARE, lambda v: _sequence_worst(v, lambda c: c.mismatches)),
    Symptom("refusals", "share of requests refused, worst address", _RARE, lambda v: _conduct_worst(v, lambda c: c.refusals)),
    Symptom("numbers-refused", "share of requests refused for their number, worst address", _RARE, lambda v: _sequence_worst(v, lambda c: c.refused_numbers)),
    # Undoings
    Symptom("inverted-share", "share of damaged spans that are sound with the wires swapped", _SHARES, lambda v: share(v.proofs.at_tap.passed, v.proofs.at_tap.tried, 1)),
    Symptom("inverted-kinds", "different damaged spans that are", (0.5, 1.5, 3.5), lambda v: float(v.proofs.at_tap.kinds_passed)),
    Symptom("inverted-at-device", "the same where one address should answer", (0.5, 1.5), _inverted_at_device),
    Symptom("rate-fit", "share of octets that a receiver too fast by a usual rate can deliver", (0.5, 0.9, 0.99), _rate_fit),
    Symptom("rate-kinds", "different spans that are sound frames at another rate", (0.5, 1.5, 3.5), _rate_kinds),
)  # fmt: skip


def _sized(view: View) -> int:
    where = view.evidence.where
    return where.shorter + where.same_length + where.longer


def symptoms(evidence: Evidence, proofs: Proofs, settings: LineSettings) -> dict[str, float | None]:
    """The value of each symptom, by name; None where it cannot be seen here."""
    view = View(evidence, proofs, settings)
    return {symptom.name: symptom.value(view) for symptom in SYMPTOMS}


BY_NAME = {symptom.name: symptom for symptom in SYMPTOMS}
