"""A simulated OSDP device (peripheral): a reader, keypad or door interface that answers what it is asked.

Rules used (sheet section 5): the reply carries the request's sequence number and check kind; a repeated sequence
number gets the same reply again; an unknown command a NAK 03, a wrong sequence number a NAK 04, a security block a
NAK 05 where there is no secure channel. It begins at sequence 0 and waits two characters before it talks (sheet 5.2).
After a change of its address it takes whichever number comes first, and keeps its session: some controllers count on
(libosdp does, in its session), others begin at 0, which ends the session anyway.
A command to all is answered from the broadcast address (sheet 5.1). A command that fails its check is not answered: its
address may be damaged.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from benchtool.capture.settings import LineSettings
from benchtool.frames.frame import Frame, Protocol, Role
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.check import BROADCAST
from benchtool.frames.osdp.codes import Command, NakCode, Reply
from benchtool.simulate.answering import Answering
from benchtool.simulate.osdp_functions import Event, Functions
from benchtool.simulate.outage import Outages

if TYPE_CHECKING:  # its ciphers are loaded only where a secure channel is wanted
    from benchtool.simulate.osdp_device_session import DeviceSession

__all__ = ["Event", "Peripheral"]

_LOADS = frozenset({Command.LED, Command.BUZ, Command.OUT})
"""Commands that switch something on that draws current."""
_LOAD_NS = 60_000_000
"""From the command to the droop: the answer is mostly out by then."""


class Peripheral(Answering):
    """A device at `address` that answers `reply_ns` to 1.1 × `reply_ns` after it was asked, with events at their times.

    `identity` is the 12 octets of PDID, `capabilities` the records of PDCAP. ISTAT is answered with the last ISTATR
    event whose time has come, or `inputs` zeros. `sequence` other than `sound` is a faulty device's way with sequence
    numbers, once in `sequence_every` answers (specs.DEVICE_SEQUENCES). `session` is its secure channel, if it has one;
    `functions` is what it can do, made of the other arguments unless given.
    """

    def __init__(
        self,
        name: str,
        address: int,
        settings: LineSettings,
        *,
        identity: bytes,
        capabilities: bytes,
        reply_ns: int,
        rng: np.random.Generator,
        events: Iterable[Event] = (),
        inputs: int = 2,
        answers: bool = True,
        outages: Outages | None = None,
        sequence: str = "sound",
        sequence_every: int = 12,
        session: DeviceSession | None = None,
        functions: Functions | None = None,
    ) -> None:
        super().__init__(
            name,
            address,
            settings,
            reply_ns=max(reply_ns, 2 * settings.char_ns),
            rng=rng,
            answers=answers,
            outages=outages,
        )
        self._quirk = sequence
        self._quirk_every = sequence_every
        self.functions = functions or Functions(
            identity=identity, capabilities=capabilities, events=events, inputs=inputs
        )
        self.session = session
        self._baud: int | None = None
        self._sequence: int | None = None
        self._moved = False
        """Whether its address or bit rate has changed since it was last asked."""
        self._last_reply = b""

    def wants(self, octets: bytes) -> bool:
        """Its own requests: what others are asked, and their answers, change nothing here."""
        return len(octets) < 2 or octets[1] in (self.address, BROADCAST)

    def restart(self) -> None:
        """Begin with no sequence number, no reply to repeat and no secure channel."""
        self._sequence, self._moved = None, False
        self._last_reply = b""
        self.functions.restart()
        if self.session is not None:
            self.session.drop()

    def baud(self) -> int | None:
        """The bit rate that a COMSET has set, once it was answered."""
        return self._baud

    def act(self, now_ns: int) -> bytes | None:
        """Send the answer that is due; a new address and bit rate hold from then on (sheet 5.5, COMSET)."""
        octets = super().act(now_ns)
        if octets is not None and self.functions.new_line is not None:
            self.address, self._baud = self.functions.new_line
            self.functions.new_line = None
            self._sequence = None
            self._moved = True
        return octets

    def is_for_me(self, frame: Frame) -> bool:
        """A command to this address or to all."""
        mine = frame.protocol is Protocol.OSDP and frame.address in (self.address, BROADCAST)
        return mine and frame.role is Role.REQUEST

    def answer(self, frame: Frame) -> bytes | None:
        """The reply, or the last one again for a repeated sequence number."""
        if self._outages is not None and frame.octets[5] in _LOADS:
            self._outages.load_comes(frame.end_ns + _LOAD_NS)
        if self._quirk == "zero":
            return self._renumbered(self._sound_answer(frame))
        if self._quirk == "sound" or self._rng.random() * self._quirk_every >= 1:
            return self._sound_answer(frame)
        if self._quirk == "forgets":
            self._sequence = None
            return self._sound_answer(frame)
        before = self._last_reply
        return self._sound_answer(frame) if not before else self._stale(frame, before)

    def _renumbered(self, reply: bytes) -> bytes:
        """A reply as a device gives it that knows no number but 0."""
        check = 2 if reply[4] & 0x04 else 1
        return build_frame(reply[1] & 0x7F, reply[5], reply[6:-check], sequence=0, crc=check == 2, reply=True)

    def _stale(self, frame: Frame, before: bytes) -> bytes:
        """The reply before, once more; the right one is kept for the repeat."""
        self._sound_answer(frame)
        return before

    def _sound_answer(self, frame: Frame) -> bytes:
        control = frame.octets[4]
        sequence = control & 0x03
        asked = BROADCAST if frame.address == BROADCAST else self.address
        crc = bool(control & 0x04)
        if sequence:
            if sequence == self._sequence:
                return self._last_reply
            due = self._moved if self._sequence is None else sequence == self._sequence % 3 + 1
            if not due:
                wrong = bytes((NakCode.SEQUENCE,))
                return build_frame(asked, Reply.NAK, wrong, sequence=sequence, crc=crc, reply=True)
        self._sequence, self._moved = sequence, False
        if self.session is not None:
            self._last_reply = self.session.answer(frame.octets, asked, frame.end_ns, self.functions.do)
            return self._last_reply
        code, data = int(Reply.NAK), bytes((NakCode.SECURITY_UNSUPPORTED,))
        if not control & 0x08:
            check = 2 if crc else 1
            code, data = self.functions.do(frame.octets[5], frame.octets[6:-check], frame.end_ns)
        self._last_reply = build_frame(asked, code, data, sequence=sequence, crc=crc, reply=True)
        return self._last_reply
