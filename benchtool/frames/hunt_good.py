"""Finds the first good frame among pending octets, and knows when to wait for one that may still prove good.

Which frame wins where two claim the same octets is said in docs/decoding.md. Every rule depends on octets and their
times alone, and a decision taken on some octets stays the same when more arrive.
"""

from __future__ import annotations

from bisect import insort

from benchtool.frames.frame import Frame, Protocol
from benchtool.frames.hunt_candidates import ENDLESS, Candidate, modbus_at, osdp_at
from benchtool.frames.hunt_roles import Roles
from benchtool.frames.modbus.lengths import KNOWN, is_exception
from benchtool.frames.osdp.check import SOM
from benchtool.frames.stream import Stream


class Experience:
    """What this bus has shown so far: which protocols are established, which Modbus addresses speak."""

    __slots__ = ("addresses", "modbus", "modbus_count", "osdp", "osdp_count")

    def __init__(self) -> None:
        self.osdp = False
        self.modbus = False
        self.osdp_count = 0
        self.modbus_count = 0
        self.addresses: set[int] = set()
        """Modbus addresses of good frames."""

    def learn(self, frame: Frame) -> None:
        """Take a good frame. The first protocol is established by one, a second one beside it by two."""
        if frame.protocol is Protocol.OSDP:
            self.osdp_count += 1
            self.osdp = self.osdp or self.osdp_count > 1 or not self.modbus
        else:
            self.modbus_count += 1
            self.modbus = self.modbus or self.modbus_count > 1 or not self.osdp
            self.addresses.add(frame.octets[0])


