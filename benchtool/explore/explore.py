"""From what a tap delivered to what the traffic is made of: claims with their confidence, and a protocol table.

First the check value, for it tells sound frames from damaged ones; all else is learned from sound frames alone. What
the traffic does not determine is said, not guessed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from benchtool.capture.chunk import Item, TapInfo
from benchtool.explore.bursts import chunks_of, line_errors_of
from benchtool.explore.claims import Claim, What
from benchtool.explore.cutting import Cutting, cuttings
from benchtool.explore.explained import CheckResult
from benchtool.explore.fields import constant_places, fixed_head, fixed_tail
from benchtool.explore.lengths import LengthFound, length_fields
from benchtool.explore.same import merged
from benchtool.explore.talk import Roles, Seen, period_of, roles_of
from benchtool.explore.unexplained import unexplained
from benchtool.explore.whom import told_whom
from benchtool.explore.words import check_words, counted, hex_words, length_words, place_words
from benchtool.frames.decoders import decode_all
from benchtool.frames.frame import Frame, Protocol, Role
from benchtool.frames.protocol_table import MOST_LENGTH, LengthRule, ProtocolTable, RoleRule
from benchtool.frames.table_decoder import TableDecoder

LEAST_OCTETS = 24
_MOST_LENGTHS = 24
_FINE_NS = 5_000_000
"""Coarser taps than this hand over request and reply in one lump."""
_MOSTLY = 0.7
"""Share of the frames that a check value should explain; damage seldom leaves fewer."""
_MOST_SOUND = 4000
_BELIEVED = 0.5
"""A check value that leaves more of the octets unexplained is the shadow of another, or chance (judgement)."""
_MARKED = 0.1
"""More line errors an octet than these come of a wrong setting, hardly of noise (judgement)."""


@dataclass(frozen=True, slots=True)
class Explored:
    """Everything that can be said of the traffic."""

    claims: tuple[Claim, ...]
    open_questions: tuple[str, ...]
    """What the traffic does not determine, in words."""
    table: ProtocolTable | None
    """None where too little is known to find a frame."""
    check: CheckResult
    octets: int
    sound: int
    """Frames in which everything known is right."""
    damaged: int
    """Damaged frames and unknown spans."""

    def claim(self, what: What) -> Claim | None:
        """The claim about something, if there is one."""
        return next((claim for claim in self.claims if claim.what is what), None)


def explore(items: Sequence[Item], info: TapInfo, *, name: str = "unnamed") -> Explored:
    """Work out what the traffic is made of. `items` in order of time; `info` says how they were heard."""
    chunks = chunks_of(items)
    octets = sum(len(chunk.octets) for chunk in chunks)
    if octets < LEAST_OCTETS:
        note = f"{octets} octets are too few to say anything; listen longer"
        return Explored((), (note,), None, CheckResult(), octets, 0, 0)
    cutting = cuttings(chunks, info)
    result = merged(cutting.result, cutting.sound)
    wrong = line_errors_of(items)
    if wrong >= _MARKED * octets:
        note = (
            f"{wrong} line errors in {octets} octets: the bit rate or the character format set here is probably wrong; "
            "try --baud auto where the bus is live, or another --baud and --format"
        )
        if result.best is None:
            # What a wrong rate makes of octets has a pattern too, but says nothing of the bus.
            return Explored((), (note,), None, result, octets, 0, 0)
        result = replace(result, notes=(note, *result.notes))
    shape = _shape(cutting, result, info, name)
    frames = decoded(shape.table, items, info)
    good = [frame.octets for frame in frames if frame.protocol is Protocol.TABLE and frame.ok]
    if result.best is not None and len(good) > 1.2 * len(cutting.sound):
        # Frames that silences had not parted are found now: learn from them too.
        shape = _shape(replace(cutting, pieces=tuple(good)), result, info, name)
        frames = decoded(shape.table, items, info)
        good = [frame.octets for frame in frames if frame.protocol is Protocol.TABLE and frame.ok]
    best, explained = result.best, sum(map(len, good))
    if best is not None and explained <= _BELIEVED * octets:
        note = (
            f"{check_words(best.check)} would explain {best.right} of {best.total} different frames, "
            f"{explained / octets:.0%} of the octets: too little to be believed"
        )
        result = CheckResult(notes=(note,), distinct=result.distinct)
        cutting = replace(cutting, result=result)
        shape = _shape(cutting, result, info, name)
        frames = decoded(shape.table, items, info)
    return _told(items, frames, shape, cutting, result, info, octets)


def decoded(table: ProtocolTable, items: Sequence[Item], info: TapInfo) -> list[Frame]:
    """All frames and spans, read by a table."""
    return decode_all(TableDecoder(table, info.settings, info.resolution_ns), items)


@dataclass(frozen=True, slots=True)
class _Shape:
    table: ProtocolTable
    head: bytes
    tail: bytes
    lengths: tuple[int, ...]
    fields: tuple[LengthFound, ...]


def _shape(cutting: Cutting, result: CheckResult, info: TapInfo, name: str) -> _Shape:
    """What whole frames look like from outside."""
    check = result.best.check if result.best is not None else None
    sound = cutting.sound[:_MOST_SOUND]
    distinct = list(dict.fromkeys(sound))
    if check is None:
        # Nothing tells damaged ones from others: what is seen once only is left out, if enough is left.
        counts = Counter(sound)
        often = [frame for frame, count in counts.items() if count > 1 and len(frame) > 2]
        mostly = sum(counts[frame] for frame in often) >= _MOSTLY * len(sound)
        distinct = often if len(often) >= 3 and mostly else [frame for frame in distinct if len(frame) > 2] or distinct
    lengths = tuple(sorted({len(frame) for frame in distinct}))
    fields = length_fields(distinct)
    # Without a check value a poll that comes again and again counts each time, as damage hardly does.
    whole = set(distinct)
    seen = distinct if check is not None else [frame for frame in sound if frame in whole]
    head, tail = fixed_head(seen), fixed_tail(seen)
    if check is not None:
        tail = tail[len(tail) - check.tail :] if check.tail else b""
    # Of frames that are all alike, every octet begins and ends them: one is left to the beginning.
    tail = tail[max(0, len(tail) + 1 - lengths[0]) :]
    rule = _usable(fields, lengths)
    keeps = rule is None and 0 < len(lengths) <= _MOST_LENGTHS
    table = ProtocolTable(
        name=name,
        settings=info.settings,
        starts=(head[:1],) if head else (),
        ends=(tail,) if tail else (),
        least=min(lengths[0], MOST_LENGTH),
        most=_most(rule, lengths),
        lengths=lengths if keeps else (),
        length=rule,
        silence_ns=cutting.pause_ns if not cutting.by_length and info.resolution_ns < cutting.pause_ns else 0,
        check=check,
    )
    return _Shape(table, head, tail, lengths, tuple(fields))


def _usable(fields: Sequence[LengthFound], lengths: Sequence[int]) -> LengthRule | None:
    return fields[0].rule if fields and fields[0].lengths >= min(2, len(lengths)) else None


def _most(rule: LengthRule | None, lengths: Sequence[int]) -> int:
    if rule is None:
        return min(MOST_LENGTH, lengths[-1])
    # A frame longer than any heard may come; a damaged length must not make the decoder wait for thousands.
    widest = rule.place.mask + rule.add
    return max(lengths[-1], min(MOST_LENGTH, widest, 4 * lengths[-1] + 64))


def _told(
    items: Sequence[Item],
    frames: Sequence[Frame],
    shape: _Shape,
    cutting: Cutting,
    result: CheckResult,
    info: TapInfo,
    octets: int,
) -> Explored:
    table, claims, still_open = shape.table, [], list(result.notes)
    seen: list[Seen] = []
    whole = True
    for frame in frames:
        if frame.ok and frame.protocol is Protocol.TABLE:
            seen.append(Seen(frame.t_ns, frame.end_ns, frame.octets, whole))
        whole = frame.ok
    good = [frame.octets for frame in seen]
    variety = len(set(good))
    claims.append(_boundary(cutting, result))
    fixed = table.least - (table.check.size + table.check.tail if table.check else 0)
    other = set(range(fixed, 8))
    if table.length is not None:
        other |= set(range(table.length.place.at, table.length.place.at + table.length.place.size))
    roles = roles_of(seen, other)
    constant = constant_places(good, table.least - (table.check.size if table.check else 0)) if good else []
    table = _told_talk(table, seen, roles, constant, shape, info.resolution_ns < cutting.pause_ns, claims, still_open)
    if table.reply_within_ns is not None and 2 * info.resolution_ns >= table.reply_within_ns:
        table = replace(table, reply_within_ns=None)
        still_open.append(
            f"who speaks is not in the table: times are no finer than {info.resolution_ns / 1e6:g} ms at this tap"
        )
    starts = _starts(table, shape, good, roles, claims, still_open, variety)
    table = replace(table, starts=starts)
    if shape.tail:
        claims.append(Claim(What.END, f"frames end with {hex_words(shape.tail)}", min(variety, 50)))
    _length_claims(shape, claims, still_open)
    best = result.best
    if best is not None:
        rivals = tuple(check_words(one.check) for one in result.explanations[1:])
        # Where it leaves much unexplained, frames may be cut wrong, and what stands around it read wrong with them.
        score = (2.0 if best.proved else 1.0) / (1 + len(rivals)) * min(1.0, best.right / best.total / _MOSTLY)
        if table.length is None and info.resolution_ns > _FINE_NS:
            # Lumps that nothing but the check value parts: a sum of two frames together is a sum as well.
            score *= 0.5
        proof = f"{best.right} of {best.total} different frames right"
        if best.proof_total:
            proof += f"; proved on {best.proof_right} of {best.proof_total} that the search had not seen"
        claims.append(Claim(What.CHECK, f"{check_words(best.check)}: {proof}", score, rivals))
    else:
        still_open.append("no check value was found: damaged frames cannot be told from sound ones")
    final = decoded(table, items, info)
    sound = sum(frame.ok and frame.protocol is Protocol.TABLE for frame in final)
    still_open += unexplained(final, table)
    notes = tuple(f"{claim.what.value}: {claim.text} ({claim.percent})" for claim in claims)
    table = replace(table, notes=(*notes, *(f"open: {text}" for text in still_open)))
    order = list(What)
    claims.sort(key=lambda claim: order.index(claim.what))
    return Explored(tuple(claims), tuple(still_open), table, result, octets, sound, len(final) - sound)


def _boundary(cutting: Cutting, result: CheckResult) -> Claim:
    share = len(cutting.sound) / max(1, len(cutting.pieces)) if result.best is not None else 0.0
    if cutting.by_length:
        return Claim(What.BOUNDARY, "frames follow each other without silence; the length field parts them", share)
    text = f"frames are parted by silences of {cutting.pause_ns / 1e6:.2g} ms or more"
    return Claim(What.BOUNDARY, text, share)


def _told_talk(
    table: ProtocolTable,
    seen: Sequence[Seen],
    roles: Roles | None,
    constant: Sequence[int],
    shape: _Shape,
    fine: bool,
    claims: list[Claim],
    still_open: list[str],
) -> ProtocolTable:
    if roles is None:
        still_open.append("who asks and who answers cannot be told")
        return table
    rule = roles.rule
    # Lumps of a coarse tap hide who was silent before whom.
    score = roles.lean * (1.0 if roles.order > 0.97 else 0.5) * (1.0 if fine else 0.5)
    claims.append(Claim(What.ROLE, _role_words(rule, roles.reply_within_ns), score))
    period = period_of(seen, roles.roles)
    if period is not None:
        claims.append(Claim(What.PERIOD, f"a request every {period[0] / 1e6:.1f} ms", min(period[1], score)))
    skip = [*constant]
    if table.length is not None:
        skip += range(table.length.place.at, table.length.place.at + table.length.place.size)
    skip += range(len(shape.head))
    bit = None
    if rule is not None and rule.place.mask != 0xFF:
        bit = (rule.place.at, rule.place.mask)
    checked = table.check.size + table.check.tail if table.check is not None else 0
    skip += [at for at in range(8) if at >= table.least - checked]
    address, reply_address, counter = told_whom(seen, roles.roles, skip, bit, claims, still_open)
    return replace(
        table,
        role=rule,
        reply_within_ns=roles.reply_within_ns,
        address=address,
        reply_address=reply_address,
        counter=counter,
        period_ns=period[0] if period is not None else None,
    )


def _role_words(rule: RoleRule | None, within_ns: int | None) -> str:
    if rule is None:
        return f"replies follow silences below {(within_ns or 0) / 1e6:.3g} ms, requests longer ones; no octet tells"
    reply, request = sorted(rule.reply), sorted(rule.request)
    told, side = (reply, "replies") if len(reply) <= len(request) else (request, "requests")
    values = " or ".join(f"{value:02X}" for value in told[:4])
    where = place_words(rule.place)
    if rule.place.mask != 0xFF:
        state = "set" if rule.reply == frozenset((rule.place.mask,)) else "clear"
        return f"{where} is {state} in replies"
    return f"{where} is {values} in {side} only"


def _starts(
    table: ProtocolTable,
    shape: _Shape,
    good: Sequence[bytes],
    roles: Roles | None,
    claims: list[Claim],
    still_open: list[str],
    variety: int,
) -> tuple[bytes, ...]:
    head = shape.head
    if head:
        one = len(head) == 1
        text = f"frames begin with {hex_words(head)}"
        if not one:
            still_open.append(f"{hex_words(head[1:])} after the first octet may be fields that did not change")
        # A bus with one device shows its address, its command, in the same place all the time.
        claims.append(Claim(What.START, text, min(variety, 50) if table.address is not None else 1))
        return (head if not one and table.address is not None else head[:1],)
    if roles is not None and {Role.REQUEST, Role.REPLY} <= set(roles.roles):
        asked = fixed_head([octets for octets, role in zip(good, roles.roles, strict=True) if role is Role.REQUEST])
        answered = fixed_head([octets for octets, role in zip(good, roles.roles, strict=True) if role is Role.REPLY])
        if asked and answered and asked[0] != answered[0]:
            ask, answer = asked[0], answered[0]
            claims.append(
                Claim(What.START, f"requests begin with {ask:02X}, replies with {answer:02X}", min(variety, 50))
            )
            return (bytes((ask,)), bytes((answer,)))
    return ()


def _length_claims(shape: _Shape, claims: list[Claim], still_open: list[str]) -> None:
    fields = shape.fields
    if fields:
        first = fields[0]
        others = tuple(length_words(one.rule) for one in fields[1:5])
        score = min(first.lengths, 8) + (0.0 if others else 0.5)
        claims.append(
            Claim(What.LENGTH, f"{length_words(first.rule)}, for {first.lengths} different lengths", score, others)
        )
    elif len(shape.lengths) == 1:
        still_open.append(f"all frames have {shape.lengths[0]} octets: whether a field tells the length cannot be told")
    else:
        still_open.append(f"no field tells the length; lengths heard: {counted(shape.lengths)}")
