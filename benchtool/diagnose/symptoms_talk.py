"""Symptoms: how the talkers behave (times, order, sequence numbers), and what undoings prove."""

from __future__ import annotations

from collections.abc import Callable
from math import log10

from benchtool.capture.settings import Parity
from benchtool.diagnose.symptom import RARE, SHARES, TINY, Measured, Symptom, View, part_of
from benchtool.frames.frame import Protocol
from benchtool.measure.conduct import AddressConduct
from benchtool.measure.exchange import REPLY_LIMIT_NS

_QUANTILES = 5
_SMALL_SET = 64
"""Values of another rate that tell something."""


def _latencies(view: View) -> list[Measured]:
    """Each address' median latency as a share of what its protocol allows."""
    return [
        Measured(
            c.latency_quantiles[2] / REPLY_LIMIT_NS[c.protocol],
            round(c.latency_quantiles[2] / 1e6, 1),
            REPLY_LIMIT_NS[c.protocol] // 1_000_000,
            c.address,
        )
        for c in view.conducts
        if len(c.latency_quantiles) == _QUANTILES
    ]


def _latency_apart(view: View) -> Measured | None:
    """The slowest address over the middle one of the others."""
    found = sorted(_latencies(view))
    if len(found) < 2:
        return None
    others = found[:-1]
    slowest, middle = found[-1], others[len(others) // 2]
    return Measured(slowest.value / max(1e-6, middle.value), slowest.part, middle.part, slowest.address)


def _latency_spread(view: View) -> Measured | None:
    floor = max(view.figures.resolution_ns, view.settings.char_ns)
    return view.worst(
        Measured((c.latency_quantiles[4] + floor) / (c.latency_quantiles[2] + floor), address=c.address)
        for c in view.conducts
        if c.answered >= 8 and len(c.latency_quantiles) == _QUANTILES
    )


def _drift(view: View) -> Measured | None:
    return view.worst(
        Measured(abs(log10(c.drift)), address=c.address) for c in view.conducts if c.drift is not None and c.drift > 0
    )


def _interval_low(view: View) -> Measured | None:
    lows = [Measured(c.interval_low, address=c.address) for c in view.conducts if c.interval_low is not None]
    return min(lows, key=lambda low: low.value, default=None)


def _at_worst(count: Callable[[AddressConduct], int], scale: float = 1) -> Callable[[View], Measured | None]:
    return lambda view: view.worst(view.conducted(count, scale=scale))


def _of_osdp(count: Callable[[AddressConduct], int]) -> Callable[[View], Measured | None]:
    return lambda view: view.worst(view.conducted(count, Protocol.OSDP))


def _unasked(view: View) -> Measured | None:
    return part_of(view.evidence.conduct.unasked, view.figures.sound)


TALK: tuple[Symptom, ...] = (
    Symptom(
        "outages",
        "outages of one address a request to it",
        (TINY, 0.003, 0.01, 0.03),
        _at_worst(lambda c: c.outages),
        "{at} fell silent for a while and came back {part} times in {whole} requests",
    ),
    Symptom(
        "outage-share",
        "share of an address' requests that fell in outages, worst address",
        RARE,
        _at_worst(lambda c: c.out_requests),
        "{at}: {part} of {whole} requests fell in times when it was away",
    ),
    Symptom(
        "latency",
        "greatest median latency, as a share of what is allowed",
        (0.02, 0.1, 0.3, 0.6, 1.0),
        lambda v: v.worst(_latencies(v)),
        "{at} answers after {part} ms; {whole} ms are allowed",
    ),
    Symptom(
        "latency-apart",
        "slowest address over the middle one of the others",
        (1.2, 2.0, 4.0, 10.0),
        _latency_apart,
        "{at} answers after {part} ms, the others after {whole} ms",
    ),
    Symptom(
        "latency-spread",
        "95 % quantile of an address' latency over its median",
        (1.1, 1.4, 2.0, 4.0),
        _latency_spread,
        "{at}: its slowest answers take {value} times as long as usual",
    ),
    Symptom(
        "latency-drift",
        "log10 of how latency changed from beginning to end",
        (0.03, 0.1, 0.3),
        _drift,
        "{at}: its latency changed over the time (log10 of the ratio {value})",
    ),
    Symptom(
        "late",
        "share of replies too late, worst address",
        RARE,
        _at_worst(lambda c: c.late),
        "{at}: {part} replies in {whole} requests came after the time allowed, or after the controller had gone on",
    ),
    Symptom(
        "second-replies",
        "share of requests with a second sound reply, worst address",
        RARE,
        _at_worst(lambda c: c.seconds),
        "{at}: {part} of {whole} requests were answered twice",
    ),
    Symptom(
        "unasked",
        "sound replies nobody asked for, as a share of all sound frames",
        RARE,
        _unasked,
        "{part} of {whole} sound frames are replies that nobody had asked for",
    ),
    Symptom(
        "cut-in",
        "share of requests that came before an answer could",
        RARE,
        lambda v: part_of(v.evidence.conduct.cut_in, v.requests) if v.finer_than(8) else None,
        "{part} of {whole} requests were followed by the next before an answer could come",
    ),
    Symptom(
        "odd-steps",
        "share of polls out of the usual order",
        (TINY, 0.02, 0.08, 0.2, 0.4),
        lambda v: part_of(v.evidence.conduct.odd_steps, v.evidence.conduct.steps, 8),
        "{part} of {whole} polls are out of the usual order",
    ),
    Symptom(
        "poll-interval-low",
        "shortest time between polls of an address over the usual one",
        (0.1, 0.3, 0.6, 0.9),
        _interval_low,
        "{at} is at times polled again after {value} of the usual time",
    ),
    Symptom(
        "sequence-wrong",
        "share of requests and replies whose sequence number is not the one that was due, worst address",
        RARE,
        _of_osdp(lambda c: c.jumps + c.repeats + c.restarts + c.mismatches + c.refused_numbers),
        "{at}: {part} of {whole} requests, or their replies, do not bear the sequence number that was due",
    ),
    Symptom(
        "sequence-jumps",
        "share of requests that leave a number out, worst address",
        RARE,
        _of_osdp(lambda c: c.jumps),
        "{at}: {part} of {whole} requests leave a sequence number out",
    ),
    Symptom(
        "sequence-repeats",
        "share of requests that use a number again, worst address",
        RARE,
        _of_osdp(lambda c: c.repeats),
        "{at}: {part} of {whole} requests use a sequence number again that was answered",
    ),
    Symptom(
        "sequence-restarts",
        "share of requests that begin afresh, worst address",
        RARE,
        _of_osdp(lambda c: c.restarts),
        "{at}: {part} of {whole} requests begin the sequence afresh though it was answering",
    ),
    Symptom(
        "sequence-mismatches",
        "share of replies with another number than asked, worst address",
        RARE,
        _of_osdp(lambda c: c.mismatches),
        "{at}: {part} replies to {whole} requests bear another sequence number",
    ),
    Symptom(
        "refusals",
        "share of requests refused, worst address",
        RARE,
        _at_worst(lambda c: c.refusals),
        "{at} refuses {part} of {whole} requests",
    ),
    Symptom(
        "numbers-refused",
        "share of requests refused for their number, worst address",
        RARE,
        _of_osdp(lambda c: c.refused_numbers),
        "{at} refuses {part} of {whole} requests for their sequence number",
    ),
)


def _inverted_share(view: View) -> Measured | None:
    found = view.proofs.at_tap
    return part_of(found.passed, found.tried, 1)


def _inverted_kinds(view: View) -> Measured:
    found = view.proofs.at_tap
    return Measured(found.kinds_passed, found.kinds_passed, found.kinds)


def _inverted_at_device(view: View) -> Measured | None:
    if not view.asked:
        return None
    rows = [
        Measured(found.kinds_passed, found.passed, found.tried, key[1])
        for key, found in view.proofs.at_address.items()
        if found.tried
    ]
    return view.worst(rows) or Measured(0.0)


def _rate_fit(view: View) -> Measured | None:
    """0 where no usual rate fits."""
    rate = view.proofs.rate
    if rate is None or rate.values is None or rate.values.set_size > _SMALL_SET:
        return Measured(0.0) if view.frames else None
    return Measured(rate.values.share, rate.values.inside, rate.values.total)


def _rate_kinds(view: View) -> Measured | None:
    rate = view.proofs.rate
    if rate is None:
        return Measured(0.0) if view.frames else None
    return Measured(rate.kinds_strong, rate.kinds_strong, rate.kinds)


def _format_share(view: View) -> Measured | None:
    found = view.proofs.format
    if found is None:
        return Measured(0.0) if view.frames else None
    return part_of(found.passed, found.tried, 1)


def _format_kinds(view: View) -> Measured | None:
    found = view.proofs.format
    if found is None:
        return Measured(0.0) if view.frames else None
    return Measured(found.kinds_passed, found.kinds_passed, found.kinds)


def _awaiting_parity(view: View) -> Measured | None:
    return part_of(view.spans, view.frames) if view.settings.format.parity is not Parity.NONE else None


UNDONE: tuple[Symptom, ...] = (
    Symptom(
        "inverted-share",
        "share of damaged spans that are sound with the wires swapped",
        SHARES,
        _inverted_share,
        "with the two wires swapped on paper, {part} of {whole} damaged spans hold frames whose check value passes",
    ),
    Symptom(
        "inverted-kinds",
        "different frames found with the wires swapped",
        (0.5, 1.5, 3.5),
        _inverted_kinds,
        "with the two wires swapped on paper, {part} different frames are found",
    ),
    Symptom(
        "inverted-at-device",
        "different frames found with the wires swapped where one address should answer",
        (0.5, 1.5),
        _inverted_at_device,
        "where {at} should answer, {part} of {whole} damaged spans are sound with the two wires swapped on paper",
    ),
    Symptom(
        "format-share",
        "share of damaged spans that are sound as sent in 8N1",
        SHARES,
        _format_share,
        "read as sent in 8N1, {part} of {whole} damaged spans hold frames whose check value passes",
    ),
    Symptom(
        "format-kinds",
        "different frames found when read as sent in 8N1",
        (0.5, 1.5, 3.5),
        _format_kinds,
        "read as sent in 8N1, {part} different frames are found",
    ),
    Symptom(
        "seven-bits",
        "whether our receiver takes 7 data bits, as no bus of the trade does",
        (0.5,),
        lambda v: Measured(float(v.settings.format.data_bits < 8)),
        "our receiver is set to 7 data bits (1: yes, 0: no): {value}",
    ),
    Symptom(
        "damage-awaiting-parity",
        "damaged share where our receiver waits for a parity bit",
        (0.02, 0.3, 0.9),
        _awaiting_parity,
        "{part} of {whole} frames and spans are damaged, and our receiver waits for a parity bit",
    ),
    Symptom(
        "rate-fit",
        "share of octets that a receiver too fast by a usual rate can deliver",
        (0.5, 0.9, 0.99),
        _rate_fit,
        "{part} of {whole} octets lie among the few values that a receiver too fast can deliver",
    ),
    Symptom(
        "rate-kinds",
        "different frames found at another rate",
        (0.5, 1.5, 3.5),
        _rate_kinds,
        "read at another rate, {part} different frames are found",
    ),
)
