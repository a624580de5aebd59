"""The OSDP secure channel: session keys, cryptograms, the chain of MACs, encryption and padding. Sans-IO, both ends.

Facts: sheet 5.8 (Annex D of SIA OSDP 2.2 as cited there), traps 4 and 5 (data is always padded, the MAC's input only
where it does not fill its last block). Nothing here prints or keeps a key where a `repr` could show it.
"""

from __future__ import annotations

from enum import Enum
from hmac import compare_digest
from typing import NamedTuple, Protocol

from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes

from benchtool.frames.osdp import check
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.header import Header, parse
from benchtool.frames.osdp.security import ENCRYPTED_TYPES, MAC_TYPES

DEFAULT_KEY = bytes(range(0x30, 0x40))
"""SCBK-D, the same in every device: 30 31 … 3F."""
KEY_LENGTH = 16
RANDOM_LENGTH = 8
"""Octets of RND.A, of RND.B and of the cUID."""
BLOCK = 16
DEFAULT, INSTALLED = 0, 1
"""Third octet of security blocks 11 to 13: SCBK-D or SCBK."""
_PAD = 0x80
_ONES = (1 << 128) - 1
_PADDING = (b"", *(bytes((_PAD,)) + bytes(count) for count in range(BLOCK - 1)))
"""By how many octets a MAC's input falls short of a whole block."""
_from_bytes = int.from_bytes
_new = tuple.__new__


class Fault(Enum):
    """Why a frame of a session was not accepted."""

    NOT_SECURED = "not-secured"
    """It has no security block of types 15 to 18."""
    WRONG_DIRECTION = "wrong-direction"
    """A command's block type in a reply, or the other way round."""
    CUT_OFF = "cut-off"
    """It is too short for its code and its MAC, or not as long as it says."""
    MAC = "mac"
    """The MAC is wrong: altered, forged, of another key, or a frame before it was missed."""
    BLOCKS = "blocks"
    """The encrypted data is not a whole number of 16 octets."""
    PADDING = "padding"
    """The MAC is right, but the decrypted data does not end in 80 and zeros."""
    NO_DATA = "no-data"
    """An encrypted frame without data: types 15 and 16 are for those."""
    DATA_IN_CLEAR = "data-in-clear"
    """Data in a frame of type 15 or 16, which carries none."""


class _Stream(Protocol):
    def update(self, data: bytes) -> bytes: ...


def _forward(key: bytes) -> _Stream:
    if len(key) != KEY_LENGTH:
        raise ValueError(f"a key has {KEY_LENGTH} octets, not {len(key)}")
    # ECB keeps no state, so one context serves a whole session; chaining is done here.
    return Cipher(algorithms.AES(key), modes.ECB()).encryptor()


def _block(key: bytes, data: bytes) -> bytes:
    return _forward(key).update(data)


def _xor(one: bytes, other: bytes) -> bytes:
    return (int.from_bytes(one, "little") ^ int.from_bytes(other, "little")).to_bytes(len(one), "little")


def _complement(octets: bytes) -> bytes:
    return (int.from_bytes(octets, "little") ^ _ONES).to_bytes(BLOCK, "little")


def pad(data: bytes) -> bytes:
    """Data as it is encrypted: 80, then zeros, always (16 octets become 32)."""
    return data + bytes((_PAD,)) + bytes(-(len(data) + 1) % BLOCK)


def unpad(data: bytes) -> bytes | None:
    """The data without its padding; None where it does not end in 80 and zeros of less than a block."""
    bare = data.rstrip(b"\0")
    if not bare or bare[-1] != _PAD or len(data) - len(bare) >= BLOCK:
        return None
    return bare[:-1]


