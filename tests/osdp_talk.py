"""A talk on an OSDP bus, written down step by step: octets with their times, through the decoder into the watch."""

from __future__ import annotations

import re
from pathlib import Path

from benchtool.capture.chunk import Chunk, Gap, LineErrors, TapInfo
from benchtool.capture.settings import LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.frame import Frame
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Command, Reply
from benchtool.frames.osdp.events import Event, Kind
from benchtool.frames.osdp.keys import KeyRing
from benchtool.frames.osdp.secure import DEFAULT_KEY, Chain, SessionKeys
from benchtool.measure.osdp_watch import OsdpWatch, Seen

FIXTURES = Path(__file__).parent.parent / "fixtures" / "osdp"
MS = 1_000_000
RND_A, RND_B, CUID = bytes(range(0xB0, 0xB8)), bytes(range(0xA0, 0xA8)), bytes.fromhex("A1A2B1C1D1D2D3D4")


class Talk:
    """Says octets at times and keeps what the watch makes of them."""

    def __init__(self, *, keys: KeyRing | None = None, resolution_ns: int = 0, baud: int = 9600) -> None:
        self.settings = LineSettings(baud)
        self.decoder = BusDecoder(self.settings, resolution_ns)
        self.watch = OsdpWatch(TapInfo("test", self.settings, LineErrors.UNAVAILABLE, resolution_ns), keys)
        self.now_ns = 0
        self.seen: list[tuple[Frame, Seen]] = []
        self.last: list[Event] = []

    def say(self, octets: bytes, after_ms: float = 10.0) -> Talk:
        """Octets, so long after the last ones."""
        start = self.now_ns + round(after_ms * MS)
        end = start + len(octets) * self.settings.char_ns
        chunk = Chunk(start, end, octets)
        self.watch.item(chunk)
        self._take(self.decoder.feed(chunk))
        self.now_ns = end
        return self

    def damage(self, octets: bytes, after_ms: float = 10.0) -> Talk:
        """A frame with a wrong octet in it."""
        broken = bytearray(octets)
        broken[-1] ^= 0x55
        return self.say(bytes(broken), after_ms)

    def gap(self, seconds: float) -> Talk:
        """A time in which the tap could not hear."""
        item = Gap(self.now_ns, self.now_ns + round(seconds * 1e9), "test")
        self.watch.item(item)
        self._take(self.decoder.feed(item))
        self.now_ns = item.end_ns
        return self

    def end(self, after_s: float = 0.0) -> Talk:
        """The listening ends."""
        self._take(self.decoder.close())
        self.last += self.watch.close(self.now_ns + round(after_s * 1e9))
        return self

    def _take(self, frames: list[Frame]) -> None:
        for frame in frames:
            seen = self.watch.frame(frame)
            self.seen.append((frame, seen))

    @property
    def events(self) -> list[Event]:
        return [event for _, seen in self.seen for event in seen.events] + self.last

    @property
    def kinds(self) -> list[Kind]:
        return [event.kind for event in self.events]

    @property
    def standings(self) -> list[str]:
        return [seen.sight.standing.value for _, seen in self.seen if seen.sight is not None]

    def data(self) -> list[bytes]:
        """What was decrypted or sent without encryption, of secured frames."""
        return [
            seen.sight.opened.data for _, seen in self.seen if seen.sight is not None and seen.sight.opened is not None
        ]


def command(code: int, data: bytes = b"", *, sequence: int = 1, address: int = 1) -> bytes:
    return build_frame(address, code, data, sequence=sequence)


def reply(code: int = Reply.ACK, data: bytes = b"", *, sequence: int = 1, address: int = 1) -> bytes:
    return build_frame(address, code, data, sequence=sequence, reply=True)


def golden(name: str) -> list[bytes]:
    """The octets of a golden log, a write each, without mark octets."""
    lines = (FIXTURES / name).read_text(encoding="utf-8").splitlines()
    found = [re.fullmatch(r"\S+ [<>] ([0-9A-F ]+)", line) for line in lines if not line.startswith("#")]
    return [bytes.fromhex(match[1]).lstrip(b"\xff") for match in found if match is not None]


class Secured:
    """Both ends of a session: makes the octets that each would send."""

    def __init__(
        self,
        key: bytes = DEFAULT_KEY,
        *,
        kind: int = 0,
        rnd_a: bytes = RND_A,
        rnd_b: bytes = RND_B,
        address: int = 1,
        crc: bool = True,
    ) -> None:
        self.address, self.crc = address, crc
        self.keys = SessionKeys.derive(key, rnd_a)
        self.kind = kind
        self.rnd_a, self.rnd_b = rnd_a, rnd_b
        self.server = self.keys.server_cryptogram(rnd_a, rnd_b)
        self.chain = Chain.begin(self.keys, self.server)
        self.sequence = 2

    def start(self, *, accepted: int = 1) -> list[bytes]:
        """CHLNG, CCRYPT, SCRYPT, RMAC_I."""
        client = self.keys.client_cryptogram(self.rnd_a, self.rnd_b)
        parts: list[tuple[int, bytes, int, bool, bytes]] = [
            (Command.CHLNG, self.rnd_a, 1, False, bytes((3, 0x11, self.kind))),
            (Reply.CCRYPT, CUID + self.rnd_b + client, 1, True, bytes((3, 0x12, self.kind))),
            (Command.SCRYPT, self.server, 2, False, bytes((3, 0x13, self.kind))),
            (Reply.RMAC_I, self.chain.reply_mac, 2, True, bytes((3, 0x14, accepted))),
        ]
        return [
            build_frame(self.address, code, data, sequence=sequence, crc=self.crc, reply=back, security_block=block)
            for code, data, sequence, back, block in parts
        ]

    def exchange(
        self, code: int = Command.POLL, data: bytes = b"", back: int = Reply.ACK, sent: bytes = b""
    ) -> list[bytes]:
        """A command and its reply."""
        self.sequence = self.sequence % 3 + 1
        return [
            self.chain.seal(self.address, code, data, sequence=self.sequence, crc=self.crc),
            self.chain.seal(self.address, back, sent, sequence=self.sequence, crc=self.crc, reply=True),
        ]
