"""Take up a secure session again after a missed frame, by making up what was missed and letting the next MAC judge.

A MAC depends on all frames before it. What is missed is mostly a POLL or its ACK, whose octets follow from the
sequence number; and where a frame's data is known from before, its encryption gives back the whole MAC that came before
it. A wrong guess passes a MAC of 4 octets once in 4 thousand million. Facts: sheet 5.8.
"""

from __future__ import annotations

from collections.abc import Iterator

from benchtool.frames.osdp import secure
from benchtool.frames.osdp.codes import Command, Reply
from benchtool.frames.osdp.header import Header
from benchtool.frames.osdp.secure import Chain, Fault, Opened
from benchtool.frames.osdp.security import ENCRYPTED_TYPES

MOST_EXCHANGES = 24
"""So many exchanges in a row are made up."""
_KEEP = 8
_ONES = bytes([0xFF]) * secure.BLOCK
_USUAL = tuple(secure.pad(data) for data in (*(bytes(count) for count in range(1, 9)), b"\1\0", b"\0\1"))


class Place:
    """Where in its session a device was last heard, and what its frames then said."""

    __slots__ = ("firsts", "sequence", "waits")

    def __init__(self, sequence: int | None) -> None:
        self.sequence = sequence
        """Of the last verified frame, or of the session's start; None where neither is known."""
        self.waits = False
        """Whether the reply to it is still to come."""
        self.firsts: dict[int, list[bytes]] = {}
        """By code: first blocks of payloads that came, padded, newest first. Keys are not kept."""

    def took(self, header: Header, opened: Opened) -> None:
        """A frame was verified."""
        self.waits = not header.reply
        self.sequence = header.sequence
        if opened.data and opened.code != Command.KEYSET:
            first = secure.pad(opened.data)[: secure.BLOCK]
            known = self.firsts.setdefault(opened.code, [])
            if first in known:
                known.remove(first)
            known.insert(0, first)
            del known[_KEEP:]


def recover(
    chain: Chain, place: Place, octets: bytes, header: Header, *, polls: bool = True
) -> tuple[Chain, Opened, int] | None:
    """The chain after this frame, what it holds, and how many frames were made up; None where no guess fits.

    Call it only for a frame whose MAC does not fit `chain`, which is left as it is. Without `polls` only known data
    is guessed.
    """
    for guess, missed in _polls(chain, place, header) if polls else ():
        opened = guess.open(octets, header)
        if opened.fault is not Fault.MAC:
            return guess, opened, missed
    return _known_data(chain, place, octets, header)


def _polls(chain: Chain, place: Place, header: Header) -> Iterator[tuple[Chain, int]]:
    """Chains as they stand before the frame if only polls and acknowledgements were missed."""
    address, crc = header.address, header.uses_crc
    guess = chain.copy()
    sequence = place.sequence
    missed = 0
    if place.waits:
        if sequence is None:
            return
        guess.seal(address, Reply.ACK, sequence=sequence, crc=crc, reply=True)
        missed = 1
        if not header.reply and sequence % 3 + 1 == header.sequence:
            yield guess.copy(), missed
    for _ in range(MOST_EXCHANGES):
        # The first command of a session may bear any number: only the frame itself tells.
        sequence = header.sequence if sequence is None else sequence % 3 + 1
        guess.seal(address, Command.POLL, sequence=sequence, crc=crc)
        missed += 1
        if header.reply and sequence == header.sequence:
            yield guess.copy(), missed
        guess.seal(address, Reply.ACK, sequence=sequence, crc=crc, reply=True)
        missed += 1
        if not header.reply and sequence % 3 + 1 == header.sequence:
            yield guess.copy(), missed


def _known_data(chain: Chain, place: Place, octets: bytes, header: Header) -> tuple[Chain, Opened, int] | None:
    """Guess the first block of the data: its encryption then tells the MAC before it."""
    block = header.security_block or b""
    sealed = octets[header.data_start : header.data_end]
    if len(block) < 2 or block[1] not in ENCRYPTED_TYPES or not sealed or len(sealed) % secure.BLOCK:
        return None
    # Decrypted under a MAC of ones, whose complement is zeros, the first block is AES alone.
    plain = chain.keys.decrypt(sealed, _ONES)
    for first in dict.fromkeys((*place.firsts.get(header.code or 0, ()), *_USUAL)):
        before = bytes(one ^ other ^ 0xFF for one, other in zip(plain, first, strict=False))
        guess = Chain(chain.keys, before, before)
        opened = guess.open(octets, header)
        if opened.fault is not Fault.MAC:
            return guess, opened, 1
    return None
