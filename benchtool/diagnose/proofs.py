"""Tries the undoings on what could not be decoded, and counts how many check values then pass."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from benchtool.capture.chunk import LineErrors
from benchtool.capture.rates import DEVICE_RATES
from benchtool.capture.settings import CharFormat, LineSettings, Parity
from benchtool.diagnose.evidence import Evidence, Span
from benchtool.diagnose.known import heard_as
from benchtool.diagnose.known_windows import frames_in, odds_of
from benchtool.diagnose.rates import RateMatch, match_rates
from benchtool.diagnose.undo import Hypothesis, Undone, modbus_rule, osdp_rule, undo
from benchtool.frames.frame import Protocol
from benchtool.frames.osdp.check import REPLY_BIT, SEQUENCE_MASK

_MOST_TRIED = 40
_MOST_NAMESAKES = 32
_MOST_CHANCE = 0.02
"""A frame found after trying so many check values that chance alone might have found it proves nothing."""
_WINDOW_CHANCE = 1e-3
"""Of a well-known frame found anywhere in a span."""
_FORMAT_CHANCE = 0.1
"""Looser, as there is nothing else to tell a wrong format by where marks cannot be seen; two kinds are wanted."""
_MOST_SEARCHED = 8
"""Distinct spans searched bit by bit at another rate: slow, and a few prove as much as many."""
_INVERSION_STEPS = 10_000
"""Search steps spent on undoing a reversed pair, all spans together: half a second or so."""
_SLOT_STEPS = 4_000
"""The same for the answers of one address; `_MOST_SLOTS` addresses at most."""
_MOST_SLOTS = 4
_SPAN_STEPS = 3_000
_FORMAT_STEPS = 6_000
_HOPELESS = 8
"""After so many different spans without one that passes, the rest is not tried."""
_RATE_STEPS = 2_000
_MOST_SOUND = 0.1
"""Share of sound frames or answers above which a reversed pair or a wrong setting is out of the question."""
_LEAST_OCTETS = 4
"""A span shorter than this cannot hold a frame."""

Spans = Iterable[tuple[Span, int]]


@dataclass(frozen=True, slots=True)
class Inversion:
    """Spans re-read with the two wires swapped. Counts are spans as heard, repeats included."""

    tried: int = 0
    passed: int = 0
    kinds: int = 0
    """Different spans tried: a span that comes again proves no more than once."""
    kinds_passed: int = 0
    frames: tuple[bytes, ...] = ()
    """Some of the distinct frames recovered."""

    @property
    def share(self) -> float:
        """Share of tried spans that pass, 0 to 1."""
        return self.passed / self.tried if self.tried else 0.0


@dataclass(frozen=True, slots=True)
class RateProof:
    """Spans re-read at another rate."""

    sender_baud: int
    tried: int
    passed: int
    strong: int
    """Of those passed, the ones with a 16-bit check value."""
    kinds: int
    """Different spans tried, and of those the ones with a 16-bit check value."""
    kinds_strong: int
    frames: tuple[bytes, ...]
    values: RateMatch | None
    """How the octets fit the closed set of that rate; None for a sender faster than the receiver."""


@dataclass(frozen=True, slots=True)
class FormatProof:
    """Spans re-read as sent in another character format. Counts as of `Inversion`."""

    sent: CharFormat
    tried: int
    passed: int
    kinds: int
    kinds_passed: int
    frames: tuple[bytes, ...] = ()


def invert(
    spans: Spans, heard: CharFormat, line_errors: LineErrors, *, most_steps: int = _INVERSION_STEPS
) -> Inversion:
    """Undo a reversed pair on the most frequent distinct spans; at most about `most_steps` search steps."""
    return _reread(spans, heard, line_errors, _sent_formats(heard), True, most_steps)


def find_format(spans: Spans, heard: CharFormat, line_errors: LineErrors) -> FormatProof | None:
    """The other usual format that makes most spans sound frames; None where none does.

    Only a receiver that takes 7 data bits, or waits for a parity bit which nobody sends, reads wrong octets: in all
    other mismatches of usual formats the octets come right, with marks (sheet section 11, parity mismatch).
    """
    sent = CharFormat()
    if heard.parity is Parity.NONE and heard.data_bits == sent.data_bits:
        return None
    found = _reread(spans, heard, line_errors, (sent,), False, _FORMAT_STEPS, _FORMAT_CHANCE)
    if not found.passed:
        return None
    return FormatProof(sent, found.tried, found.passed, found.kinds, found.kinds_passed, found.frames)


def _reread(
    spans: Spans,
    heard: CharFormat,
    line_errors: LineErrors,
    sent_formats: Iterable[CharFormat],
    inverted: bool,
    most_steps: int,
    most_chance: float = _MOST_CHANCE,
) -> Inversion:
    formats = list(sent_formats)
    tried = passed = kinds = kinds_passed = 0
    recovered: dict[bytes, None] = {}
    known = heard_as(Fraction(1), heard, inverted=inverted) if CharFormat() in formats else None
    chosen = _worth_trying(spans)
    odds = odds_of(octets for (octets, _), _ in chosen)
    steps_left = most_steps
    for (octets, marks), count in chosen:
        if steps_left <= 0 or (kinds >= _HOPELESS and not passed):
            break
        seen = marks if line_errors is LineErrors.MARKED else None
        tried += count
        if known is not None:
            inside = {frames[0] for frames in frames_in(octets, known, odds, _WINDOW_CHANCE)}
            if inside:
                passed += count
                kinds += len(inside)
                kinds_passed += len(inside)
                recovered.update(dict.fromkeys(sorted(inside)))
                continue
        kinds += 1
        chance_left = most_chance
        for sent in formats:
            found, steps, chance = _recover(octets, seen, Hypothesis(inverted, Fraction(1), sent, heard), chance_left)
            steps_left -= steps
            chance_left -= chance
            if found:
                passed += count
                kinds_passed += 1
                recovered.update(dict.fromkeys(found))
                formats.insert(0, formats.pop(formats.index(sent)))
                break
    return Inversion(tried, passed, kinds, kinds_passed, tuple(recovered)[:8])


def _recover(
    octets: bytes, marks: bytes | None, hypothesis: Hypothesis, most_chance: float
) -> tuple[tuple[bytes, ...], int, float]:
    """The frames found, if chance could not have found them; the search steps spent; the chance spent."""
    steps, chance = 0, 0.0
    for rule in (osdp_rule, modbus_rule):
        recovered = undo(octets, marks, hypothesis, rule, most_steps=_SPAN_STEPS)
        steps += recovered.steps
        if recovered.result is Undone.FOUND and chance + recovered.chance < most_chance:
            return recovered.frames, steps, chance + recovered.chance
        chance += recovered.tried
    return (), steps, chance


def _sent_formats(heard: CharFormat) -> tuple[CharFormat, ...]:
    """The receiver's own format first, then the other usual ones (OSDP is 8N1; Modbus 8E1 by default)."""
    usual = (CharFormat(), CharFormat(8, Parity.EVEN, 1.0), CharFormat(8, Parity.NONE, 2.0))
    return tuple(dict.fromkeys((heard, *usual)))


