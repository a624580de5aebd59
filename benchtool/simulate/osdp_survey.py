"""Who answers on an OSDP bus: asks every address in turn what it is, sans-IO, and judges what comes back.

Each address is asked for its identity with sequence number 0 and a checksum, which every device must understand (sheet
5.1); who answers is asked for capabilities, tamper and power, whether it takes the default key, and its identity again,
for times and for a second device at the address. No POLL is sent: it would fetch a card that the controller wants.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.frame import Frame, Protocol, Role
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.check import REPLY_LIMIT_NS
from benchtool.frames.osdp.codes import Command, NakCode, Reply
from benchtool.frames.osdp.header import parse
from benchtool.frames.osdp.secure import BLOCK, DEFAULT, DEFAULT_KEY, RANDOM_LENGTH, SessionKeys, same
from benchtool.simulate.station import Station

_LINGER_NS = 50_000_000
"""After a reply the line is heard for so long: a second device may be slower than the first."""
_AGAIN = 4
"""How often the identity is asked again of who answered."""


_NOT_ABOUT_KEYS = tuple(bytes((code,)) for code in (NakCode.CHECK, NakCode.LENGTH, NakCode.SEQUENCE))
"""Refusals of the frame, not of what it asks (sheet 5.4)."""


@dataclass(slots=True)
class Answers:
    """What came back from one address."""

    address: int
    asked: int = 0
    sound: int = 0
    garbled: int = 0
    """Asks after which octets came that are no sound reply."""
    doubled: int = 0
    """Asks after which more than one sound reply came."""
    silent: int = 0
    identities: list[bytes] = field(default_factory=list)
    """Each PDID payload that was heard (12 octets); more than one is more than one device."""
    capabilities: bytes | None = None
    tamper: bool | None = None
    power_failed: bool | None = None
    nak: int | None = None
    """Why it refused to say what it is."""
    default_key: bool | None = None
    """Whether it takes the default key; None where that was not found out."""
    latencies_ns: list[int] = field(default_factory=list)

    @property
    def there(self) -> bool:
        """Whether anything at all answers."""
        return bool(self.sound or self.garbled)

    @property
    def clash(self) -> bool:
        """Whether two devices have this address: two replies, or two identities, were heard."""
        return self.doubled > 0 or len(self.identities) > 1

    @property
    def doubtful(self) -> bool:
        """Whether answers were mostly damaged: two devices that talk at once, or a bad line."""
        return not self.clash and self.garbled > 0 and 2 * self.garbled >= self.asked - self.silent


class Surveyor(Station):
    """Asks `addresses`; `answers` grows as they are done with, `done` when all are.

    `random` gives so many unpredictable octets for the question after the default key, which is left out where None.
    `on_done(answers)` is called after each address.
    """

    def __init__(
        self,
        addresses: Sequence[int],
        settings: LineSettings,
        *,
        wait_ns: int = REPLY_LIMIT_NS,
        tries: int = 2,
        random: Callable[[int], bytes] | None = None,
        on_done: Callable[[Answers], None] | None = None,
    ) -> None:
        self.name = "survey"
        self.answers: list[Answers] = []
        self._settings = settings
        self._wait_ns = wait_ns
        self._tries = tries
        self._random = random
        self._on_done = on_done
        self._left = list(addresses)[::-1]
        self._gap_ns = 2 * settings.char_ns
        self._decoder = BusDecoder(settings)
        self._now: Answers | None = None
        self._steps: list[tuple[int, bytes, bytes | None]] = []
        self._sequence = 0
        self._first = True
        self._tried = 0
        self._asking: tuple[int, bytes] | None = None
        self._rnd_a = b""
        self._sent_ns = 0
        self._deadline_ns = 0
        self._next_ns = 0
        self._replies: list[Frame] = []
        self._damage = 0

    @property
    def done(self) -> bool:
        """Whether every address has been asked."""
        return not self._left and self._now is None

    def is_done(self) -> bool:
        """The same, to be called."""
        return self.done

    def defers(self) -> bool:
        """While it waits for a reply it does not talk into one."""
        return self._asking is not None

    def hear(self, chunk: Chunk) -> None:
        """Take octets."""
        self._take(self._decoder.feed(chunk))
        if self._asking is not None:
            quiet_ns = chunk.end_ns + max(_LINGER_NS, self._decoder.end_ns)
            self._deadline_ns = (
                max(quiet_ns, self._sent_ns + _LINGER_NS) if self._replies else max(self._deadline_ns, quiet_ns)
            )

    def _take(self, frames: list[Frame]) -> None:
        asked = self._now
        for frame in frames:
            mine = frame.protocol is Protocol.OSDP and asked is not None and frame.address == asked.address
            if frame.ok and mine and frame.role is Role.REPLY:
                self._replies.append(frame)
            elif not frame.ok or frame.protocol is not Protocol.OSDP:
                self._damage += len(frame.octets)

    def wake_ns(self) -> int | None:
        """The end of the wait for a reply, or the next question; None when all are asked."""
        if self._asking is not None:
            return self._deadline_ns
        return None if self.done else self._next_ns

    def act(self, now_ns: int) -> bytes | None:
        """Judge what came, or ask on."""
        if self._asking is not None:
            if now_ns < self._deadline_ns:
                return None
            self._take(self._decoder.flush(now_ns))
            self._judge(now_ns)
            return None
        if now_ns < self._next_ns or self.done:
            return None
        if self._now is None:
            self._now = Answers(self._left.pop())
            self._sequence = self._tried = 0
            self._first = True
            self._steps = [(Command.ID, b"\0", None)]
        code, data, block = self._steps[0]
        self._asking = code, data
        self._replies, self._damage = [], 0
        self._now.asked += 1
        octets = build_frame(self._now.address, code, data, sequence=self._sequence, crc=False, security_block=block)
        self._sent_ns = now_ns + len(octets) * self._settings.char_ns
        self._deadline_ns = self._sent_ns + self._wait_ns
        return octets

    def _judge(self, now_ns: int) -> None:
        at = self._now
        assert at is not None
        assert self._asking is not None
        code, self._asking = self._asking[0], None
        self._next_ns = now_ns + self._gap_ns
        self._tried += 1
        if self._damage:
            at.garbled += 1
        if self._replies:
            at.sound += 1
            at.doubled += len(self._replies) > 1
            at.latencies_ns.append(max(0, self._replies[0].t_ns - self._sent_ns))
            for reply in self._replies:
                self._learn(at, code, reply)
            self._answered(at)
        elif self._tried < self._tries or (self._damage and self._tried <= self._tries):
            at.silent += not self._damage
        else:
            at.silent += not self._damage
            self._answered(at, missed=True)

    def _answered(self, at: Answers, *, missed: bool = False) -> None:
        """On to the next step, or the next address."""
        first, self._first = self._first, False
        self._steps.pop(0)
        self._tried = 0
        # Whether the device has counted a question whose answer was lost is not known: 0 is always right.
        self._sequence = 0 if missed else self._sequence % 3 + 1
        if first and not missed:
            self._steps = [(Command.CAP, b"\0", None), (Command.LSTAT, b"", None)]
            self._steps += [(Command.ID, b"\0", None)] * _AGAIN
            if self._random is not None:
                self._rnd_a = self._random(RANDOM_LENGTH)
                self._steps.append((Command.CHLNG, self._rnd_a, bytes((3, 0x11, DEFAULT))))
        if not self._steps:
            self.answers.append(at)
            self._now = None
            if self._on_done is not None:
                self._on_done(at)

    def _learn(self, at: Answers, asked: int, frame: Frame) -> None:
        header = parse(frame.octets)
        if header is None:
            return
        data = frame.octets[header.data_start : header.data_end]
        if asked == Command.CHLNG:
            if header.code == Reply.CCRYPT:
                at.default_key = self._proves(data)
            elif header.code == Reply.NAK and data[:1] not in _NOT_ABOUT_KEYS:
                at.default_key = False
        elif header.code == Reply.PDID and len(data) == 12:
            if data not in at.identities:
                at.identities.append(data)
        elif header.code == Reply.PDCAP:
            at.capabilities = data
        elif header.code == Reply.LSTATR and len(data) == 2:
            at.tamper, at.power_failed = bool(data[0]), bool(data[1])
        elif header.code == Reply.NAK and asked == Command.ID:
            at.nak = data[0] if data else 0

    def _proves(self, data: bytes) -> bool:
        """Whether a CCRYPT proves that the device has the default key."""
        if len(data) != 2 * BLOCK:
            return False
        keys = SessionKeys.derive(DEFAULT_KEY, self._rnd_a)
        return same(keys.client_cryptogram(self._rnd_a, data[RANDOM_LENGTH:BLOCK]), data[BLOCK:])
