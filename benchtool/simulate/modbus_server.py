"""A Modbus server on a line, sans-IO: hears requests, waits, answers. RTU or ASCII.

Rules used (sheet 3.1): it keeps quiet on a wrong check value, on what is for others, and on a broadcast, which it
obeys; 3.5 characters of silence before it talks; above 19200 bit/s 1.750 ms.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable, Mapping, Sequence

from benchtool.capture.chunk import Chunk, Direction
from benchtool.capture.settings import LineSettings
from benchtool.frames.frame import Frame
from benchtool.frames.modbus.lengths import RULES
from benchtool.simulate.modbus_counts import BUS_MESSAGES
from benchtool.simulate.modbus_faults import Faulty, Ill, Wrong
from benchtool.simulate.modbus_framing import Ear, Mode, gap_ns, unwrap, wrap
from benchtool.simulate.modbus_unit import Unit
from benchtool.simulate.station import Station

_KEPT_REQUESTS = 2
"""It works on one request and keeps one more; what comes then is lost."""


class Server(Station):
    """The server at `address` (1 to 247) that is `unit`, answering `reply_ns` after each request."""

    def __init__(
        self,
        name: str,
        address: int,
        settings: LineSettings,
        unit: Unit,
        *,
        mode: Mode = Mode.RTU,
        reply_ns: int = 0,
        resolution_ns: int = 0,
    ) -> None:
        if not 1 <= address <= 247:
            raise ValueError(f"a Modbus server has an address from 1 to 247, not {address}")
        self.name = name
        self.address = address
        self.unit = unit
        self.mode = mode
        self.reply_ns = reply_ns
        """From the request's last octet to the answer's first; never below the least silence."""
        self._settings = settings
        self._ear = Ear(mode, settings, resolution_ns)
        self._due: deque[tuple[int, bytes]] = deque()

    def hear(self, chunk: Chunk) -> None:
        """Take octets; a sound request to this server is answered after the turnaround."""
        for frame in self._ear.feed(chunk):
            # If it ended before this chunk, others have talked since, and nobody waits for an answer.
            if frame.end_ns >= chunk.t_ns:
                self.take(frame)

    def take(self, frame: Frame) -> None:
        """Take a frame that has just ended."""
        if frame.direction is Direction.SENT:
            return
        unit = unit_of(self.mode, frame)
        if unit is not None:
            self.unit.counts.add(BUS_MESSAGES)
            self.take_unit(unit, frame.end_ns)
        elif is_damage(frame):
            self.unit.counts.damaged()

    def take_unit(self, unit: bytes, end_ns: int) -> None:
        """Take address, function and data that ended at `end_ns`."""
        if unit[0] not in (self.address, 0) or not is_request(unit) or len(self._due) >= _KEPT_REQUESTS:
            return
        said = self.unit.answer(unit[1:], end_ns, broadcast=not unit[0])
        if said is not None:
            begin_ns = max(end_ns, self._due[-1][0]) if self._due else end_ns
            wait_ns = max(self.reply_ns, gap_ns(self.mode, self._settings))
            self._due.append((begin_ns + wait_ns, wrap(self.mode, bytes((self.address,)) + said)))

    def wake_ns(self) -> int | None:
        """When the next answer is due, or the silence tells that what was heard is over."""
        wakes = [wake for wake in (self._due[0][0] if self._due else None, self._ear.wake_ns) if wake is not None]
        return min(wakes, default=None)

    def act(self, now_ns: int) -> bytes | None:
        """Send the answer that is due."""
        for frame in self._ear.flush(now_ns):
            self.take(frame)
        if not self._due or now_ns < self._due[0][0]:
            return None
        octets = self._due.popleft()[1]
        self._ear.feed(Chunk(now_ns, now_ns + len(octets) * self._settings.char_ns, octets, b"", Direction.SENT))
        return octets


def unit_of(mode: Mode, frame: Frame) -> bytes | None:
    """Address, function and data of a frame that no line error touched; None for anything else."""
    unit = None if any(frame.marks) else unwrap(mode, frame)
    return unit if unit is not None and len(unit) > 1 else None


def is_damage(frame: Frame) -> bool:
    """Whether a frame counts as a communication error."""
    return not frame.ok or any(frame.marks)


class Servers(Station):
    """Several servers on one line, as one station: what is heard is decoded once for all of them.

    What one of them says is not heard by the others, as none of them needs it. `faults` are by address.
    """

    def __init__(
        self,
        name: str,
        members: Iterable[Server],
        settings: LineSettings,
        *,
        mode: Mode = Mode.RTU,
        resolution_ns: int = 0,
        faults: Mapping[int, Sequence[Ill]] | None = None,
    ) -> None:
        self.name = name
        self.members = list(members)
        wrong = faults or {}
        self._talkers: list[Station] = [
            Faulty(member, wrong[member.address], mode) if wrong.get(member.address) else member
            for member in self.members
        ]
        self._settings = settings
        self._mode = mode
        self._ear = Ear(mode, settings, resolution_ns)
        self._at: dict[int, list[int]] = {0: list(range(len(self.members)))}
        for place, member in enumerate(self.members):
            self._at.setdefault(member.address, []).append(place)
        self._busy: list[int] = []
        """Who may have something to say."""

    @property
    def spoilt(self) -> Counter[Wrong]:
        """How often each fault happened."""
        counts: Counter[Wrong] = Counter()
        for talker in self._talkers:
            if isinstance(talker, Faulty):
                counts.update(talker.spoilt)
        return counts

    def hear(self, chunk: Chunk) -> None:
        """Decode once; each server takes what is for it."""
        for frame in self._ear.feed(chunk):
            if frame.end_ns >= chunk.t_ns:
                self._take(frame)

    def _take(self, frame: Frame) -> None:
        if frame.direction is Direction.SENT:
            return
        unit = unit_of(self._mode, frame)
        if unit is None:
            if is_damage(frame):
                for member in self.members:
                    member.unit.counts.damaged()
            return
        for member in self.members:
            member.unit.counts.add(BUS_MESSAGES)
        for place in self._at.get(unit[0], ()):
            self.members[place].take_unit(unit, frame.end_ns)
            if place not in self._busy:
                self._busy.append(place)

    def _due(self) -> tuple[int, int] | None:
        """When somebody has something to say, and who."""
        wakes = [(self._talkers[place].wake_ns(), place) for place in self._busy]
        due = [(wake, place) for wake, place in wakes if wake is not None]
        self._busy = [place for _, place in due]
        return min(due, default=None)

    def wake_ns(self) -> int | None:
        """The first answer that is due, or when silence tells that what was heard is over."""
        due = self._due()
        wakes = [self._ear.wake_ns, None if due is None else due[0]]
        return min((wake for wake in wakes if wake is not None), default=None)

    def act(self, now_ns: int) -> bytes | None:
        """Send the answer that is due first, if one is."""
        for frame in self._ear.flush(now_ns):
            self._take(frame)
        due = self._due()
        if due is None or due[0] > now_ns:
            return None
        octets = self._talkers[due[1]].act(now_ns)
        if octets is not None:
            end_ns = now_ns + len(octets) * self._settings.char_ns
            self._ear.feed(Chunk(now_ns, end_ns, octets, b"", Direction.SENT))
        return octets


def is_request(unit: bytes) -> bool:
    """Whether address, function and data are not plainly a reply: of a reply's length, and not of a request's.

    A server hears its own address in requests only, so what might be either is one; also what repeats a request.
    """
    if unit[1] >= 0x80:
        return False
    shape = RULES.get(unit[1])
    frame = unit + b"\0\0"
    length = len(frame)
    return shape is None or shape.request(frame, 0, length) == length or shape.reply(frame, 0, length) != length