def find_rate(evidence: Evidence, settings: LineSettings) -> RateProof | None:
    """The usual rate that explains the spans best; None when none does better than chance."""
    marked = evidence.figures.line_errors is LineErrors.MARKED
    octets = [(value, bool(mark & 0x05) if marked else None) for value, mark in evidence.damaged_octets]
    fits = {match.sender_baud: match for match in match_rates(octets, settings.baud, settings.format)}
    spans = list(_worth_trying(evidence.spans, least=1))
    best: RateProof | None = None
    for rate in DEVICE_RATES:
        ratio = Fraction(settings.baud, rate)
        if ratio == 1 or not Fraction(1, 50) < ratio < 50:
            continue
        values = fits.get(rate)
        if values is not None and values.share < 0.9:
            continue
        proof = _at_rate(rate, ratio, spans, settings.format, values, marked)
        if best is None or _rank(proof) > _rank(best):
            best = proof
    return best


def _rank(proof: RateProof) -> tuple[bool, int, bool, float, int]:
    values = proof.values
    fits = values is not None and values.share >= 0.99
    size = -values.set_size if values and fits else -512.0
    # Where only breaks come, every slower rate fits as well: the fastest of them is the likeliest in practice.
    return (
        proof.kinds_strong >= 2,
        proof.kinds_strong,
        fits,
        size,
        proof.sender_baud if size == -1 else -proof.sender_baud,
    )


