"""Symptoms: which bits and octets are wrong and what mends them, how damage lies in time, and stray octets."""

from __future__ import annotations

from collections.abc import Callable

from benchtool.diagnose.repair import Mended
from benchtool.diagnose.symptom import FEW, PARTS, SHARES, TINY, Measured, Symptom, View, part_of, plain
from benchtool.measure.bit_errors import BitErrors

_FEW_BITS = 6


def _bits(part: Callable[[BitErrors], int]) -> Callable[[View], Measured | None]:
    return lambda view: part_of(part(view.bits), view.bits.bits, _FEW_BITS)


def _octets(part: Callable[[BitErrors], int]) -> Callable[[View], Measured | None]:
    return lambda view: part_of(part(view.bits), view.bits.octets)


def _direction(view: View) -> Measured | None:
    """Of the rates at which 0s and 1s are misread, the share of the 0s."""
    bits = view.bits
    if bits.bits < FEW or not bits.zeros or not bits.ones:
        return None
    rose, fell = bits.rose / bits.zeros, bits.fell / bits.ones
    return Measured(rose / (rose + fell), bits.rose, bits.bits)


def _lift(part: Callable[[BitErrors], int], base: Callable[[BitErrors], int]) -> Callable[[View], Measured | None]:
    """How many times commoner something is among wrong bits than among all."""

    def lift(view: View) -> Measured | None:
        bits = view.bits
        every = bits.zeros + bits.ones
        if bits.bits < _FEW_BITS or not base(bits):
            return None
        return Measured((part(bits) / bits.bits) / (base(bits) / every), part(bits), bits.bits)

    return lift


def _mended(how: Mended) -> Callable[[View], Measured | None]:
    return lambda view: part_of(view.evidence.repairs.count(how), view.evidence.repairs.tried)


def _value_spread(view: View) -> Measured | None:
    octets = view.evidence.damaged_octets
    values = len({value for value, _ in octets})
    return part_of(values, min(256, len(octets)), 24)


def _common_values(view: View) -> Measured | None:
    octets = view.evidence.damaged_octets
    return part_of(sum(value in (0, 255) for value, _ in octets), len(octets), 12)


def _clumped(view: View) -> Measured | None:
    clusters = view.evidence.clusters
    if clusters.damaged < FEW or clusters.damaged == clusters.frames:
        return None
    value = (clusters.followed / clusters.damaged) / (clusters.damaged / clusters.frames)
    return Measured(value, clusters.followed, clusters.damaged)


def _mains(view: View) -> Measured | None:
    mains = view.evidence.mains
    return Measured(mains.score, mains.count, mains.hertz) if mains is not None else None


def _mains_step(view: View) -> Measured | None:
    mains = view.evidence.mains
    return Measured(mains.resultant, mains.count, mains.hertz) if mains is not None else None


def _stray(part: Callable[[View], int]) -> Callable[[View], Measured | None]:
    return lambda view: part_of(part(view), view.strays, 3)


