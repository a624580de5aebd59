"""A simulated OSDP controller (control panel): polls its devices in turn, reacts to cards, repeats, gives up.

Rules used (sheet section 5): sequence 0 starts, then 1, 2, 3, 1 …; an unanswered command is repeated with the same
sequence number; a device may take 200 ms to answer; one that does not is off-line and is tried again from sequence 0.
A NAK 04 (wrong sequence) restarts from 0, any other NAK is an answer. It leaves two characters of silence before it
talks. How often it repeats (twice) and how long it leaves an off-line device alone (1 s) are free choices of this
simulation; the standard allows up to 8 s before a device counts as off-line (sheet 5.2). BUSY is followed by the same
command once more (sheet 5.1). After COM it goes on with the new address and bit rate (sheet 5.5).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.frame import Frame, Protocol, Role
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.check import BROADCAST, REPLY_LIMIT_NS
from benchtool.frames.osdp.codes import Command, NakCode, Reply
from benchtool.frames.osdp.header import parse
from benchtool.simulate.station import Station

if TYPE_CHECKING:  # its ciphers are loaded only where a secure channel is wanted
    from benchtool.simulate.osdp_panel_session import PanelSession

_REPEATS = 2
_OFFLINE_REST_NS = 1_000_000_000
_REFUSED_REST_NS = 8_000_000_000
"""So long a device that refused every key is left alone: longer than a session lasts without commands (sheet 5.2)."""
_CHANGE_REST_NS = 50_000_000
"""Time for a device to change its bit rate after COM; common practice, no published source."""
_WITHOUT_SESSION = frozenset({Reply.ACK, Reply.NAK, Reply.PDID, Reply.PDCAP})
"""What is believed in clear of a device that has to be talked to over a secure channel."""

CommandToSend = tuple[int, bytes]


@dataclass(slots=True)
class _Line:
    """What the panel knows of one device."""

    address: int
    session: PanelSession | None = None
    sequence: int = 0
    online: bool = False
    rest_until_ns: int = 0
    opening: deque[CommandToSend] = field(default_factory=deque)
    queue: deque[CommandToSend] = field(default_factory=deque)
    again: tuple[int, bytes, bytes] | None = None
    """Code, data and octets of a command that was answered BUSY."""


class Panel(Station):
    """A controller for the devices at `addresses`.

    `react(address, reply_code, data)` is called with each reply that carries an event and returns commands to queue
    for any device, as (address, command, data). `sequence` other than `sound` is a faulty controller's way with
    sequence numbers, once in `sequence_every` replies (specs.CONTROLLER_SEQUENCES).

    A device with an entry in `sessions` is talked to over a secure channel; what it says in clear is then not believed,
    unless `clear_too` and it refused every key. `notice(address, text)` is called when a device comes or goes.
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
        sessions: Mapping[int, PanelSession] | None = None,
        clear_too: bool = False,
        notice: Callable[[int, str], None] | None = None,
    ) -> None:
        self.name = name
        self._settings = settings
        self._gap_ns = max(poll_gap_ns, 2 * settings.char_ns)
        self._crc = crc
        self._react = react
        self._decoder = BusDecoder(settings)
        self._lines = {address: _Line(address, (sessions or {}).get(address)) for address in addresses}
        self._order = deque(addresses)
        self._asked: _Line | None = None
        self._sent = b""
        self._code, self._data = 0, b""
        self._clear_too = clear_too
        self._notice = notice
        self._baud: int | None = None
        self._tries = 0
        self._deadline_ns = 0
        self._next_ns = starts_ns
        self._quirk = sequence
        self._quirk_every = sequence_every
        self._until_quirk = sequence_every

    def send(self, address: int, code: int, data: bytes = b"") -> None:
        """Have a command sent at the device's next turn; KeyError where there is no such device."""
        self._lines[address].queue.append((code, data))

    @property
    def addresses(self) -> list[int]:
        """The devices that are polled, at the addresses that they have now."""
        return list(self._lines)

    def is_online(self, address: int) -> bool:
        """Whether the device answers, and over its secure channel if it has to."""
        line = self._lines[address]
        return line.online and (line.session is None or self._may_talk(line))

    def session(self, address: int) -> PanelSession | None:
        """The device's secure channel, if it has one."""
        return self._lines[address].session

    def baud(self) -> int | None:
        """The bit rate that a COMSET has set."""
        return self._baud

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
            self._give_up(self._asked, now_ns)
            return None
        if now_ns < self._next_ns:
            return None
        line = self._choose(now_ns)
        if line is None:
            self._next_ns = min(other.rest_until_ns for other in self._lines.values())
            return None
        self._asked = line
        self._tries = 0
        if line.again is not None:
            self._code, self._data, self._sent = line.again
            line.again = None
            return self._send(now_ns)
        self._code, self._data = self._next_command(line)
        if line.session is None:
            self._sent = build_frame(line.address, self._code, self._data, sequence=line.sequence, crc=self._crc)
        else:
            self._sent = line.session.build(line.address, self._code, self._data, sequence=line.sequence, crc=self._crc)
        return self._send(now_ns)

    def _give_up(self, line: _Line, now_ns: int) -> None:
        if line.online:
            self._tell(line, "does not answer any more")
        line.rest_until_ns = now_ns + _OFFLINE_REST_NS
        line.queue.clear()
        self._begin_again(line)
        self._asked = None
        self._next_ns = now_ns + self._gap_ns

    def _begin_again(self, line: _Line) -> None:
        line.online = False
        line.sequence = 0
        line.again = None
        line.opening.clear()
        if line.session is not None:
            line.session.drop()

    def _next_command(self, line: _Line) -> CommandToSend:
        if line.opening:
            return line.opening.popleft()
        if line.session is not None and line.online:
            step = line.session.step()
            if step is not None:
                return step
        while line.queue and self._may_talk(line):
            code, data = line.queue.popleft()
            if code != Command.KEYSET or (line.session is not None and line.session.active):
                return code, data
            self._tell(line, "is sent no key: it has no secure channel")
        return Command.POLL, b""

    def _may_talk(self, line: _Line) -> bool:
        session = line.session
        return session is None or session.active or (self._clear_too and session.refused)

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
        header = parse(frame.octets)
        if header is None or header.code is None:
            return
        code, data = header.code, frame.octets[header.data_start : header.data_end]
        clear = header.security_block is None
        if clear and code == Reply.BUSY:
            line.again = self._code, self._data, self._sent
            self._done(frame)
            return
        refused = clear and code == Reply.NAK and data[:1] == bytes((NakCode.SEQUENCE,))
        if header.sequence != line.sequence and not refused:
            return
        if line.session is not None and not refused:
            taken = line.session.take(frame.octets, self._code)
            if not isinstance(taken, tuple):
                if taken is taken.LOST:
                    self._lost(line, frame)
                return
            code, data = taken
        self._done(frame)
        if refused:
            if line.session is None:
                line.sequence = 0
            else:
                self._begin_again(line)
            return
        if not line.online:
            line.online = True
            line.opening.extend(((Command.ID, b"\0"), (Command.CAP, b"\0")))
            self._tell(line, "answers")
        line.sequence = self._after(line.sequence)
        if not self._may_talk(line) and code not in _WITHOUT_SESSION:
            return
        if self._code == Command.COMSET and code == Reply.COM and len(data) == 5:
            self._follow(line, data, frame.end_ns)
        if self._react is not None:
            for address, command, payload in self._react(line.address, code, data):
                if address in self._lines and self._lines[address].online:
                    self._lines[address].queue.append((command, payload))

    def _done(self, frame: Frame) -> None:
        self._asked = None
        self._next_ns = frame.end_ns + self._gap_ns

    def _lost(self, line: _Line, frame: Frame) -> None:
        """The device has no session: begin again, or, where it takes no key, later."""
        self._begin_again(line)
        self._done(frame)
        if line.session is not None and line.session.refused and not self._clear_too:
            self._tell(line, "takes none of the keys; it is asked again in 8 s")
            line.rest_until_ns = frame.end_ns + _REFUSED_REST_NS
            line.session.retry()

    def _follow(self, line: _Line, data: bytes, now_ns: int) -> None:
        """Go on with the address and bit rate that the device has said in COM."""
        address, baud = data[0], int.from_bytes(data[1:], "little")
        try:
            replace(self._settings, baud=baud)
        except ValueError:
            baud = 0
        if address >= BROADCAST or not baud:
            self._tell(line, "says an address or bit rate that cannot be: it is asked on as before")
            return
        self._begin_again(line)
        line.rest_until_ns = now_ns + _CHANGE_REST_NS
        if address != line.address and address in self._lines:
            self._tell(line, f"has the address {address} of another device now")
            return
        del self._lines[line.address]
        self._order[self._order.index(line.address)] = address
        line.address = address
        self._lines[address] = line
        if len(self._lines) == 1:
            self._baud = baud
        self._tell(line, f"has address {address} and {baud} bit/s now")

    def _tell(self, line: _Line, text: str) -> None:
        if self._notice is not None:
            self._notice(line.address, text)

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