class SessionKeys:
    """S-ENC, S-MAC1 and S-MAC2 of one session. Not printed by `repr`; the octets are there for tests and peers."""

    __slots__ = ("_decrypt", "_encrypt", "_mac1", "_mac2", "enc", "mac1", "mac2")

    def __init__(self, enc: bytes, mac1: bytes, mac2: bytes) -> None:
        self.enc, self.mac1, self.mac2 = enc, mac1, mac2
        self._encrypt, self._mac1, self._mac2 = _forward(enc), _forward(mac1), _forward(mac2)
        self._decrypt: _Stream = Cipher(algorithms.AES(enc), modes.ECB()).decryptor()

    @classmethod
    def derive(cls, base_key: bytes, rnd_a: bytes) -> SessionKeys:
        """From the base key (SCBK or SCBK-D, 16 octets) and RND.A (8 octets, of which 6 count)."""
        if len(rnd_a) != RANDOM_LENGTH:
            raise ValueError(f"RND.A has {RANDOM_LENGTH} octets, not {len(rnd_a)}")
        base, part = _forward(base_key), rnd_a[:6] + bytes(8)
        return cls(base.update(b"\x01\x82" + part), base.update(b"\x01\x01" + part), base.update(b"\x01\x02" + part))

    def client_cryptogram(self, rnd_a: bytes, rnd_b: bytes) -> bytes:
        """What the device proves itself with, in CCRYPT (16 octets)."""
        return self._encrypt.update(rnd_a + rnd_b)

    def server_cryptogram(self, rnd_a: bytes, rnd_b: bytes) -> bytes:
        """What the controller proves itself with, in SCRYPT (16 octets)."""
        return self._encrypt.update(rnd_b + rnd_a)

    def first_mac(self, server_cryptogram: bytes) -> bytes:
        """R-MAC-I, sent whole in RMAC_I: the MAC before the session's first command (16 octets)."""
        return self._mac2.update(self._mac1.update(server_cryptogram))

    def mac(self, octets: bytes, before: bytes) -> bytes:
        """The whole MAC (16 octets; 4 are sent) of a frame's octets from SOM to the end of its data.

        `before` is the whole MAC of the other side's last frame.
        """
        octets += _PADDING[-len(octets) % BLOCK]
        last = len(octets) - BLOCK
        chained = before
        if last:
            for at in range(0, last, BLOCK):
                chained = self._mac1.update(_xor(octets[at : at + BLOCK], chained))
            octets = octets[last:]
        mixed = _from_bytes(octets, "little") ^ _from_bytes(chained, "little")
        return self._mac2.update(mixed.to_bytes(BLOCK, "little"))

    def encrypt(self, data: bytes, before: bytes) -> bytes:
        """Data padded and encrypted; `before` as for `mac`."""
        chained = _complement(before)
        data = pad(data)
        out = []
        for at in range(0, len(data), BLOCK):
            chained = self._encrypt.update(_xor(data[at : at + BLOCK], chained))
            out.append(chained)
        return b"".join(out)

    def decrypt(self, data: bytes, before: bytes) -> bytes:
        """Whole blocks decrypted, padding and all. With an unknown `before` only the first block comes out wrong."""
        return _xor(self._decrypt.update(data), _complement(before) + data[:-BLOCK]) if data else b""

    def __repr__(self) -> str:
        return "SessionKeys(•••)"


def derived_key(master_key: bytes, cuid: bytes) -> bytes:
    """The SCBK of a device from a master key (16 octets) and its cUID (8 octets)."""
    if len(cuid) != RANDOM_LENGTH:
        raise ValueError(f"a cUID has {RANDOM_LENGTH} octets, not {len(cuid)}")
    return _block(master_key, cuid + _xor(cuid, b"\xff" * RANDOM_LENGTH))


def cuid_of(identity: bytes) -> bytes:
    """The cUID of a device from its PDID payload, as an open stack makes it: OUI (2), model, version, serial."""
    return identity[:2] + identity[3:9]


def same(one: bytes, other: bytes) -> bool:
    """Whether two cryptograms or MACs are equal, in a time that does not tell where they differ."""
    return compare_digest(one, other)


class Opened(NamedTuple):
    """What a secured frame holds. With a fault other than NO_DATA and DATA_IN_CLEAR there is no data to be trusted."""

    code: int
    """Command or reply; not encrypted, so known even where the rest is not. 0 where cut off."""
    data: bytes
    fault: Fault | None = None