class Hunter:
    """Keeps the places of `stream` where a frame may lie. `anchored`: a frame is to be expected at position 0."""

    __slots__ = ("_due", "_found", "_known", "_looked", "_roles", "_stream", "anchored", "limit_ns")

    def __init__(self, stream: Stream, experience: Experience, roles: Roles, limit_ns: int) -> None:
        self._stream = stream
        self._roles = roles
        self._known = experience
        self._found: list[Candidate] = []
        self._due = ENDLESS
        """The least count of octets at which a candidate is to be looked at again."""
        self._looked = 0
        self.anchored = True
        self.limit_ns = limit_ns

    def moved(self, count: int) -> None:
        """The first `count` octets are gone; what was found in the rest stays true."""
        self._found = [
            candidate._replace(
                start=candidate.start - count,
                end=candidate.end - count if candidate.end != ENDLESS else ENDLESS,
                need=candidate.need - count,
            )
            for candidate in self._found
            if candidate.start >= count
        ]
        self._due = min((candidate.need for candidate in self._found if not candidate.good), default=ENDLESS)
        self._looked = max(0, self._looked - count)
        self.anchored = False

    def reset(self) -> None:
        """A frame was taken out, or the octets end here: look at the rest afresh."""
        self._found.clear()
        self._due = ENDLESS
        self._looked = 0
        self.anchored = True

    def first_open(self) -> int | None:
        """Position of the first place where a frame may lie."""
        return self._found[0].start if self._found else None

    def hunt(self, octets: bytes, final: bool, silent: bool) -> Candidate | None:
        """The first good frame that nothing undecided stands before.

        `final`: no more octets belong to these. `silent`: a break is known to follow the last one.
        """
        end = len(octets)
        again = self._found and (final or silent or self._due <= end)
        if again:
            due = self._take_due(ENDLESS if final or silent else end)
            for candidate in due:
                self._look_at(octets, candidate.start, end, final, silent, candidate.osdp)
            chosen = self._choose()
            if chosen is not None:
                return chosen
        at = self._looked
        while at < end:
            at = self._next_place(octets, at, end)
            if at >= end:
                break
            after = self._look(octets, at, end, final, silent)
            found = after > at
            at = self._looked = max(at + 1, after)
            if found:
                chosen = self._choose()
                if chosen is not None:
                    return chosen
        self._looked = max(self._looked, end)
        return None

    def _take_due(self, end: int) -> list[Candidate]:
        """Take out the candidates that wait for `end` octets or fewer."""
        due = [candidate for candidate in self._found if not candidate.good and candidate.need <= end]
        self._found = [candidate for candidate in self._found if candidate.good or candidate.need > end]
        self._due = min((candidate.need for candidate in self._found if not candidate.good), default=ENDLESS)
        return due

    def _keep(self, candidate: Candidate) -> None:
        if not candidate.good:
            self._due = min(self._due, candidate.need)
        insort(self._found, candidate)

    def _anywhere(self) -> bool:
        """Whether Modbus frames are looked for at every place, not only after a silence or a good frame."""
        return self._known.modbus or not self._known.osdp

    def _next_place(self, octets: bytes, at: int, end: int) -> int:
        if self._anywhere():
            return at
        if at == 0 and (self.anchored or self._stream.is_break(0)):
            return 0
        place = octets.find(SOM, at, end)
        if place < 0:
            place = end
        pause = self._stream.next_break(at - 1, place)
        return place if pause is None else pause

    def _look(self, octets: bytes, at: int, end: int, final: bool, silent: bool) -> int:
        """Look at one place; answers where to look next: past a good frame."""
        after = at
        if octets[at] == SOM:
            after = self._look_at(octets, at, end, final, silent, True)
        return max(after, self._look_at(octets, at, end, final, silent, False))

    def _look_at(self, octets: bytes, at: int, end: int, final: bool, silent: bool, osdp: bool) -> int:
        if osdp:
            candidate = osdp_at(octets, at, end, self._expected(octets, at))
        else:
            candidate = self._modbus(octets, at, end, final, silent)
        if candidate is None:
            return at
        if not candidate.good:
            if not final:
                self._keep(candidate)
            return at
        if self._gives_way(octets, candidate):
            return at
        self._keep(candidate)
        return candidate.end

    def _expected(self, octets: bytes, at: int) -> bool:
        """Whether an OSDP frame at `at` is no surprise."""
        if self._known.osdp:
            return True
        while at and octets[at - 1] == 0xFF and not self._stream.is_break(at):
            at -= 1
        return self._stream.is_break(at) or (at == 0 and self.anchored)

    def _modbus(self, octets: bytes, at: int, end: int, final: bool, silent: bool) -> Candidate | None:
        sure = self._stream.is_break(at) or (at == 0 and self.anchored)
        if not sure:
            if self._known.modbus:
                if octets[at] not in self._known.addresses:
                    return None
            elif self._known.osdp:
                return None
            if at + 1 < end:
                function = octets[at + 1]
                if function not in KNOWN and not is_exception(function, octets[at + 2] if at + 2 < end else None):
                    return None
        delimiter = self._stream.next_break(at, end)
        if delimiter is None and (final or silent):
            delimiter = end
        due = self._roles.is_due(octets[at : at + 2], self._stream.start_ns(at))
        candidate = modbus_at(octets, at, end, delimiter, sure, due)
        if sure or self._known.modbus or candidate is None:
            return candidate
        if not candidate.good:
            return candidate._replace(weak=True)
        wanted = self._backed(octets, candidate.end, end, final, silent)
        if wanted < 0:
            return None
        return candidate._replace(weak=True, good=False, need=wanted) if wanted else candidate

    def _backed(self, octets: bytes, at: int, end: int, final: bool, silent: bool) -> int:
        """Whether a frame of no established protocol that ends at `at` is borne out by what follows.

        0: it is, by a silence, the end, or a good frame. Below 0: it is not. Else so many octets are needed to tell.
        """
        if self._stream.is_break(at) or (at == end and (final or silent)):
            return 0
        if at >= end:
            return end + 1
        wanted = -1
        for candidate in (
            osdp_at(octets, at, end, False) if octets[at] == SOM else None,
            modbus_at(octets, at, end, None, False),
        ):
            if candidate is not None:
                if candidate.good:
                    return 0
                if not final:
                    wanted = candidate.need if wanted < 0 else min(wanted, candidate.need)
        return wanted

    def _gives_way(self, octets: bytes, outer: Candidate) -> bool:
        """Whether a good frame gives way to one that lies wholly inside it."""
        breaks = self._stream.breaks
        broken = bool(breaks) and self._stream.next_break(outer.start, outer.end, self._pause(outer)) is not None
        if not (broken or self._outranked(outer) or (outer.osdp and outer.weak)):
            return False
        known = self._known
        for at in range(outer.start + 1, outer.end - 3):
            inner = None
            if octets[at] == SOM:
                inner = osdp_at(octets, at, outer.end, self._expected(octets, at))
                if inner is not None and inner.good and self._overrides(outer, inner):
                    return True
            sure = self._stream.is_break(at)
            if sure or (known.modbus and octets[at] in known.addresses):
                inner = modbus_at(octets, at, outer.end, self._stream.next_break(at, outer.end), sure)
                if inner is not None and inner.good and self._overrides(outer, inner):
                    return True
        return False

    def _pause(self, outer: Candidate) -> int:
        """The silence that makes an outer frame give way to one after it."""
        return self.limit_ns if outer.osdp else 0

    def _outranked(self, outer: Candidate) -> bool:
        known = self._known
        return (not known.osdp and known.modbus) if outer.osdp else not known.modbus

    def _overrides(self, outer: Candidate, inner: Candidate) -> bool:
        """Whether `inner`, good, shows that `outer` is none."""
        if not (outer.start < inner.start and inner.end <= outer.end):
            return False
        if outer.osdp:
            if outer.weak and inner.osdp:
                return True
            if not inner.osdp and self._known.modbus and not self._known.osdp:
                return True
        elif inner.osdp and not self._known.modbus:
            return True
        stream = self._stream
        return bool(stream.breaks) and stream.next_break(outer.start, inner.start + 1, self._pause(outer)) is not None

    def _choose(self) -> Candidate | None:
        """The first good frame, unless one that may still prove good stands before it."""
        good = [candidate for candidate in self._found if candidate.good]
        if not good:
            return None
        first = good[0]
        for outer in self._found:
            if outer.good or outer.start > first.start:
                continue
            if outer.start == first.start and (outer.osdp is first.osdp or not (outer.osdp and self._known.osdp)):
                continue
            if not any(self._overrides(outer, inner) for inner in good):
                return None
        return first
