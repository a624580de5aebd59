"""Holds claims against the truth of invented protocols: the explorer's figures, and its calibration."""

from __future__ import annotations

import random
from dataclasses import dataclass

from benchtool.explore.claims import Claim, What
from benchtool.explore.explore import Explored
from benchtool.explore.invented import Invented, Traffic, build
from benchtool.frames.check_value import CheckValue
from benchtool.frames.frame import Role


@dataclass(frozen=True, slots=True)
class Verdict:
    """A claim and whether it was right; `listed` when the truth stands among its alternatives."""

    what: What
    score: float
    right: bool
    listed: bool


def same_check(found: CheckValue, made: Invented) -> bool:
    """Whether two check values agree on fresh frames of the bus, whatever they are called."""
    chooser = random.Random(99)
    code, asks, answers = made.commands[0]
    for _ in range(30):
        role, size = chooser.choice(((Role.REQUEST, asks), (Role.REPLY, answers)))
        address = chooser.choice(made.addresses)
        counter = chooser.randrange(made.counter_values)
        if not found.ok(build(made, address, code, counter, chooser.randbytes(size), role)):
            return False
    return found.size == made.check.size and found.tail == made.check.tail


def verdicts(found: Explored, made: Invented, heard: Traffic) -> list[Verdict]:
    """Every claim that the truth can judge. Missing claims are not here: see `missing`."""
    judged = []
    for claim in found.claims:
        right, listed = _right(claim, found, made, heard)
        judged.append(Verdict(claim.what, claim.score, right, right or listed))
    return judged


def _right(claim: Claim, found: Explored, made: Invented, heard: Traffic) -> tuple[bool, bool]:
    table = found.table
    if table is None:
        return False, False
    if claim.what is What.CHECK:
        flags = [same_check(one.check, made) for one in found.check.explanations]
        return flags[:1] == [True], any(flags)
    if claim.what is What.BOUNDARY:
        return found.sound >= 0.97 * (heard.frames - heard.damaged), False
    if claim.what is What.START:
        starts = {made.request_start, made.reply_start}
        return all(
            any(true.startswith(start[: len(true)]) and true for true in starts) for start in table.starts
        ), False
    if claim.what is What.END:
        return bool(made.end) and table.ends == (made.end,), False
    if claim.what is What.LENGTH:
        rule = table.length
        if rule is None or made.length_at is None:
            return False, False
        low = made.length_at + (made.length_size - 1 if not made.length_little else 0)
        at = rule.place.at + (rule.place.size - 1 if not rule.place.little else 0)
        right = at == low and rule.add == made.length_add
        return right, f"octet {low}" in " ".join(claim.alternatives)
    if claim.what is What.ROLE:
        return _role_right(found, made), False
    if claim.what is What.ADDRESS:
        assert table.address is not None
        return table.address.at == made.address_at, f"octet {made.address_at}" in " ".join(claim.alternatives)
    if claim.what is What.COUNTER:
        assert table.counter is not None
        return table.counter.at == made.counter_at, f"octet {made.counter_at}" in " ".join(claim.alternatives)
    assert table.period_ns is not None
    return abs(table.period_ns - heard.period_ns) <= 0.1 * heard.period_ns, False


def _role_right(found: Explored, made: Invented) -> bool:
    table = found.table
    assert table is not None
    if table.role is None:
        return made.role == "none"
    code, asks, answers = made.commands[0]
    address = next(one for one in made.addresses if one not in made.absent)
    ask = build(made, address, code, made.counter_first, bytes(asks), Role.REQUEST)
    answer = build(made, address, code, made.counter_first, bytes(answers), Role.REPLY)
    return table.role_of(ask) is Role.REQUEST and table.role_of(answer) is Role.REPLY


def missing(found: Explored, made: Invented) -> list[What]:
    """What could have been claimed and was not."""
    could = {What.CHECK, What.ROLE}
    if made.length_at is not None:
        could.add(What.LENGTH)
    if len(made.addresses) - len(made.absent) > 1:
        could.add(What.ADDRESS)
    if made.counter_at is not None:
        could.add(What.COUNTER)
    if made.request_start:
        could.add(What.START)
    claimed = {claim.what for claim in found.claims}
    return sorted(could - claimed, key=lambda what: what.value)
