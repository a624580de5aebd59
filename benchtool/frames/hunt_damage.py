"""Names octets that are no good frame: damaged OSDP or Modbus frames where enough speaks for it, else unknown spans.

The rules are in docs/decoding.md. Facts: OSDP sheet 5.1 and 5.2, Modbus sheet 3.1.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from benchtool.frames.frame import Protocol, Reason, Role
from benchtool.frames.hunt_candidates import code_known
from benchtool.frames.hunt_good import Experience
from benchtool.frames.hunt_roles import Roles
from benchtool.frames.modbus import lengths as rules
from benchtool.frames.osdp import check
from benchtool.frames.stream import Stream

MAX_SPAN = check.MAX_LENGTH
"""An unknown span without any silence is cut at this many octets."""
MAX_LEAD = 32
"""Mark octets FF before a start octet that are taken as belonging to it; a longer run is no mark."""
_HEAD = 6
"""Header and one octet: with these a start octet that begins no damaged frame never will."""
_TRUNCATED, _CHECK_FAILED = Reason.TRUNCATED, Reason.CHECK_FAILED
_BAD_HEADER, _NOT_RECOGNISED = Reason.BAD_HEADER, Reason.NOT_RECOGNISED


class Piece(NamedTuple):
    """Octets `start` to `end` as one damaged frame or unknown span; its mark octets begin at `lead`."""

    lead: int
    start: int
    end: int
    protocol: Protocol
    reason: Reason
    role: Role = Role.UNKNOWN


class Claim(NamedTuple):
    """A damaged OSDP frame: where it stops, why it is not sound, and whether more octets could change that."""

    stop: int
    reason: Reason
    certain: bool


def lead_start(octets: bytes, stream: Stream, som: int, least: int) -> int:
    """Where the mark octets directly before a start octet begin; `som` where there are none."""
    at = som
    least = max(least, som - MAX_LEAD)
    while at > least and octets[at - 1] == check.MARK and not stream.marked(at - 1) and not stream.is_break(at):
        at -= 1
    return at


class Damage:
    """Cuts octets that hold no good frame into pieces. `expecting`: a frame is to be expected at position 0."""

    __slots__ = ("_clear", "_known", "_limit_ns", "_roles", "_stream", "expecting")

    def __init__(self, stream: Stream, experience: Experience, roles: Roles, limit_ns: int) -> None:
        self._stream = stream
        self._known = experience
        self._roles = roles
        self._limit_ns = limit_ns
        self._clear = 0
        """No damaged frame begins before this position, whatever comes: saves looking again."""
        self.expecting = True

    def pieces(self, octets: bytes, end: int, closed: bool, ended: bool) -> Iterator[Piece]:
        """Pieces of octets 0 to `end`, in order, until one is not certain.

        `closed`: nothing that could belong to the last piece follows `end`. `ended`: `end` is as good as a silence.
        """
        at = 0
        expecting = self.expecting
        while at < end:
            pause = self._stream.next_break(at, end)
            stop = end if pause is None else pause
            certain = closed or pause is not None or ended
            expecting = expecting or self._stream.is_break(at)
            found = self._claim_within(octets, at, stop, end, expecting, closed)
            if found is not None:
                upto, certain = found[0], found[2].certain
            else:
                upto = stop
            while upto - at > MAX_SPAN + (0 if certain else MAX_LEAD):
                yield self._unknown(at, at + MAX_SPAN)
                at += MAX_SPAN
                expecting = self.expecting = False
            if not certain:
                return
            if found is None:
                yield self._span(octets, at, stop, expecting)
                at = stop
                expecting = self.expecting = False
                continue
            lead, som, claim = found
            if lead > at:
                yield self._span(octets, at, lead, False)
            role = Role.UNKNOWN
            if claim.stop > som + 1:
                role = Role.REPLY if octets[som + 1] & check.REPLY_BIT else Role.REQUEST
            yield Piece(lead, som, claim.stop, Protocol.OSDP, claim.reason, role)
            at = claim.stop
            expecting = self.expecting = claim.reason is _CHECK_FAILED

    def _claim_within(
        self, octets: bytes, at: int, stop: int, end: int, expecting: bool, closed: bool
    ) -> tuple[int, int, Claim] | None:
        som = octets.find(check.SOM, max(at, self._clear) if not (at or closed) else at, stop)
        while som >= 0:
            lead = lead_start(octets, self._stream, som, at)
            claim = self._claim(octets, som, end, expecting and lead == at, closed)
            if claim is not None:
                return lead, som, claim
            som += 1
            if not (at or closed) and end - som > _HEAD and self._clear < som:
                self._clear = som
            som = octets.find(check.SOM, som, stop)
        return None

    def reset(self) -> None:
        """The octets before position 0 are decided, and a frame is to be expected there."""
        self._clear = 0
        self.expecting = True

    def moved(self, count: int) -> None:
        """The first `count` octets are gone."""
        self._clear = max(0, self._clear - count)

    def _claim(self, octets: bytes, som: int, end: int, expected: bool, closed: bool) -> Claim | None:
        """Whether a start octet begins a damaged OSDP frame of which octets up to `end` are there."""
        established = self._known.osdp
        pause = self._stream.next_break(som, end)
        head_end = end if pause is None else pause
        there = head_end - som
        plausible = check.is_header_plausible(octets[som : min(head_end, som + 6)])
        if not plausible or there < check.HEADER_LENGTH:
            if not (established and expected):
                return None
            reason = _TRUNCATED if plausible else _BAD_HEADER
            ended = closed or pause is not None
            # Mark octets at the end may yet be the lead of a good frame.
            if there > MAX_SPAN and (ended or there >= MAX_SPAN + MAX_LEAD):
                return Claim(som + MAX_SPAN, reason, True)
            return Claim(head_end, reason, ended)
        if not self._believable(octets, som, head_end, expected):
            return None
        length = octets[som + 2] | octets[som + 3] << 8
        pause = self._stream.next_break(som, min(som + length, end), self._limit_ns)
        if pause is not None:
            return Claim(pause, _TRUNCATED, True)
        if som + length <= end:
            return Claim(som + length, _CHECK_FAILED, True)
        return Claim(end, _TRUNCATED, closed)

    def _believable(self, octets: bytes, som: int, end: int, expected: bool) -> bool:
        """Whether a header that can be is one, by its place, its code and what the bus has shown."""
        if expected and self._known.osdp:
            return True
        if not self._known.osdp and (not expected or self._known.modbus):
            return False
        code_at = som + check.HEADER_LENGTH
        if octets[som + 4] & check.HAS_SECURITY_BLOCK and code_at < end:
            code_at += octets[code_at]
        return code_at >= end or code_known(octets, som, code_at)

    def _unknown(self, start: int, end: int) -> Piece:
        return Piece(start, start, end, Protocol.UNKNOWN, _NOT_RECOGNISED)

    def _span(self, octets: bytes, start: int, end: int, delimited: bool) -> Piece:
        """A span between silences (or good frames) when `delimited`: a damaged Modbus frame, or unknown."""
        known = self._known
        length = end - start
        if (
            not delimited
            or octets[start] > rules.MAX_ADDRESS
            or length > rules.MAX_LENGTH
            or (known.osdp and not known.modbus)
        ):
            return self._unknown(start, end)
        asked = self._roles.asked
        sure = self._roles.by_way(self._stream.direction(start, end))
        if sure is None and asked is not None and asked[: min(2, length)] == octets[start : start + min(2, length)]:
            sure = Role.REPLY
        fits = [row for row in rules.lengths(octets, start, end) if row[1] in (Role.UNKNOWN, sure or row[1])]
        for size, role in fits:
            if size == length >= rules.MIN_LENGTH:
                return Piece(start, start, end, Protocol.MODBUS_RTU, _CHECK_FAILED, sure or role)
        seen = known.modbus and octets[start] in known.addresses
        if seen and fits and (fits[-1][0] < 0 or length < fits[-1][0]):
            return Piece(start, start, end, Protocol.MODBUS_RTU, _TRUNCATED, sure or Role.UNKNOWN)
        return self._unknown(start, end)