def _at_rate(
    rate: int, ratio: Fraction, spans: list[tuple[Span, int]], heard: CharFormat, values: RateMatch | None, marked: bool
) -> RateProof:
    known = heard_as(ratio, heard)
    lengths = Counter(map(len, known))
    longest = max(lengths, default=0)
    odds = odds_of(octets for (octets, _), _ in spans)
    tried = passed = strong = searched = kinds_strong = 0
    frames: dict[bytes, None] = {}
    for (octets, marks), count in spans:
        tried += count
        if len(octets) < 2 or _by_chance(len(octets), lengths, values) > _MOST_CHANCE:
            continue  # so many frames sound like this that it proves nothing
        found = _known_frames(octets, known)
        if not found and 1 < ratio <= 2 and len(octets) >= _LEAST_OCTETS and searched < _MOST_SEARCHED:
            searched += 1
            recovered = _recover_strong(octets, marks if marked else None, Hypothesis(False, ratio, heard, heard))
            found = recovered or ()
        if not found and len(octets) > longest:
            inside = frames_in(octets, known, odds, _WINDOW_CHANCE)
            if inside:
                passed += count
                strong += count
                kinds_strong += len(set(inside))
                frames.update(dict.fromkeys(namesakes[0] for namesakes in inside))
                continue
        if found:
            passed += count
            if all(_is_strong(frame) for frame in found):
                strong += count
                kinds_strong += 1
            frames[found[0]] = None
    return RateProof(rate, tried, passed, strong, len(spans), kinds_strong, tuple(frames)[:8], values)


def _by_chance(length: int, lengths: Counter[int], values: RateMatch | None) -> float:
    """Odds that random octets, of those that can come at this rate at all, sound like a well-known frame."""
    alphabet = float(values.set_size if values is not None else 256)
    return lengths[length] / alphabet ** min(length, 100)


def _known_frames(octets: bytes, known: dict[bytes, tuple[bytes, ...]]) -> tuple[bytes, ...]:
    """Frames that sound like this span, whole or as a request and its reply heard without a silence between."""
    whole = known.get(octets)
    if whole is not None:
        return whole if len(whole) <= _MOST_NAMESAKES else ()
    for cut in range(2, len(octets) - 1):
        requests, replies = known.get(octets[:cut], ()), known.get(octets[cut:], ())
        pairs = [
            (request, reply)
            for request in requests
            for reply in replies
            if reply[1] == request[1] | REPLY_BIT and (reply[4] ^ request[4]) & SEQUENCE_MASK == 0
        ]
        if 1 <= len(pairs) <= _MOST_NAMESAKES:
            return pairs[0]
    return ()


def _recover_strong(octets: bytes, marks: bytes | None, hypothesis: Hypothesis) -> tuple[bytes, ...]:
    """Frames with a 16-bit check value only: with so many ways to read a span, 8 bits prove nothing."""
    recovered = undo(octets, marks, hypothesis, osdp_rule, most_steps=_RATE_STEPS)
    sure = recovered.chance < _MOST_CHANCE and all(map(_is_strong, recovered.frames))
    return recovered.frames if sure else ()


def _is_strong(frame: bytes) -> bool:
    body = frame[1:] if frame[:2] == b"\xff\x53" else frame
    return body[0] != 0x53 or bool(body[4] & 0x04)


def _worth_trying(spans: Spans, least: int = _LEAST_OCTETS) -> list[tuple[Span, int]]:
    return [(span, count) for span, count in spans if len(span[0]) >= least][:_MOST_TRIED]


@dataclass(frozen=True, slots=True)
class Proofs:
    """All that was tried."""

    at_tap: Inversion
    at_address: dict[tuple[Protocol, int], Inversion]
    rate: RateProof | None
    format: FormatProof | None = None


def gather(evidence: Evidence, settings: LineSettings) -> Proofs:
    """Try every undoing that the evidence leaves open.

    A device that is reversed never gives a sound answer, and through a tap that is reversed, or set to another rate or
    format, practically nothing is sound: where that is not so, nothing is tried.
    """
    figures = evidence.figures
    errors = figures.line_errors
    mute = [
        (a.protocol, a.address) for a in figures.addresses if a.damaged >= 2 and a.answered <= _MOST_SOUND * a.requests
    ]
    slots = {
        key: invert(evidence.in_slot[key], settings.format, errors, most_steps=_SLOT_STEPS)
        for key in mute[:_MOST_SLOTS]
        if key in evidence.in_slot
    }
    if figures.damaged == 0 or figures.sound > max(3, _MOST_SOUND * figures.damaged):
        return Proofs(Inversion(), slots, None)
    at_tap = invert(evidence.spans, settings.format, errors)
    if at_tap.share > 0.5:
        return Proofs(at_tap, slots, None)
    char_format = find_format(evidence.spans, settings.format, errors)
    if char_format is not None and char_format.kinds_passed >= 2:
        return Proofs(at_tap, slots, None, char_format)
    return Proofs(at_tap, slots, find_rate(evidence, settings), char_format)
