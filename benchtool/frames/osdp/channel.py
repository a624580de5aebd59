"""Follow OSDP secure sessions from the outside: find the key, verify the MACs, decrypt, and say what cannot be known.

A listener, never an end: it takes frames in order and answers what it knows of each. Facts: sheet 5.8. A session whose
start was not heard, or whose key is not at hand, still shows codes, lengths and times, for these are not encrypted.
"""

from __future__ import annotations

from benchtool.frames.frame import Frame
from benchtool.frames.osdp import secure
from benchtool.frames.osdp.channel_bridge import Place, recover
from benchtool.frames.osdp.channel_state import (
    CLEAR,
    FAULT_WORDS,
    UNREAD,
    ChannelFigures,
    Device,
    Sight,
    Standing,
    State,
)
from benchtool.frames.osdp.check import BROADCAST
from benchtool.frames.osdp.codes import NAK_TEXT, Command, NakCode, Reply
from benchtool.frames.osdp.events import Event, Kind
from benchtool.frames.osdp.header import Header
from benchtool.frames.osdp.keys import KEY_WORDS, KeyRing, KeySource
from benchtool.frames.osdp.secure import Chain, Fault, Opened, SessionKeys
from benchtool.frames.osdp.security import MAC_TYPES

_KEEP_RANDOMS = 256
_MOST_TRIES = 64
"""So many frames in a row that do not fit are tried with missed polls made up, which costs time."""
_NOT_ACCEPTED = (Fault.MAC, Fault.CUT_OFF, Fault.WRONG_DIRECTION)
_RUNNING = (State.OPEN, State.LOST, State.UNREADABLE)
_SECURITY_REASONS = (bytes((NakCode.SECURITY_UNSUPPORTED,)), bytes((NakCode.SECURITY_REQUIRED,)))
_KEYSET, _COM = int(Command.KEYSET), int(Reply.COM)
_new = tuple.__new__
_CHALLENGE, _CLIENT, _SERVER, _FIRST_MAC = 0x11, 0x12, 0x13, 0x14


