"""Symptoms: how much was heard, how much is damaged, which marks came, where damage stands in the conversation."""

from __future__ import annotations

from collections.abc import Callable
from math import log10

from benchtool.diagnose.symptom import (
    FEW,
    PARTS,
    RARE,
    SHARES,
    TINY,
    USUAL_FRAMES,
    Measured,
    Symptom,
    View,
    part_of,
    plain,
)
from benchtool.measure.tally import AddressFigures

_SEVERAL = 3.5
"""More things than are wrong where listening begins and ends in the middle of a frame."""


def _heard(view: View) -> Measured:
    return Measured(log10(view.frames + 1), view.figures.sound, view.frames)


def _counted(kind: str) -> Callable[[View], Measured | None]:
    """Counted marks are not tied to octets, but their share is known all the same."""
    return lambda view: part_of(view.figures.marks[kind], view.figures.octets, 20) if view.counted else None


def _in_sound(kind: Callable[[View], int]) -> Callable[[View], Measured | None]:
    return lambda v: part_of(kind(v), v.figures.octets - v.evidence.where.octets, 20) if v.marked else None


def _in_damage(kind: Callable[[View], int]) -> Callable[[View], Measured | None]:
    return lambda v: part_of(kind(v), v.evidence.where.octets, 8) if v.marked else None


def _rest(view: View, count: Callable[[AddressFigures], int]) -> Measured | None:
    """Over all addresses but the worst."""
    rows = sorted(view.tallied(count), key=lambda row: row.value)[:-1]
    return part_of(sum(row.part for row in rows), sum(row.whole for row in rows)) if rows else None


def _dead(a: AddressFigures) -> bool:
    return a.answered <= 0.02 * a.requests


def _dead_share(view: View) -> Measured | None:
    return part_of(sum(map(_dead, view.asked)), len(view.asked), 1)


def _dead_count(view: View) -> Measured | None:
    count = sum(map(_dead, view.asked))
    return Measured(count, count, len(view.asked)) if view.asked else None


def _dead_with_octets(view: View) -> Measured | None:
    dead = [a for a in view.asked if _dead(a)]
    return part_of(sum(a.damaged for a in dead), sum(a.requests for a in dead))


def _follows_one(view: View) -> Measured | None:
    """Damage after replies: how much more of it follows one address than its share of all replies."""
    after = view.evidence.where.after_reply_of
    total = sum(after.values())
    if total < FEW or len(view.asked) < 2 or not view.answered:
        return None
    replies = {(a.protocol, a.address): a.answered / view.answered for a in view.asked}
    return view.worst(Measured(n / total - replies.get(key, 0.0), n, total, key[1]) for key, n in after.items())


def _wrong_things(view: View) -> Measured:
    """A sound bus has none, but for a frame cut in two where listening began or ended.

    Of a long capture as many as `USUAL_FRAMES` of it would have; several stay several.
    """
    conduct = view.evidence.conduct
    count = view.spans + view.strays + view.requests - view.answered + conduct.unasked
    count += sum(
        c.outages + c.late + c.seconds + c.jumps + c.repeats + c.restarts + c.mismatches + c.refused_numbers
        for c in view.conducts
    )
    if view.finer_than(8):
        count += conduct.cut_in
    usual = count * min(1.0, USUAL_FRAMES / max(1, view.frames))
    return Measured(max(min(count, _SEVERAL), usual), count, view.frames)


def _where(count: Callable[[View], int]) -> Callable[[View], Measured | None]:
    return lambda view: part_of(count(view), view.spans)


def _sized(view: View) -> int:
    where = view.evidence.where
    return where.shorter + where.same_length + where.longer


