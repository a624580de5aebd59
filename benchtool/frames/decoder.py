"""Finds the frames on a bus: OSDP, Modbus RTU, damaged ones, and unknown spans; which it is, is found out, not asked.

Sans-IO: octets and times go in, frames come out. It resynchronises by itself and never raises on input. The rules are
in docs/decoding.md. `hunt_fast` takes frames that lie end to end without damage; it gives the same frames, sooner.
"""

from __future__ import annotations

from benchtool.capture.chunk import Chunk, Gap, Item
from benchtool.capture.settings import LineSettings
from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.frames.hunt_candidates import Candidate
from benchtool.frames.hunt_damage import Damage, Piece, lead_start
from benchtool.frames.hunt_fast import run_fast
from benchtool.frames.hunt_good import Experience, Hunter
from benchtool.frames.hunt_roles import Roles
from benchtool.frames.osdp.check import REPLY_BIT
from benchtool.frames.stream import Stream

INTER_CHARACTER_NS = 20_000_000
"""OSDP: time-out between the characters of a frame (sheet 5.2)."""
_PIECE = 4096
"""So many octets of a chunk are looked at together: each frame taken out costs a copy of what is pending."""
_FORGET_OCTETS = 4
"""So many damaged octets may have been the reply that a Modbus request waits for."""


def break_ns(settings: LineSettings, resolution_ns: int) -> int:
    """The silence that separates unknown spans and Modbus frames: 3.5 characters (sheet 3.1) that can be seen."""
    return round(3.5 * settings.char_ns) + resolution_ns