BITS: tuple[Symptom, ...] = (
    Symptom(
        "compared",
        "share of damaged spans whose true octets are known",
        PARTS,
        lambda v: part_of(v.evidence.bits.copies, v.spans),
        "{part} of {whole} damaged spans are copies of known frames with a few bits wrong",
    ),
    Symptom(
        "octets-before",
        "share of damaged copies with octets before them that belong to no frame",
        PARTS,
        lambda v: part_of(v.evidence.where.extra_before, v.bits.copies),
        "{part} of {whole} damaged copies of known frames have stray octets before them",
    ),
    Symptom(
        "octets-after",
        "share of damaged copies with such octets after them",
        PARTS,
        lambda v: part_of(v.evidence.where.extra_after, v.bits.copies),
        "{part} of {whole} damaged copies of known frames have stray octets after them",
    ),
    Symptom(
        "wrong-in-first",
        "share of wrong octets that are the first of their frame",
        SHARES,
        _octets(lambda bits: bits.first),
        "{part} of {whole} wrong octets are the first of their frame",
    ),
    Symptom(
        "wrong-in-last",
        "share of wrong octets that are the last of their frame",
        SHARES,
        _octets(lambda bits: bits.last),
        "{part} of {whole} wrong octets are the last of their frame",
    ),
    Symptom(
        "bits-rose",
        "share of bit errors that are 0 read as 1, per bit sent",
        (0.05, 0.25, 0.42, 0.58, 0.75, 0.95),
        _direction,
        "against sound copies of the same frames, {part} of {whole} wrong bits are 0 read as 1",
    ),
    Symptom(
        "bits-per-frame",
        "wrong bits in a damaged copy",
        (1.02, 1.3, 1.8, 2.8, 4.5),
        lambda v: part_of(v.bits.bits, v.bits.copies, 3),
        "{part} bits are wrong in {whole} damaged copies of known frames",
    ),
    Symptom(
        "bits-late",
        "share of wrong bits in the last two of the octet",
        (0.05, 0.15, 0.35, 0.6, 0.9),
        _bits(lambda bits: bits.by_bit[6] + bits.by_bit[7]),
        "{part} of {whole} wrong bits are the last two of their octet",
    ),
    Symptom(
        "bits-early",
        "share of wrong bits that are the first of the octet",
        (0.03, 0.08, 0.2, 0.5),
        _bits(lambda bits: bits.by_bit[0]),
        "{part} of {whole} wrong bits are the first of their octet",
    ),
    Symptom(
        "bits-turned",
        "how many times commoner wrong bits are where the line changes",
        (0.5, 0.85, 1.15, 1.5, 1.9),
        _lift(lambda bits: bits.turned_wrong, lambda bits: bits.turned),
        "{part} of {whole} wrong bits come right after the line has changed: {value} times as many as by chance",
    ),
    Symptom(
        "bits-after-run",
        "how many times commoner wrong bits are after four or more equal ones",
        (0.3, 0.8, 1.3, 2.5, 5.0),
        _lift(lambda bits: bits.after_run_wrong, lambda bits: bits.after_run),
        "{part} of {whole} wrong bits end a run of four or more equal ones: {value} times as many as by chance",
    ),
    Symptom(
        "same-damage",
        "share of damaged copies damaged in the same way before",
        PARTS,
        lambda v: part_of(v.bits.same_again, v.bits.same_possible),
        "{part} of {whole} frames that came damaged again are damaged in exactly the same way",
    ),
    Symptom(
        "same-spans",
        "share of damaged spans that equal an earlier one",
        PARTS,
        lambda v: part_of(v.evidence.long_repeats, v.evidence.long_spans),
        "{part} of {whole} damaged spans equal an earlier one octet for octet",
    ),
    Symptom(
        "mended-by-bit",
        "share of damaged spans that one flipped bit mends",
        SHARES,
        _mended(Mended.BIT),
        "{part} of {whole} damaged spans have a right check value once a single bit is flipped",
    ),
    Symptom(
        "first-octet-lost",
        "share of damaged spans that only lack their first octet",
        SHARES,
        _mended(Mended.FIRST_LOST),
        "{part} of {whole} damaged spans only lack their first octet",
    ),
    Symptom(
        "first-octet-wrong",
        "share of damaged spans in which only the first octet is wrong",
        SHARES,
        _mended(Mended.FIRST_WRONG),
        "in {part} of {whole} damaged spans only the first octet is wrong",
    ),
    Symptom(
        "value-spread",
        "different values in damage, of those there could be",
        (0.02, 0.08, 0.2, 0.4, 0.7),
        _value_spread,
        "{part} different octet values come in damaged spans, of {whole} there could be",
    ),
    Symptom(
        "zeros-and-ones",
        "share of octets in damage that are 00 or FF",
        (0.05, 0.12, 0.25, 0.5, 0.9),
        _common_values,
        "{part} of {whole} octets in damaged spans are 00 or FF",
    ),
    Symptom(
        "dispersion",
        "damage in windows of 16 frames: variance over that of independent damage",
        (0.3, 0.7, 1.4, 2.5, 5.0),
        lambda v: plain(v.evidence.clusters.dispersion) if v.spans >= FEW else None,
        "damage varies from one stretch of 16 frames to the next {value} times as much as independent errors would",
    ),
    Symptom(
        "clumped",
        "how many times likelier damage is after damage",
        (0.2, 0.7, 1.4, 3.0, 8.0),
        _clumped,
        "{part} of {whole} damaged spans directly follow another: {value} times as many as by chance",
    ),
    Symptom(
        "mains",
        "Rayleigh score of damage at 100 or 120 Hz over that of sound frames",
        (2.0, 5.0, 8.0, 12.0, 25.0),
        _mains,
        "{part} times of damage tested against the mains at {whole} Hz: score {value} (chance stays below 8)",
    ),
    Symptom(
        "mains-step",
        "how much better damage keeps step with the mains than sound frames",
        (0.15, 0.3, 0.5, 0.7),
        _mains_step,
        "damage keeps step with the mains' {whole} Hz by {value} (0 not at all, 1 exactly), beyond what polling does",
    ),
)

STRAYS: tuple[Symptom, ...] = (
    Symptom(
        "strays",
        "stray octets a frame",
        (TINY, 0.003, 0.01, 0.04, 0.15, 0.6),
        lambda v: part_of(v.strays, v.frames, 1),
        "{part} stray octets beside {whole} frames and spans",
    ),
    Symptom(
        "strays-a-second",
        "stray octets a second of silence",
        (TINY, 0.05, 0.3, 2.0, 10.0, 50.0),
        lambda v: part_of(v.strays, v.silence_s, 0.2),
        "{part} stray octets in {whole} s of silence",
    ),
    Symptom(
        "strays-after-reply",
        "share of strays right after a reply",
        PARTS,
        _stray(lambda v: v.evidence.strays_seen.after_reply),
        "{part} of {whole} stray octets come right after a reply's end",
    ),
    Symptom(
        "strays-after-request",
        "share of strays right after a request",
        PARTS,
        _stray(lambda v: v.evidence.strays_seen.after_request),
        "{part} of {whole} stray octets come right after a request's end",
    ),
    Symptom(
        "strays-before",
        "share of strays right before a sound frame",
        PARTS,
        _stray(lambda v: v.evidence.strays_seen.before),
        "{part} of {whole} stray octets come right before a frame",
    ),
    Symptom(
        "strays-zero",
        "share of strays that are 00",
        PARTS,
        _stray(lambda v: v.evidence.strays_seen.zeros),
        "{part} of {whole} stray octets are 00",
    ),
    Symptom(
        "strays-high",
        "share of strays that are a short 0 and then 1s",
        PARTS,
        _stray(lambda v: v.evidence.strays_seen.high),
        "{part} of {whole} stray octets are a short dip of the line (FF, FE, FC …)",
    ),
)
