"""The device's side of an OSDP secure channel: which keys it takes, when it answers in clear, when a session is over.

Facts: sheet 5.8 and 5.2 (a session lapses after 8 s without a valid command; sequence number 0 ends it), 5.4 (NAK 05
and 06). That identity, capabilities and polls without events are answered in clear where a session is required is
common practice, no published source: without them no controller could begin one.
"""

from __future__ import annotations

from collections.abc import Callable

from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Command, NakCode, Reply
from benchtool.frames.osdp.header import Header, parse
from benchtool.frames.osdp.secure import (
    DEFAULT,
    DEFAULT_KEY,
    INSTALLED,
    KEY_LENGTH,
    RANDOM_LENGTH,
    Chain,
    SessionKeys,
    cuid_of,
    same,
)

LAPSES_NS = 8_000_000_000
Do = Callable[[int, bytes, int], tuple[int, bytes]]
"""Obeys a command: (code, data, now in ns) to reply code and data."""

_IN_CLEAR = frozenset({Command.ID, Command.CAP})
_KEYSET_HEAD = bytes((1, KEY_LENGTH))


class DeviceSession:
    """Answers frames with and without security blocks for one device.

    `key` is its installed key, None as long as it has none. `default_too` lets it accept the default key. With
    `required` it does nothing in clear that matters. `random` gives so many unpredictable octets.
    """

    def __init__(
        self,
        identity: bytes,
        *,
        random: Callable[[int], bytes],
        key: bytes | None = None,
        default_too: bool = True,
        required: bool = False,
    ) -> None:
        self._cuid = cuid_of(identity)
        self._random = random
        self._key = key
        self._default_too = default_too
        self._required = required
        self._pending: tuple[SessionKeys, bytes, bytes] | None = None
        self._chain: Chain | None = None
        self._kind = DEFAULT
        self._heard_ns = 0
        self.happened: Callable[[str], None] | None = None
        """Called with a line of plain words when a session begins, ends, is refused, or a key is set."""

    @property
    def takes_default_key(self) -> bool:
        """Whether the default key opens a session."""
        return self._default_too

    @property
    def active(self) -> bool:
        """Whether a session is on."""
        return self._chain is not None

    def drop(self, why: str = "") -> None:
        """End the session, and one that is being begun."""
        if self._chain is not None and why:
            self._say(f"secure channel ended: {why}")
        self._chain = self._pending = None

    def answer(self, octets: bytes, address: int, now_ns: int, do: Do) -> bytes:
        """The whole reply to a sound command of a right sequence number; `address` is what the reply bears."""
        header = parse(octets)
        assert header is not None
        assert header.code is not None
        if self.active and now_ns - self._heard_ns > LAPSES_NS:
            self.drop("8 s without a command")
        self._heard_ns = now_ns
        if header.sequence == 0:
            self.drop("sequence number 0")
        data = octets[header.data_start : header.data_end]
        block = header.security_block
        if block is None:
            return self._in_clear(header, address, data, now_ns, do)
        kind = block[1] if len(block) > 1 else 0
        if kind == 0x11 and header.code == Command.CHLNG and len(data) == RANDOM_LENGTH and len(block) == 3:
            return self._challenged(header, address, data, block[2])
        if kind == 0x13 and header.code == Command.SCRYPT and self._pending is not None and len(block) == 3:
            return self._proved(header, address, data)
        if kind in (0x15, 0x17):
            return self._secured(header, address, octets, now_ns, do)
        return self._refuse(header, address, NakCode.SECURITY_UNSUPPORTED)

    def _in_clear(self, header: Header, address: int, data: bytes, now_ns: int, do: Do) -> bytes:
        code = header.code or 0
        if self.active:
            # Whoever speaks in clear now has lost the session, or is not who began it.
            self.drop("a command in clear")
            return self._refuse(header, address, NakCode.SECURITY_REQUIRED)
        if code in (Command.KEYSET, Command.CHLNG, Command.SCRYPT):
            return self._refuse(header, address, NakCode.SECURITY_REQUIRED)
        if self._required and code == Command.POLL:
            return _reply(header, address, Reply.ACK)
        if self._required and code not in _IN_CLEAR:
            return self._refuse(header, address, NakCode.SECURITY_REQUIRED)
        return _reply(header, address, *do(code, data, now_ns))

    def _challenged(self, header: Header, address: int, rnd_a: bytes, kind: int) -> bytes:
        self.drop("begun again")
        key = None
        if kind == DEFAULT and self._default_too:
            key = DEFAULT_KEY
        elif kind == INSTALLED:
            key = self._key
        if key is None:
            self._say(f"secure channel refused: no {'installed' if kind else 'default'} key here")
            return self._refuse(header, address, NakCode.SECURITY_REQUIRED)
        rnd_b = self._random(RANDOM_LENGTH)
        keys = SessionKeys.derive(key, rnd_a)
        self._pending, self._kind = (keys, rnd_a, rnd_b), kind
        data = self._cuid + rnd_b + keys.client_cryptogram(rnd_a, rnd_b)
        return _reply(header, address, Reply.CCRYPT, data, bytes((3, 0x12, kind)))

    def _proved(self, header: Header, address: int, cryptogram: bytes) -> bytes:
        assert self._pending is not None
        keys, rnd_a, rnd_b = self._pending
        self._pending = None
        if not same(keys.server_cryptogram(rnd_a, rnd_b), cryptogram):
            self._say("secure channel refused: the controller has another key")
            return self._refuse(header, address, NakCode.SECURITY_REQUIRED)
        self._chain = Chain.begin(keys, cryptogram)
        self._say(f"secure channel on the {'installed' if self._kind else 'default'} key")
        return _reply(header, address, Reply.RMAC_I, self._chain.reply_mac, bytes((3, 0x14, 1)))

    def _secured(self, header: Header, address: int, octets: bytes, now_ns: int, do: Do) -> bytes:
        chain = self._chain
        if chain is None:
            return self._refuse(header, address, NakCode.SECURITY_REQUIRED)
        opened = chain.open(octets)
        if opened.fault is not None:
            self.drop(f"a command with a fault ({opened.fault.value})")
            return self._refuse(header, address, NakCode.SECURITY_REQUIRED)
        if opened.code == Command.KEYSET:
            code, data = self._set_key(opened.data)
        else:
            code, data = do(opened.code, opened.data, now_ns)
        return chain.seal(address, code, data, sequence=header.sequence, crc=header.uses_crc, reply=True)

    def _set_key(self, data: bytes) -> tuple[int, bytes]:
        if data[:2] != _KEYSET_HEAD or len(data) != 2 + KEY_LENGTH:
            return Reply.NAK, bytes((NakCode.LENGTH,))
        self._key = data[2:]
        self._say("a new key set; the next session takes it")
        return Reply.ACK, b""

    def _refuse(self, header: Header, address: int, reason: NakCode) -> bytes:
        return _reply(header, address, Reply.NAK, bytes((reason,)))

    def _say(self, text: str) -> None:
        if self.happened is not None:
            self.happened(text)

    def __repr__(self) -> str:
        return f"DeviceSession({'active' if self.active else 'not active'})"


def _reply(header: Header, address: int, code: int, data: bytes = b"", block: bytes | None = None) -> bytes:
    return build_frame(
        address, code, data, sequence=header.sequence, crc=header.uses_crc, reply=True, security_block=block
    )