class BusDecoder:
    """Feed it what a tap delivers, in order. It answers the frames that are certain by then.

    `resolution_ns` is the tap's: shorter silences cannot be told from none. A frame whose octets are all there is
    answered at once unless octets before it are undecided; damaged octets wait until what follows tells. `sent` is what
    our own Modbus frames are, where we talk.
    """

    def __init__(
        self, settings: LineSettings, resolution_ns: int = 0, *, fast: bool = True, sent: Role | None = None
    ) -> None:
        pause = break_ns(settings, resolution_ns)
        limit_ns = max(INTER_CHARACTER_NS + resolution_ns, pause)
        self.counters: dict[str, int] = {}
        """Octets that are in no frame, by name. There are none: every octet ends in a frame or a span."""
        self.end_ns = 2 * limit_ns
        """A silence this long ends whatever is pending, even where a frame would want more octets."""
        self.stream = Stream(pause, limit_ns)
        self.experience = Experience()
        self.roles = Roles(sent)
        self.hunter = Hunter(self.stream, self.experience, self.roles, limit_ns)
        self._damage = Damage(self.stream, self.experience, self.roles, limit_ns)
        self._fast = fast and sent is None

    def expect(self) -> None:
        """A frame is to be expected next: the octets before are all decided."""
        self.hunter.reset()
        self._damage.reset()

    @property
    def pending(self) -> int:
        """Octets that are not decided yet."""
        return len(self.stream.octets)

    def feed(self, item: Item) -> list[Frame]:
        """Take the next item; counted line errors are ignored, a gap ends whatever is pending."""
        out: list[Frame] = []
        if not isinstance(item, Chunk):
            if isinstance(item, Gap):
                out = self.close()
                self.stream.forget_time()
                self.expect()
                self.roles.asked = None
            return out
        at = run_fast(self, item, 0, out) if self._fast else 0
        if at < 0 or not item.octets:
            return out
        stream = self.stream
        ended_ns = stream.end_ns
        if at == 0 and ended_ns is not None and item.t_ns - ended_ns >= self.end_ns:
            if stream.octets:
                self._settle(out, True, False)
            self.expect()
        count = len(item.octets)
        while at < count:
            upto = at + _PIECE
            stream.append(item, at, upto)
            while self._settle(out, False, False):
                place = -stream.last_start()
                if place <= 0 or not self._fast:
                    continue
                stream.clear()
                at = run_fast(self, item, place, out)
                if at < 0:
                    return out
                upto = at + _PIECE
                stream.append(item, at, upto)
            at = upto
        return out

    def flush(self, t_ns: int) -> list[Frame]:
        """It is now `t_ns`, and all that was heard has been fed: decide what the silence until then decides."""
        out: list[Frame] = []
        ended_ns = self.stream.end_ns
        if self.stream.octets and ended_ns is not None:
            silence = t_ns - ended_ns
            if silence >= self.end_ns:
                self._settle(out, True, False)
            elif silence >= self.stream.break_ns:
                while self._settle(out, False, True):
                    pass
        return out

    def close(self) -> list[Frame]:
        """Nothing more comes: decide all that is pending."""
        out: list[Frame] = []
        if self.stream.octets:
            self._settle(out, True, False)
        return out

    def _settle(self, out: list[Frame], final: bool, silent: bool) -> bool:
        """Take out what is certain. Answers True, before it is done, after each good frame with octets after it."""
        stream, hunter = self.stream, self.hunter
        while stream.octets:
            octets = bytes(stream.octets)
            chosen = hunter.hunt(octets, final, silent)
            if chosen is not None:
                self._accept(octets, chosen, out)
                if final or not stream.octets:
                    continue
                return True
            if final:
                self._name(octets, len(octets), True, True, out)
                stream.drop(len(octets))
                self.expect()
                return False
            first = hunter.first_open()
            end = len(octets) if first is None else first
            gone = self._name(octets, end, False, silent and first is None, out)
            if gone:
                stream.drop(gone)
                hunter.moved(gone)
                self._damage.moved(gone)
            return False
        return False

    def _name(self, octets: bytes, end: int, closed: bool, ended: bool, out: list[Frame]) -> int:
        """Emit damaged frames and spans up to `end` as far as they are certain; answers how many octets that was."""
        gone = 0
        damage = self._damage
        for piece in damage.pieces(octets, end, closed, ended):
            self._emit(piece, octets, out)
            gone = piece.end
            if piece.end - piece.start >= _FORGET_OCTETS:
                self.roles.asked = None
        return gone

    def _accept(self, octets: bytes, good: Candidate, out: list[Frame]) -> None:
        lead = start = good.start
        end = good.end
        if start:
            if good.osdp:
                lead = self._lead(octets, start)
            if lead:
                self._name(octets, lead, True, True, out)
        if good.osdp:
            role = Role.REPLY if octets[start + 1] & REPLY_BIT else Role.REQUEST
            protocol = Protocol.OSDP
        else:
            protocol = Protocol.MODBUS_RTU
            stream = self.stream
            role = self.roles.judge(
                octets[start:end],
                good.role,
                stream.start_ns(start),
                stream.stop_ns(end - 1),
                stream.direction(start, end),
            )
        self._emit(Piece(lead, start, end, protocol, Reason.OK, role), octets, out)
        self.experience.learn(out[-1])
        self.stream.drop(end)
        self.expect()

    def _lead(self, octets: bytes, start: int) -> int:
        """Where the marks before a good OSDP frame begin: not inside a damaged frame that counts them as its own."""
        lead = lead_start(octets, self.stream, start, 0)
        if 0 < lead < start:
            damage = self._damage
            before = damage.expecting
            for piece in damage.pieces(octets, start, True, True):
                if piece.reason is Reason.CHECK_FAILED and piece.protocol is Protocol.OSDP:
                    lead = max(lead, piece.end)
            damage.expecting = before
        return lead

    def _emit(self, piece: Piece, octets: bytes, out: list[Frame]) -> None:
        lead, start, end, protocol, reason, role = piece
        stream = self.stream
        first_ns = stream.start_ns(lead)
        previous = stream.stop_before_ns(lead)
        out.append(
            Frame(
                protocol,
                stream.start_ns(start),
                stream.stop_ns(end - 1),
                octets[start:end],
                reason,
                role,
                None if previous is None else max(0, first_ns - previous),
                stream.marks(start, end),
                octets[lead:start],
                stream.direction(start, end),
            )
        )
