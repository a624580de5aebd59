"""A simulated OSDP controller (control panel): polls its devices in turn, reacts to cards, repeats, gives up.

Rules used (sheet section 5): sequence 0 starts, then 1, 2, 3, 1 …; an unanswered command is repeated with the same
sequence number; a device may take 200 ms to answer; one that does not is off-line and is tried again from sequence 0.
A NAK 04 (wrong sequence) restarts from 0, any other NAK is an answer. It leaves two characters of silence before it
talks. How often it repeats (twice) and how long it leaves an off-line device alone (1 s) are free choices of this
simulation; the standard allows up to 8 s before a device counts as off-line (sheet 5.2).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.frame import Frame, Protocol, Role
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Command, NakCode, Reply
from benchtool.simulate.station import Station

REPLY_LIMIT_NS = 200_000_000
_REPEATS = 2
_OFFLINE_REST_NS = 1_000_000_000

CommandToSend = tuple[int, bytes]


@dataclass(slots=True)
class _Line:
    """What the panel knows of one device."""

    address: int
    sequence: int = 0
    online: bool = False
    rest_until_ns: int = 0
    queue: deque[CommandToSend] = field(default_factory=deque)


class Panel(Station):
    """A controller for the devices at `addresses`.

    `react(address, reply_code, data)` is called with each reply that carries an event and returns commands to queue
    for any device, as (address, command, data). `sequence` other than `sound` is a faulty controller's way with
    sequence numbers, once in `sequence_every` replies (specs.CONTROLLER_SEQUENCES).
    """

    def __init__(
        self,
        name: str,
        addresses: Sequence[int],
        settings: LineSettings,
        *,
        poll_gap_ns: int,
        crc: bool = True,
        react: Callable[[int, int, bytes], list[tuple[int, int, bytes]]] | None = None,
        starts_ns: int = 0,
        sequence: str = "sound",
        sequence_every: int = 12,
    ) -> None:
        self.name = name
        self._settings = settings
        self._gap_ns = max(poll_gap_ns, 2 * settings.char_ns)
        self._crc = crc
        self._react = react
        self._decoder = BusDecoder(settings)
        self._lines = {address: _Line(address) for address in addresses}
        self._order = deque(addresses)
        self._asked: _Line | None = None
        self._sent = b""
        self._tries = 0
        self._deadline_ns = 0
        self._next_ns = starts_ns
        self._quirk = sequence
        self._quirk_every = sequence_every
        self._until_quirk = sequence_every

    def defers(self) -> bool:
        """While it waits for a reply it does not talk into one."""
        return self._asked is not None

    def hear(self, chunk: Chunk) -> None:
        """Take octets; a sound reply from the device asked ends the wait."""
        for frame in self._decoder.feed(chunk):
            asked = self._asked
            if (
                asked is not None
                and frame.ok
                and frame.protocol is Protocol.OSDP
                and frame.role is Role.REPLY
                and frame.address == asked.address
            ):
                self._take_reply(asked, frame)

    def wake_ns(self) -> int | None:
        """The end of the wait for a reply, or the next poll."""
        return self._deadline_ns if self._asked is not None else self._next_ns

    def act(self, now_ns: int) -> bytes | None:
        """Repeat, give up, or send the next command."""
        if self._asked is not None:
            if now_ns < self._deadline_ns:
                return None
            if self._tries <= _REPEATS:
                return self._send(now_ns)
            self._asked.online = False
            self._asked.sequence = 0
            self._asked.rest_until_ns = now_ns + _OFFLINE_REST_NS
            self._asked.queue.clear()
            self._asked = None
            self._next_ns = now_ns + self._gap_ns
            return None
        if now_ns < self._next_ns:
            return None
        line = self._choose(now_ns)
        if line is None:
            self._next_ns = min(other.rest_until_ns for other in self._lines.values())
            return None
        code, data = line.queue.popleft() if line.queue else (Command.POLL, b"")
        self._asked = line
        self._tries = 0
        self._sent = build_frame(line.address, code, data, sequence=line.sequence, crc=self._crc)
        return self._send(now_ns)

    def _choose(self, now_ns: int) -> _Line | None:
        for _ in range(len(self._order)):
            address = self._order[0]
            self._order.rotate(-1)
            line = self._lines[address]
            if line.rest_until_ns <= now_ns:
                return line
        return None

    def _send(self, now_ns: int) -> bytes:
        self._tries += 1
        self._deadline_ns = now_ns + len(self._sent) * self._settings.char_ns + REPLY_LIMIT_NS
        return self._sent

    def _take_reply(self, line: _Line, frame: Frame) -> None:
        code, data = _code_and_data(frame.octets)
        refused = code == Reply.NAK and data[:1] == bytes((NakCode.SEQUENCE,))
        if frame.octets[4] & 0x03 != line.sequence and not refused:
            return
        self._asked = None
        self._next_ns = frame.end_ns + self._gap_ns
        if refused:
            line.sequence = 0
            return
        if not line.online:
            line.online = True
            line.queue.extend(((Command.ID, b"\0"), (Command.CAP, b"\0")))
        line.sequence = self._after(line.sequence)
        if self._react is not None:
            for address, command, payload in self._react(line.address, code, data):
                if address in self._lines and self._lines[address].online:
                    self._lines[address].queue.append((command, payload))

    def _after(self, sequence: int) -> int:
        """The number of the next command, after that of this one."""
        if self._quirk == "sound":
            return sequence % 3 + 1
        if self._quirk == "zero":
            return 0
        self._until_quirk -= 1
        if self._until_quirk:
            return sequence % 3 + 1
        self._until_quirk = self._quirk_every
        return sequence if self._quirk == "repeats" else (sequence + 1) % 3 + 1


def _code_and_data(octets: bytes) -> tuple[int, bytes]:
    """Code and data of a sound frame without security block."""
    check = 2 if octets[4] & 0x04 else 1
    return octets[5], octets[6:-check]