class Chain:
    """The MACs of a session in order, as either end (or a listener) keeps them.

    A frame of which the same octets are sent again (a repeat, same sequence number) is sealed and opened once only:
    keep the octets, or the next MAC will not fit. A frame that is refused leaves the chain as it was.
    """

    __slots__ = ("command_mac", "keys", "reply_mac")

    def __init__(self, keys: SessionKeys, reply_mac: bytes, command_mac: bytes = bytes(BLOCK)) -> None:
        self.keys = keys
        self.reply_mac = reply_mac
        """Whole MAC of the last reply: R-MAC-I at the beginning."""
        self.command_mac = command_mac
        """Whole MAC of the last command; not used before there was one."""

    @classmethod
    def begin(cls, keys: SessionKeys, server_cryptogram: bytes) -> Chain:
        """The chain after RMAC_I."""
        return cls(keys, keys.first_mac(server_cryptogram))

    def copy(self) -> Chain:
        """A chain that goes on by itself, to try something with."""
        return Chain(self.keys, self.reply_mac, self.command_mac)

    def seal(
        self, address: int, code: int, data: bytes = b"", *, sequence: int, crc: bool = True, reply: bool = False
    ) -> bytes:
        """The whole frame, encrypted where it has data, with MAC and check value; the chain moves on."""
        before = self.command_mac if reply else self.reply_mac
        kind = (0x16 if reply else 0x15) + (2 if data else 0)
        sent = self.keys.encrypt(data, before) if data else b""
        parts = {"sequence": sequence, "crc": crc, "reply": reply, "security_block": bytes((2, kind))}
        bare = build_frame(address, code, sent, mac=bytes(check.MAC_LENGTH), **parts)  # type: ignore[arg-type]
        mac = self.keys.mac(bare[: -check.MAC_LENGTH - (2 if crc else 1)], before)
        self._move(reply, mac)
        return build_frame(address, code, sent, mac=mac[: check.MAC_LENGTH], **parts)  # type: ignore[arg-type]

    def open(self, octets: bytes, header: Header | None = None) -> Opened:
        """Verify and decrypt a frame, whose check value is not looked at; the chain moves on if the MAC is right.

        `header` is the frame's, where somebody has parsed it already.
        """
        if header is None:
            header = parse(octets)
        if header is None or header.code is None or len(octets) != header.length:
            return Opened(0, b"", Fault.CUT_OFF)
        block, code = header.security_block, header.code
        if block is None or len(block) < 2 or block[1] not in MAC_TYPES:
            return Opened(code, b"", Fault.NOT_SECURED)
        kind = block[1]
        if (kind in (0x16, 0x18)) != header.reply:
            return Opened(code, b"", Fault.WRONG_DIRECTION)
        end = header.data_end
        if header.mac_end - end != check.MAC_LENGTH:
            return Opened(code, b"", Fault.CUT_OFF)
        reply = header.reply
        before = self.command_mac if reply else self.reply_mac
        mac = self.keys.mac(octets[:end], before)
        if not compare_digest(mac[: check.MAC_LENGTH], octets[end : header.mac_end]):
            return Opened(code, b"", Fault.MAC)
        self._move(reply, mac)
        data = octets[header.data_start : end]
        if kind not in ENCRYPTED_TYPES:
            return _new(Opened, (code, data, Fault.DATA_IN_CLEAR if data else None))
        if not data:
            return Opened(code, b"", Fault.NO_DATA)
        if len(data) % BLOCK:
            return Opened(code, b"", Fault.BLOCKS)
        clear = unpad(self.keys.decrypt(data, before))
        return Opened(code, b"", Fault.PADDING) if clear is None else Opened(code, clear)

    def _move(self, reply: bool, mac: bytes) -> None:
        if reply:
            self.reply_mac = mac
        else:
            self.command_mac = mac

    def __repr__(self) -> str:
        return "Chain(•••)"