AMOUNT: tuple[Symptom, ...] = (
    Symptom(
        "load",
        "share of the time in which octets came",
        (TINY, 0.003, 0.03, 0.3, 0.8),
        lambda v: plain(v.figures.bus_load),
        "octets came in {percent} of the time",
    ),
    Symptom(
        "frames-heard",
        "log10 of sound frames and damaged spans: none, a few, enough; more say nothing of what is wrong",
        (0.1, 1.0),
        _heard,
        "{whole} frames and spans were heard, {part} of them sound",
    ),
    Symptom(
        "addresses-asked",
        "addresses asked",
        (0.5, 1.5, 4.5, 12.5),
        lambda v: plain(len(v.asked)),
        "{value} addresses were asked",
    ),
    Symptom(
        "anything-wrong",
        "how many things are wrong, in 640 frames at most: damage, strays, requests without a reply, replies too many, "
        "numbers out of order",
        (0.5, 1.5, 3.5, 12, 60),
        _wrong_things,
        "{part} things are wrong beside {whole} frames and spans",
    ),
    Symptom(
        "damage",
        "damaged share of frames and spans",
        (TINY, 0.002, 0.01, 0.05, 0.2, 0.6, 0.97),
        lambda v: part_of(v.spans, v.frames),
        "{part} of {whole} frames and spans are damaged",
    ),
    Symptom(
        "failed-exchanges",
        "share of requests without a sound reply",
        RARE,
        lambda v: part_of(v.requests - v.answered, v.requests),
        "{part} of {whole} requests got no sound reply",
    ),
    Symptom(
        "marks-framing",
        "share of octets with a framing error",
        RARE,
        _counted("framing"),
        "{part} of {whole} octets have a framing error",
    ),
    Symptom(
        "marks-parity",
        "share of octets with a parity error",
        RARE,
        _counted("parity"),
        "{part} of {whole} octets have a parity error",
    ),
    Symptom(
        "marks-break",
        "share of octets that are breaks",
        RARE,
        _counted("break"),
        "{part} of {whole} octets are breaks (the line held low)",
    ),
    Symptom(
        "sound-with-framing",
        "share of sound frames' octets with a framing error",
        RARE,
        _in_sound(lambda v: v.evidence.marks.framing),
        "{part} of {whole} octets have a framing error although their frames are sound",
    ),
    Symptom(
        "sound-with-parity",
        "share of sound frames' octets with a parity error",
        RARE,
        _in_sound(lambda v: v.evidence.marks.parity),
        "{part} of {whole} octets have a parity error although their frames are sound",
    ),
    Symptom(
        "damage-with-framing",
        "share of damaged octets with a framing error",
        SHARES,
        _in_damage(lambda v: v.evidence.marks.damaged_framing),
        "{part} of {whole} octets in damaged spans have a framing error",
    ),
    Symptom(
        "damage-with-parity",
        "share of damaged octets with a parity error",
        SHARES,
        _in_damage(lambda v: v.evidence.marks.damaged_parity),
        "{part} of {whole} octets in damaged spans have a parity error",
    ),
    Symptom(
        "damage-with-breaks",
        "share of damaged octets that are breaks",
        SHARES,
        _in_damage(lambda v: v.evidence.marks.damaged_breaks),
        "{part} of {whole} octets in damaged spans are breaks",
    ),
    Symptom(
        "silent-worst",
        "share of requests met by silence, worst address",
        RARE,
        lambda v: v.worst(v.tallied(lambda a: a.silent)),
        "{at}: {part} of {whole} requests met by silence",
    ),
    Symptom(
        "silent-rest",
        "the same over all others",
        RARE,
        lambda v: _rest(v, lambda a: a.silent),
        "the other addresses: {part} of {whole} requests met by silence",
    ),
    Symptom(
        "damaged-worst",
        "share of requests with a damaged answer, worst address",
        RARE,
        lambda v: v.worst(v.tallied(lambda a: a.damaged)),
        "{at}: damaged octets instead of a reply after {part} of {whole} requests",
    ),
    Symptom(
        "damaged-rest",
        "the same over all others",
        RARE,
        lambda v: _rest(v, lambda a: a.damaged),
        "the other addresses: damaged octets instead of a reply after {part} of {whole} requests",
    ),
    Symptom(
        "dead-share",
        "share of the addresses asked that never answer",
        (TINY, 0.2, 0.5, 0.99),
        _dead_share,
        "{part} of {whole} addresses asked never give a sound answer",
    ),
    Symptom(
        "dead-count",
        "addresses asked that never answer",
        (0.5, 1.5, 2.5),
        _dead_count,
        "{part} of {whole} addresses asked never answer",
    ),
    Symptom(
        "dead-with-octets",
        "share of requests to never answering addresses that damaged octets follow",
        PARTS,
        _dead_with_octets,
        "damaged octets follow {part} of {whole} requests to addresses that never answer",
    ),
    Symptom(
        "in-slot",
        "share of damaged spans in a reply's place",
        PARTS,
        _where(lambda v: v.evidence.where.in_slot),
        "{part} of {whole} damaged spans stand where a reply is due",
    ),
    Symptom(
        "after-reply",
        "share of damaged spans after a reply",
        PARTS,
        _where(lambda v: v.evidence.where.after_reply),
        "{part} of {whole} damaged spans stand where the controller's next request is due",
    ),
    Symptom(
        "follows-one",
        "how much more damage follows one address' replies than its share",
        (0.02, 0.1, 0.25, 0.5),
        _follows_one,
        "{part} of {whole} damaged spans after replies come after those of {at}",
    ),
    Symptom(
        "first-wrong",
        "share of damaged spans that begin with a wrong octet",
        PARTS,
        _where(lambda v: v.evidence.where.first_wrong),
        "{part} of {whole} damaged spans do not begin as the frames of this bus do",
    ),
    Symptom(
        "cut-short",
        "share of damaged spans that stop too early",
        PARTS,
        _where(lambda v: v.evidence.where.truncated),
        "{part} of {whole} damaged spans begin like a frame and stop too early",
    ),
    Symptom(
        "end-sound",
        "share of damaged spans that end as a sound frame does",
        PARTS,
        _where(lambda v: v.evidence.where.end_sound),
        "{part} of {whole} damaged spans end as a sound frame does: only their beginning is damaged",
    ),
    Symptom(
        "reply-shorter",
        "share of damaged answers shorter than the device's sound ones",
        PARTS,
        lambda v: part_of(v.evidence.where.shorter, _sized(v)),
        "{part} of {whole} damaged answers are shorter than the same device's last sound one",
    ),
    Symptom(
        "reply-longer",
        "share of damaged answers longer than the device's sound ones",
        PARTS,
        lambda v: part_of(v.evidence.where.longer, _sized(v)),
        "{part} of {whole} damaged answers are longer than the same device's last sound one",
    ),
)
