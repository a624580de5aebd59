"""The standard's rules for who talks when, with which sequence number, and how soon: each breach is an event.

Takes sound OSDP frames in order. Nothing is concluded across damage or a gap, for what was missed may explain it.
Facts: sheet 5.1 (sequence numbers, repeats, BUSY) and 5.2 (200 ms, 8 s, two characters of silence).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from benchtool.capture.settings import LineSettings
from benchtool.frames.frame import Frame
from benchtool.frames.osdp.check import REPLY_LIMIT_NS
from benchtool.frames.osdp.codes import Command, NakCode, Reply
from benchtool.frames.osdp.events import Event, Kind
from benchtool.frames.osdp.header import Header

OFFLINE_NS = 8_000_000_000
_IDLE_CHARACTERS = 2
_IDLE_TOLERANCE = 0.95
"""Bit rates may be off by a few per cent, and with them what two characters last."""
_CALM = 20
"""So many sound frames must have come since damage before a silence too short is told: noise in it shortens it, too."""
_ZEROS = 4
"""So many answered commands with number 0 in a row are no restart any more."""
_SECOND_NS = 1_000_000_000
_MOST_ASKS = 16


class _Said(NamedTuple):
    """A frame, as far as it can be compared with another."""

    octets: bytes
    code: int
    sealed: bool
    data: bytes | None

    def says_as(self, other: _Said) -> bool:
        """Whether it says the same: a sealed frame that is sealed anew has another MAC, and no other meaning."""
        if self.octets == other.octets:
            return True
        alike = self.sealed and other.sealed and self.code == other.code and len(self.octets) == len(other.octets)
        return alike and (self.data is None or other.data is None or self.data == other.data)


class _Owed(NamedTuple):
    """An earlier command that was asked more often than it was answered, nothing damaged meanwhile."""

    sequence: int
    asks: tuple[int, ...]
    """When it was asked, and asked again."""


class _At:
    """What is remembered of one address."""

    __slots__ = (
        "answered", "asked_ns", "asks", "begun_damages", "busy", "damages", "last_reply", "last_sent", "offline",
        "owed", "repeated", "replied_ns", "replies", "sequence", "silent_since_ns", "spoilt", "spoilt_now",
        "unanswered", "zeros",
    )  # fmt: skip

    def __init__(self) -> None:
        self.sequence: int | None = None
        self.last_sent: _Said | None = None
        self.last_reply: _Said | None = None
        """The reply to the open command that bore its number."""
        self.repeated = False
        """Whether the open command repeats the one before."""
        self.answered = False
        self.busy = False
        """Whether its last reply was BUSY."""
        self.asks: list[int] = []
        """When the open command was asked, and asked again."""
        self.replies = 0
        """How many replies came to these."""
        self.begun_damages = 0
        """How much had been damaged when the open command was asked first."""
        self.owed: _Owed | None = None
        self.asked_ns: int | None = None
        self.replied_ns: int | None = None
        self.silent_since_ns: int | None = None
        """End of the first command that has had no sound reply since."""
        self.unanswered = 0
        self.spoilt = 0
        """After how many of these something damaged came."""
        self.spoilt_now = False
        """Whether it came after the open command."""
        self.offline = False
        self.damages = 0
        """How much had been damaged by the last command."""
        self.zeros = 0


class Rules:
    """One a tap. `resolution_ns`: shorter silences cannot be told from none."""

    def __init__(self, settings: LineSettings, resolution_ns: int = 0) -> None:
        # An adapter's times are counted back from when octets were read: too coarse for so short a silence.
        exact = 4 * resolution_ns <= settings.char_ns
        self._idle_ns = round(_IDLE_CHARACTERS * settings.char_ns * _IDLE_TOLERANCE) - resolution_ns if exact else 0
        self._resolution_ns = resolution_ns
        self._at: dict[int, _At] = {}
        self._asked: int | None = None
        self._damages = 0
        self._calm = 0
        """Sound frames since the last damage, or the beginning."""
        self._command_damages = -1
        """How much had been damaged by the last command; before the first one its own reply may be heard."""
        self._out: list[Event] = []

    @property
    def judges_idle(self) -> bool:
        """Whether the tap's times are fine enough to judge the silence before a frame."""
        return self._idle_ns > 0

    def damaged(self) -> None:
        """Something was damaged: a command or a reply may be missing."""
        self._damages += 1
        self._calm = 0
        at = None if self._asked is None else self._at.get(self._asked)
        if at is not None and not at.spoilt_now:
            at.spoilt += 1
            at.spoilt_now = True

    def gap(self) -> None:
        """Nothing could be heard for a time: what ran before is forgotten."""
        self._damages += 1
        self._command_damages = -1
        self._asked = None
        for at in self._at.values():
            at.asked_ns = at.silent_since_ns = at.replied_ns = at.owed = None
            at.asks.clear()
            at.unanswered = at.spoilt = 0

    def feed(self, frame: Frame, header: Header, code: int, data: bytes | None) -> list[Event]:
        """Take the next sound frame; `data` is its payload in the clear, None where that is not known."""
        self._out = []
        at = self._at.get(header.address)
        if at is None:
            at = self._at[header.address] = _At()
            at.damages = self._damages
        silence_ns = frame.silence_ns
        # Noise before a frame is no talker that cuts in; of a mark octet before it nobody knows at first which it is.
        calm = self._calm >= _CALM or not (self._damages or frame.lead)
        if silence_ns is not None and silence_ns < self._idle_ns and calm:
            text = f"{silence_ns / 1e6:.2f} ms"
            self._say(Kind.IDLE_SHORT, frame.t_ns, header.address, text, silence=silence_ns / 1e9)
        self._calm += 1
        said = _Said(frame.octets, code, header.security_block is not None, data)
        if header.reply:
            self._reply(at, frame, header, said)
        else:
            self._command(at, frame, header, said)
            at.damages = self._command_damages = self._damages
        return self._out

    def close(self, now_ns: int) -> list[Event]:
        """The listening ends at `now_ns`."""
        self._out = []
        for address, at in sorted(self._at.items()):
            if at.silent_since_ns is not None and at.unanswered > 1:
                self._offline(at, address, now_ns)
        return self._out

    def _say(self, kind: Kind, t_ns: int, address: int, detail: str = "", **numbers: float | int | str) -> None:
        self._out.append(Event(kind, t_ns, address, detail, numbers))

    def _command(self, at: _At, frame: Frame, header: Header, said: _Said) -> None:
        address, t_ns = header.address, frame.t_ns
        if at.asked_ns is not None and t_ns - at.asked_ns >= OFFLINE_NS and not header.broadcast:
            waited = (t_ns - at.asked_ns) / 1e9
            self._say(Kind.NOT_POLLED, t_ns, address, f"for {waited:.1f} s", seconds=round(waited, 3))
            at.silent_since_ns, at.unanswered, at.spoilt = None, 0, 0
        if at.silent_since_ns is not None:
            self._offline(at, address, t_ns)
        repeated = self._number(at, frame, header, said)
        at.repeated = repeated
        if not repeated:
            at.last_reply = None
            short = len(at.asks) > at.replies and at.sequence is not None and at.begun_damages == self._damages
            at.owed = _Owed(at.sequence or 0, tuple(at.asks)) if short else None
            at.asks.clear()
            at.replies = 0
            at.begun_damages = self._damages
        if len(at.asks) < _MOST_ASKS:
            at.asks.append(frame.end_ns)
        at.sequence, at.last_sent = header.sequence, said
        at.answered = False
        at.asked_ns = frame.end_ns
        if header.broadcast:
            if header.code == Command.COMSET:
                self._for_all(t_ns, address)
        else:
            if at.silent_since_ns is None:
                at.silent_since_ns = frame.end_ns
            at.unanswered += 1
        at.spoilt_now = False
        self._asked = address

    def _for_all(self, t_ns: int, address: int) -> None:
        answering = sorted(other for other, at in self._at.items() if at.replied_ns is not None and other != address)
        if len(answering) > 1:
            self._say(Kind.LINE_CHANGE_FOR_ALL, t_ns, address, f"heard of: {', '.join(map(str, answering))}")

    def _number(self, at: _At, frame: Frame, header: Header, said: _Said) -> bool:
        """Judge the sequence number; answers whether the command repeats the last one."""
        sequence, last = header.sequence, at.sequence
        t_ns, address = frame.t_ns, header.address
        if sequence == 0:
            self._zero(at, t_ns, address)
            return False
        at.zeros = 0
        if last is None:
            return False
        if sequence == last:
            same = at.last_sent is not None and said.says_as(at.last_sent)
            if same and at.busy:
                return False  # as it should after BUSY: no repeat of anything answered
            if same:
                heard = "although a sound reply was heard here" if at.answered else ""
                self._say(Kind.ASKED_AGAIN, t_ns, address, heard)
                return True
            if at.damages == self._damages:
                self._say(Kind.REPEAT_DIFFERS, t_ns, address, f"number {sequence}", sequence=sequence)
        elif sequence != last % 3 + 1 and at.damages == self._damages:
            right = last % 3 + 1
            self._say(
                Kind.SEQUENCE_JUMP, t_ns, address, f"{sequence} after {last}, expected {right}",
                sequence=sequence, expected=right,
            )  # fmt: skip
        return False

    def _zero(self, at: _At, t_ns: int, address: int) -> None:
        if at.sequence is None or not at.answered:
            return
        if at.sequence == 0:
            at.zeros += 1
            if at.zeros == _ZEROS:
                self._say(Kind.STUCK_AT_ZERO, t_ns, address)
        else:
            self._say(Kind.RESTART, t_ns, address)

    def _offline(self, at: _At, address: int, now_ns: int) -> None:
        if at.offline or at.silent_since_ns is None or now_ns - at.silent_since_ns < OFFLINE_NS:
            return
        at.offline = True
        silent = (now_ns - at.silent_since_ns) / 1e9
        detail = f"{at.unanswered} commands in {silent:.1f} s"
        told: dict[str, float | int | str] = {"commands": at.unanswered, "seconds": round(silent, 3)}
        if 2 * at.spoilt > at.unanswered:
            detail += f", damaged octets after {at.spoilt} of them"
            self._say(Kind.OFFLINE_DAMAGED, now_ns, address, detail, **told, damaged=at.spoilt)
        else:
            self._say(Kind.OFFLINE, now_ns, address, detail, **told)

    def _reply(self, at: _At, frame: Frame, header: Header, said: _Said) -> None:
        address, t_ns = header.address, frame.t_ns
        if self._asked != address or at.asked_ns is None:
            self._unasked(at, frame, header)
            return
        if header.sequence != at.sequence and said.code != Reply.BUSY and self._owed(at, frame, header):
            return  # the open command waits for its own
        self._asked = None
        latency_ns = t_ns - at.asked_ns
        # Damage in between may have been the command, asked again.
        if latency_ns - self._resolution_ns > REPLY_LIMIT_NS and at.damages == self._damages:
            self._say(Kind.REPLY_LATE, t_ns, address, f"{latency_ns / 1e6:.0f} ms", latency=latency_ns / 1e9)
        refused = said.data[0] if said.code == Reply.NAK and said.data else None
        if said.code == Reply.BUSY:
            if header.sequence or header.security_block is not None:
                self._say(Kind.BUSY_NUMBERED, t_ns, address)
            self._say(Kind.BUSY, t_ns, address)
            at.busy = True
        else:
            at.busy = False
            # A device that refuses the number may not know which one to answer with.
            whole = at.damages == self._damages
            if header.sequence != at.sequence and refused != NakCode.SEQUENCE and whole:
                detail = f"{header.sequence} to {at.sequence}"
                self._say(Kind.SEQUENCE_REPLY, t_ns, address, detail, sequence=header.sequence)
            elif at.repeated and at.last_reply is not None and not said.says_as(at.last_reply) and whole:
                self._say(Kind.REPLY_DIFFERS, t_ns, address)
            # One with a wrong number is told as that; whatever comes after it differs, and is no fault of its own.
            if header.sequence == at.sequence:
                at.last_reply = said
        if at.offline:
            at.offline = False
            self._say(Kind.BACK, t_ns, address)
        at.answered = True
        at.replies += 1
        at.replied_ns = frame.end_ns
        at.silent_since_ns, at.unanswered, at.spoilt = None, 0, 0

    def _unasked(self, at: _At, frame: Frame, header: Header) -> None:
        t_ns, address = frame.t_ns, header.address
        if self._command_damages != self._damages or self._owed(at, frame, header):
            return
        recent = at.replied_ns is not None and t_ns - at.replied_ns < _SECOND_NS
        if at.asked_ns is not None and not at.answered and at.damages == self._damages:
            latency_ns = t_ns - at.asked_ns
            detail = f"{latency_ns / 1e6:.0f} ms, after the controller had gone on"
            self._say(Kind.REPLY_LATE, t_ns, address, detail, latency=latency_ns / 1e9)
            at.answered = True
        elif at.replied_ns is not None and recent and at.replies < len(at.asks):
            # Each asking was answered: so the reply before this one was late.
            if self._is_late(at.asks, t_ns):
                latency_ns = at.replied_ns - at.asks[0]
                detail = f"{latency_ns / 1e6:.0f} ms, after it had been asked again; then the second reply"
                self._say(Kind.REPLY_LATE, t_ns, address, detail, latency=latency_ns / 1e9)
            at.replies += 1
            at.asks.clear()
        elif recent and self._asked is None:
            self._say(Kind.SECOND_REPLY, t_ns, address)
        else:
            self._say(Kind.UNASKED, t_ns, address)

    def _owed(self, at: _At, frame: Frame, header: Header) -> bool:
        """Whether it answers an earlier command that was asked again before it was answered; then that is late."""
        owed = at.owed
        if owed is None or owed.sequence != header.sequence or frame.t_ns - owed.asks[-1] >= _SECOND_NS:
            return False
        at.owed = None
        if self._is_late(owed.asks, frame.t_ns):
            latency_ns = frame.t_ns - owed.asks[0]
            detail = f"{latency_ns / 1e6:.0f} ms, after the controller had asked again and gone on"
            self._say(Kind.REPLY_LATE, frame.t_ns, header.address, detail, latency=latency_ns / 1e9)
        return True

    def _is_late(self, asks: Sequence[int], t_ns: int) -> bool:
        """Whether a command that was answered as often as asked was answered late: not if it was asked again too soon.

        No reply came before it was asked again; which of them answers which asking cannot be told.
        """
        soonest_ns = REPLY_LIMIT_NS - self._resolution_ns
        waited = len(asks) < 2 or asks[1] - asks[0] > soonest_ns
        return waited and t_ns - asks[0] - self._resolution_ns > REPLY_LIMIT_NS