class Follower:
    """Feed it sound OSDP frames in order, with their headers; tell it of damage and gaps between them."""

    def __init__(self, keys: KeyRing | None = None) -> None:
        self.keys = KeyRing() if keys is None else keys
        self._devices: dict[int, Device] = {}
        self._damages = 0
        self._randoms: dict[bytes, None] = {}
        self._out: list[Event] = []
        self._now_ns = 0
        self._address = 0

    def damaged(self) -> None:
        """Octets were damaged or not heard: a frame may be missing."""
        self._damages += 1

    def figures(self) -> tuple[ChannelFigures, ...]:
        """Every device that used the secure channel, or was asked to."""
        return tuple(
            ChannelFigures(
                address,
                at.state,
                at.key.source if at.key else None,
                None if at.kind is None else at.kind == secure.DEFAULT,
                at.sessions,
                at.verified,
                at.refused,
                at.unreadable,
                at.bridged,
            )
            for address, at in sorted(self._devices.items())
            # A KEYSET in the clear, or a block of no known type, makes no channel.
            if at.kind is not None or at.sessions or at.verified or at.refused or at.unreadable
        )

    def feed(self, frame: Frame, header: Header) -> Sight:
        """Take the next sound frame."""
        block = header.security_block
        at = self._devices.get(header.address)
        if block is None and at is None and header.code != Command.KEYSET:
            return CLEAR
        if at is None:
            at = self._devices[header.address] = Device()
            at.damages = self._damages
        self._now_ns, self._address = frame.t_ns, header.address
        self._out = []
        if block is None:
            standing, opened = self._clear(at, frame.octets, header), None
        elif len(block) > 1 and block[1] in MAC_TYPES:
            standing, opened = self._secured(at, frame.octets, header)
        elif len(block) > 1 and _CHALLENGE <= block[1] <= _FIRST_MAC:
            standing, opened = self._handshake(at, frame.octets, header, block), None
        else:
            standing, opened = Standing.HANDSHAKE, None
        at.last_ns = frame.end_ns
        at.damages = self._damages
        key = at.key.source if opened is not None and at.key is not None else None
        return _new(Sight, (standing, opened, key, tuple(self._out)))

    def _say(self, kind: Kind, detail: str = "", **numbers: int | str) -> None:
        self._out.append(Event(kind, self._now_ns, self._address, detail, numbers))

    def _once(self, at: Device, kind: Kind, detail: str = "") -> None:
        if kind not in at.said:
            at.said.add(kind)
            self._say(kind, detail)

    # frames without a security block

    def _clear(self, at: Device, octets: bytes, header: Header) -> Standing:
        code = header.code
        if header.reply:
            if code == Reply.NAK:
                self._refused_in_clear(at, octets[header.data_start : header.data_end])
            elif code == Reply.COM:
                self._moved(octets[header.data_start : header.data_end])
            elif code != Reply.BUSY and at.state in _RUNNING and at.last_sent[0]:
                self._once(at, Kind.CLEAR_IN_SESSION, "a reply of the device")
            return Standing.CLEAR
        if header.sequence == 0:
            if at.state in _RUNNING:
                self._say(Kind.SESSION_ENDED, "the controller began anew")
            self._given_up(at)
            at.drop(State.NONE)
        elif at.state is State.STARTING and at.handshake == _CLIENT:
            self._given_up(at)
        elif at.state in _RUNNING:
            self._once(at, Kind.CLEAR_IN_SESSION, "a command of the controller")
            at.last_sent[0] = b""
        if code == Command.KEYSET:
            self._learn(at, octets[header.data_start : header.data_end])
        return Standing.CLEAR

    def _refused_in_clear(self, at: Device, data: bytes) -> None:
        if at.state is State.STARTING:
            if data[:1] in _SECURITY_REASONS:
                self._default_refused(at)
            at.drop(State.NONE)
        elif at.state in _RUNNING and data[:1] in _SECURITY_REASONS:
            self._say(Kind.SESSION_ENDED, f"refused in the clear: {NAK_TEXT[data[0]]}")
            # The chain is kept: that the session goes on after all would show by its MACs.
            at.state = State.NONE

    def _default_refused(self, at: Device) -> None:
        if at.kind == secure.DEFAULT and not at.default_refused:
            at.default_refused = True
            self._say(Kind.DEFAULT_REFUSED)

    def _given_up(self, at: Device) -> None:
        """After CCRYPT a controller goes on with SCRYPT, unless the device's cryptogram does not fit its key."""
        if at.state is State.STARTING and at.handshake == _CLIENT and at.damages == self._damages:
            which = (
                f"the device answered with {KEY_WORDS[at.key.source]}" if at.key else "the device's key is not at hand"
            )
            self._say(Kind.KEYS_DIFFER, f"the controller did not go on after the device's cryptogram; {which}")
        at.handshake = 0

    # the four frames of a start

    def _handshake(self, at: Device, octets: bytes, header: Header, block: bytes) -> Standing:
        data = octets[header.data_start : header.data_end]
        kind = block[1]
        if octets in at.start and (kind != _CHALLENGE or at.state is State.STARTING):
            return Standing.HANDSHAKE  # asked, or answered, again
        if kind == _CHALLENGE and len(data) == secure.RANDOM_LENGTH:
            self._given_up(at)
            if at.state in _RUNNING:
                self._say(Kind.SESSION_ENDED, "the controller starts another")
            at.drop(State.STARTING)
            at.kind = block[2] if len(block) > 2 else None
            at.rnd_a, at.rnd_b, at.cuid, at.client, at.server = data, b"", b"", b"", b""
            at.key = None
            at.start.clear()
            self._random(data, "the controller's")
        elif kind == _CLIENT and len(data) == 32:
            at.cuid, at.rnd_b, at.client = data[:8], data[8:16], data[16:]
            self._random(at.rnd_b, "the device's")
            self._identify(at)
        elif kind == _SERVER and len(data) == secure.BLOCK:
            at.server = data
            if at.keys is not None and at.rnd_b and at.keys.server_cryptogram(at.rnd_a, at.rnd_b) != data:
                self._say(Kind.CRYPTOGRAM_WRONG, "the controller's, in SCRYPT")
        elif kind == _FIRST_MAC and len(data) == secure.BLOCK:
            at.start.add(octets)
            at.sequence = header.sequence
            self._accepted(at, block, data)
            return Standing.HANDSHAKE
        at.start.add(octets)
        at.handshake = kind
        at.sequence = header.sequence
        return Standing.HANDSHAKE

    def _random(self, octets: bytes, whose: str) -> None:
        # Only those of sessions that came about: a start that is tried again may keep its number.
        if octets in self._randoms:
            self._say(Kind.RANDOM_REPEATED, whose)

    def _keep_randoms(self, at: Device) -> None:
        for octets in (at.rnd_a, at.rnd_b):
            if octets:
                self._randoms.pop(octets, None)
                self._randoms[octets] = None
        while len(self._randoms) > _KEEP_RANDOMS:
            del self._randoms[next(iter(self._randoms))]

    def _identify(self, at: Device) -> None:
        """Find the key by the device's cryptogram."""
        if not at.rnd_a:
            return
        for key in self.keys.for_address(self._address, at.cuid):
            keys = SessionKeys.derive(key.octets, at.rnd_a)
            if keys.client_cryptogram(at.rnd_a, at.rnd_b) == at.client:
                at.key, at.keys = key, keys
                if at.kind == secure.DEFAULT and key.source is KeySource.DEFAULT and at.had_own_key:
                    self._say(
                        Kind.DEFAULT_ACCEPTED, "it answered with the default key, although it had a key of its own"
                    )
                return
        if at.kind == secure.DEFAULT:
            self._say(Kind.CRYPTOGRAM_WRONG, "the device's, in CCRYPT, is not made with the default key")
            self._default_refused(at)

    def _accepted(self, at: Device, block: bytes, r_mac: bytes) -> None:
        starting = at.state is State.STARTING
        at.handshake = 0
        if len(block) > 2 and block[2] != 1:
            if starting:
                self._say(Kind.KEYS_DIFFER, "the device did not accept the controller's cryptogram")
                at.drop(State.NONE)
            return
        at.sessions += 1
        self._keep_randoms(at)
        if starting and at.keys is None and at.rnd_a and at.server and not at.rnd_b:
            self._by_first_mac(at, r_mac)
        if not starting or at.keys is None:
            heard = starting and at.rnd_a
            at.drop(State.UNREADABLE)
            if heard:
                named = "the default key" if at.kind == secure.DEFAULT else "an installed key"
                self._key_missing(at, f"the start names {named}")
            else:
                at.kind = None
                self._once(at, Kind.START_NOT_HEARD)
            return
        server = at.server or at.keys.server_cryptogram(at.rnd_a, at.rnd_b)
        chain = Chain.begin(at.keys, server)
        if chain.reply_mac != r_mac:
            self._say(Kind.CRYPTOGRAM_WRONG, "the device's first MAC, in RMAC_I")
        self._open(at, chain)

    def _key_missing(self, at: Device, detail: str = "") -> None:
        """No key fits: was none given for this device, or a wrong one?"""
        held = self.keys.for_address(self._address, at.cuid or None)
        if any(key.source in (KeySource.GIVEN, KeySource.MASTER) for key in held):
            self._once(at, Kind.KEY_WRONG, detail)
            return
        elsewhere = "the keys given are for other addresses" if self.keys.given else ""
        self._once(at, Kind.KEY_UNKNOWN, "; ".join(part for part in (detail, elsewhere) if part))

    def _by_first_mac(self, at: Device, r_mac: bytes) -> None:
        """CCRYPT was missed: the first MAC tells the key, too."""
        for key in self.keys.for_address(self._address):
            keys = SessionKeys.derive(key.octets, at.rnd_a)
            if keys.first_mac(at.server) == r_mac:
                at.key, at.keys = key, keys
                return

    def _open(self, at: Device, chain: Chain) -> None:
        assert at.key is not None
        at.state, at.chain = State.OPEN, chain
        at.place = Place(at.sequence)
        at.last_sent = [b"", b""]
        at.refused_run = 0
        at.said.clear()
        self._say(Kind.SESSION_OPEN, f"with {KEY_WORDS[at.key.source]}", key=at.key.source.value)
        if at.key.source is KeySource.DEFAULT:
            at.default_refused = False
            own = at.kind == secure.INSTALLED
            self._say(Kind.DEFAULT_KEY, "installed as if it were a key of its own" if own else "")
        else:
            at.had_own_key = True

    # frames inside a session

    def _secured(self, at: Device, octets: bytes, header: Header) -> tuple[Standing, Opened | None]:
        way = int(header.reply)
        if octets == at.last_sent[way]:
            return (Standing.VERIFIED, at.last_opened[way]) if at.state is State.OPEN else (UNREAD[at.state], None)
        if at.state is State.STARTING and at.keys is not None and at.rnd_b:
            # RMAC_I was missed: that the device goes on says that it accepted.
            at.sessions += 1
            self._open(at, Chain.begin(at.keys, at.server or at.keys.server_cryptogram(at.rnd_a, at.rnd_b)))
        if at.chain is None:
            return self._unreadable(at, octets, way, header)
        opened = at.chain.open(octets, header)
        if opened.fault is not None:
            if opened.fault is Fault.MAC:
                opened = self._recovered(at, opened, octets, header)
            if opened.fault in _NOT_ACCEPTED:
                return self._refused(at, opened, octets, header)
            if opened.fault is not None:
                self._say(Kind.SEALED_WRONG, FAULT_WORDS[opened.fault])
        if at.state is not State.OPEN or at.refused_run:
            at.state, at.refused_run = State.OPEN, 0
            at.said.discard(Kind.SESSION_LOST)
        at.verified += 1
        at.place.took(header, opened)
        at.last_sent[way], at.last_opened[way] = octets, opened
        if header.code == _KEYSET and not way and opened.fault is None:
            self._learn(at, opened.data)
        elif header.code == _COM and way:
            self._moved(opened.data)
        return Standing.VERIFIED, opened

    @staticmethod
    def _recovered(at: Device, refused: Opened, octets: bytes, header: Header) -> Opened:
        """The frame opened with what was missed made up, or as it was refused."""
        assert at.chain is not None
        found = recover(at.chain, at.place, octets, header, polls=at.refused_run < _MOST_TRIES)
        if found is None:
            return refused
        at.chain, opened, missed = found
        at.bridged += missed
        return opened

    def _unreadable(self, at: Device, octets: bytes, way: int, header: Header) -> tuple[Standing, Opened | None]:
        at.unreadable += 1
        at.last_sent[way] = octets
        if at.state is not State.UNREADABLE:
            heard = at.state is State.STARTING and at.rnd_a and at.rnd_b
            at.drop(State.UNREADABLE)
            if heard:
                self._key_missing(at)
            else:
                at.kind = None
        if at.kind is None:
            self._once(at, Kind.START_NOT_HEARD)
        if header.code == Command.KEYSET and not header.reply:
            self._say(Kind.KEY_CHANGED, "encrypted with a key that is not at hand")
            at.had_own_key = True
        return (Standing.START_NOT_HEARD if at.kind is None else Standing.NO_KEY), None

    def _refused(self, at: Device, opened: Opened, octets: bytes, header: Header) -> tuple[Standing, Opened | None]:
        if opened.fault is not Fault.MAC:
            at.refused += 1
            self._say(Kind.SEALED_WRONG, FAULT_WORDS[opened.fault or Fault.CUT_OFF])
            return Standing.REFUSED, opened
        at.refused_run += 1
        missed = at.damages != self._damages or at.state is State.LOST
        answered = header.reply and at.refused_run > 1
        if missed or answered:
            # The device took a command that did not verify here: it is this listener that is out of step.
            at.state = State.LOST
            at.unreadable += 1
            self._once(at, Kind.SESSION_LOST)
            return Standing.LOST, None
        at.refused += 1
        self._say(Kind.MAC_WRONG, "the device's" if header.reply else "the controller's")
        return Standing.REFUSED, None

    def _moved(self, data: bytes) -> None:
        """The device takes a new address, and its session may go on there."""
        if len(data) == 5 and data[0] < BROADCAST and data[0] != self._address and self._address in self._devices:
            self.keys.moved(self._address, data[0])
            self._devices[data[0]] = self._devices.pop(self._address)

    def _learn(self, at: Device, payload: bytes) -> None:
        """A KEYSET that can be read: type, length, key."""
        if len(payload) != 2 + secure.KEY_LENGTH or payload[0] != 1 or payload[1] != secure.KEY_LENGTH:
            return
        inside = at.state is State.OPEN and at.key is not None
        self._say(Kind.KEY_CHANGED, "it is tried for the sessions that follow")
        if not inside:
            self._say(Kind.KEY_IN_CLEAR)
        elif at.key is not None and at.key.source is KeySource.DEFAULT:
            self._say(Kind.KEY_UNDER_DEFAULT)
        at.had_own_key = True
        self.keys.learn(payload[2:], self._address)
