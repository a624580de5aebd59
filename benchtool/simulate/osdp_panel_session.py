"""The controller's side of an OSDP secure channel with one device: keys tried in turn, frames sealed and opened.

Facts: sheet 5.8. A reply that fails its MAC, or comes in clear though a session is on, is no reply, but for BUSY
(always in clear, sheet 5.1) and NAK (the device may have lost the session; it is begun again).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from enum import Enum

from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Command, Reply
from benchtool.frames.osdp.header import parse
from benchtool.frames.osdp.secure import (
    BLOCK,
    DEFAULT,
    DEFAULT_KEY,
    INSTALLED,
    RANDOM_LENGTH,
    Chain,
    SessionKeys,
    same,
)


class Stage(Enum):
    """How far a session has come."""

    NONE = "none"
    CHALLENGED = "challenged"
    PROVED = "proved"
    ACTIVE = "active"
    REFUSED = "refused"
    """No key fits, or the device knows no secure channel."""


class Broken(Enum):
    """What `take` answers where it answers no reply."""

    IGNORED = "ignored"
    """Not a reply that this session can believe: wait on."""
    LOST = "lost"
    """The device has no session (any more): begin again at sequence number 0."""


class PanelSession:
    """One device's session.

    `keys_for` gives the installed keys that may be the device's, likeliest first, for its cUID (8 octets). Whether the
    default key is tried, and after or before those, is `kinds`. `random` gives so many unpredictable octets.
    """

    def __init__(
        self,
        keys_for: Callable[[bytes], Sequence[bytes]],
        *,
        random: Callable[[int], bytes],
        kinds: Sequence[int] = (INSTALLED, DEFAULT),
    ) -> None:
        if not kinds:
            raise ValueError("a secure channel needs a key")
        self._keys_for = keys_for
        self._kinds = tuple(kinds)
        self._at = 0
        self._random = random
        self._session: SessionKeys | None = None
        self._chain: Chain | None = None
        self._rnd_a = b""
        self._cryptogram = b""
        self.stage = Stage.NONE
        self._new_key: bytes | None = None
        self.happened: Callable[[str], None] | None = None
        """Called with a line of plain words when a session begins or is refused."""

    @property
    def active(self) -> bool:
        """Whether commands go sealed."""
        return self.stage is Stage.ACTIVE

    @property
    def refused(self) -> bool:
        """Whether no key fits, or the device knows no secure channel."""
        return self.stage is Stage.REFUSED

    @property
    def on_default_key(self) -> bool:
        """Whether the session is on the default key, or would be begun with it next."""
        return self._kinds[self._at] == DEFAULT

    def drop(self) -> None:
        """Forget the session; a refusal is kept."""
        self._chain = self._session = None
        if self.stage is not Stage.REFUSED:
            self.stage = Stage.NONE

    def retry(self) -> None:
        """Forget a refusal: begin with the first kind of key again."""
        self._at = 0
        self.stage = Stage.NONE
        self._chain = self._session = None

    def step(self) -> tuple[int, bytes] | None:
        """The next command that the session needs for itself; None when it is on, or refused."""
        if self.stage in (Stage.NONE, Stage.CHALLENGED):
            self._rnd_a = self._random(RANDOM_LENGTH)
            self.stage = Stage.CHALLENGED
            return Command.CHLNG, self._rnd_a
        if self.stage is Stage.PROVED:
            return Command.SCRYPT, self._cryptogram
        return None

    def build(self, address: int, code: int, data: bytes, *, sequence: int, crc: bool) -> bytes:
        """The whole frame of a command, sealed where the session is on."""
        if self._chain is not None:
            if code == Command.KEYSET:
                self._new_key = data[2:]
            return self._chain.seal(address, code, data, sequence=sequence, crc=crc)
        block = None
        if code in (Command.CHLNG, Command.SCRYPT):
            block = bytes((3, 0x11 if code == Command.CHLNG else 0x13, self._kinds[self._at]))
        return build_frame(address, code, data, sequence=sequence, crc=crc, security_block=block)

    def take(self, octets: bytes, asked: int) -> tuple[int, bytes] | Broken:
        """Code and data of a sound reply to the command `asked`, or why there is none to be had of it."""
        header = parse(octets)
        if header is None or header.code is None:
            return Broken.IGNORED
        code, data = header.code, octets[header.data_start : header.data_end]
        block = header.security_block
        if self._chain is not None:
            if block is None:
                return Broken.LOST if code == Reply.NAK else Broken.IGNORED
            opened = self._chain.open(octets)
            if opened.fault is not None:
                return Broken.IGNORED
            if asked == Command.KEYSET and opened.code == Reply.ACK and self._new_key is not None:
                key, self._new_key = self._new_key, None
                self._keys_for = lambda _: [key]
                self._kinds, self._at = (INSTALLED,), 0
                self._say("the device took the new key; the session begins again with it")
                return Broken.LOST
            return opened.code, opened.data
        if asked == Command.CHLNG:
            return self._challenge_answered(code, data, block)
        if asked == Command.SCRYPT:
            return self._proof_answered(code, data, block)
        return (code, data) if block is None else Broken.IGNORED

    def _challenge_answered(self, code: int, data: bytes, block: bytes | None) -> tuple[int, bytes] | Broken:
        if code == Reply.NAK and block is None:
            return self._next_key(f"refused (NAK {data[:1].hex() or '00'})")
        if (
            code != Reply.CCRYPT
            or len(data) != 2 * BLOCK
            or block is None
            or block[1:] != bytes((0x12, self._kinds[self._at]))
        ):
            return Broken.IGNORED
        cuid, rnd_b, told = data[:RANDOM_LENGTH], data[RANDOM_LENGTH:BLOCK], data[BLOCK:]
        for key in (DEFAULT_KEY,) if self.on_default_key else self._keys_for(cuid):
            session = SessionKeys.derive(key, self._rnd_a)
            if same(session.client_cryptogram(self._rnd_a, rnd_b), told):
                self._session = session
                self._cryptogram = session.server_cryptogram(self._rnd_a, rnd_b)
                self.stage = Stage.PROVED
                return code, b""
        return self._next_key("the device has another key")

    def _proof_answered(self, code: int, data: bytes, block: bytes | None) -> tuple[int, bytes] | Broken:
        if code == Reply.NAK and block is None:
            return self._next_key(f"the device refused our proof (NAK {data[:1].hex() or '00'})")
        if code != Reply.RMAC_I or block is None or block[1:2] != b"\x14":
            return Broken.IGNORED
        assert self._session is not None
        if block[2:3] != b"\x01" or not same(self._session.first_mac(self._cryptogram), data):
            return self._next_key("the device did not accept our proof")
        self._chain = Chain.begin(self._session, self._cryptogram)
        self.stage = Stage.ACTIVE
        self._say(f"secure channel on {'the default key' if self.on_default_key else 'the given key'}")
        return code, b""

    def _next_key(self, why: str) -> Broken:
        name = "the default key" if self.on_default_key else "the given key"
        self._say(f"secure channel with {name}: {why}")
        self._chain = self._session = None
        self._at += 1
        self.stage = Stage.NONE
        if self._at >= len(self._kinds):
            self._at = 0
            self.stage = Stage.REFUSED
        return Broken.LOST

    def _say(self, text: str) -> None:
        if self.happened is not None:
            self.happened(text)

    def __repr__(self) -> str:
        return f"PanelSession({self.stage.value})"
