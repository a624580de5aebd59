"""Card reads out of OSDP traffic: RAW replies (7.10) at any tap, from a capture to a live bus. Bits, no pulses.

Secure sessions are read where their key is known; what stays sealed is counted, and so are keypad and text replies.
"""

from __future__ import annotations

from benchtool.capture.chunk import Gap, LineCounts
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.places import LONGEST
from benchtool.frames.card.read import CardRead, Source
from benchtool.frames.decoders import usual_decoder
from benchtool.frames.frame import Frame, Protocol
from benchtool.frames.osdp.codes import Reply
from benchtool.frames.osdp.header import parse
from benchtool.frames.osdp.keys import KeyRing
from benchtool.measure.osdp_watch import OsdpWatch
from benchtool.taps.card_source import CardItem, CardSource, CardSourceInfo
from benchtool.taps.tap import Tap

_AGAIN_NS = 200_000_000
"""A reply is asked for again within so long (reference sheet 5.1: the time limit of a reply)."""


class OsdpCards(CardSource):
    """Reads RAW replies at a tap. `keys`: for secure sessions; the default key is always tried."""

    def __init__(self, tap: Tap, address: str, keys: KeyRing | None = None) -> None:
        self._tap = tap
        self._address = address
        self._keys = keys
        self._counts = {"sealed": 0, "damaged": 0, "long": 0, "keypad": 0, "text": 0}
        self._last: dict[int, tuple[int, bytes]] = {}
        self._seen_ns = 0
        self._again = 0
        self._closed = False

    def open(self) -> None:
        """Open the tap."""
        self._tap.open()
        info = self._tap.info
        self._decoder = usual_decoder(info.settings, info.resolution_ns)
        self._watch = OsdpWatch(info, self._keys)
        self._closed = False

    def close(self) -> None:
        """Close the tap."""
        self._tap.close()

    @property
    def info(self) -> CardSourceInfo:
        """Bits only: a bus says nothing of pulses."""
        return CardSourceInfo(self._address, Source.OSDP, False)

    @property
    def problems(self) -> list[str]:
        """What the tap has to say, and replies that gave no read."""
        words = {
            "sealed": "replies in a secure session whose key is not known (--osdp-key), cards perhaps",
            "damaged": "RAW replies that are too short for the bits they announce",
            "long": f"RAW replies with no bits or more than {LONGEST}",
            "keypad": "KEYPAD replies, which are keys and no cards (benchtool listen shows them)",
            "text": "FMT replies, which are characters and no bits (benchtool listen shows them)",
        }
        said = [f"{words[name]}: {count}" for name, count in self._counts.items() if count]
        if self._again:
            said.append(f"RAW replies sent again as they were, which count once: {self._again}")
        return [*getattr(self._tap, "problems", ()), *said]

    @property
    def ended(self) -> bool:
        """When the tap has ended."""
        return self._closed

    @property
    def now_ns(self) -> int:
        """The tap's clock."""
        return self._tap.now_ns

    def read(self, timeout_s: float) -> list[CardItem]:
        """Reads in the next traffic; in virtual time it goes on until there is one, or the end."""
        while not self._closed:
            items = self._tap.read(timeout_s)
            found: list[CardItem] = []
            for item in items:
                self._watch.item(item)
                if not isinstance(item, LineCounts):
                    found += self._take(self._decoder.feed(item))
                if isinstance(item, Gap):
                    self._last.clear()
            if not items:
                found += self._take(self._decoder.flush(self._tap.now_ns))
            if self._tap.ended and not items:
                found += self._take(self._decoder.close())
                self._closed = True
            if found or not items:
                return found
        return []

    def _take(self, frames: list[Frame]) -> list[CardItem]:
        found: list[CardItem] = []
        for frame in frames:
            sight = self._watch.frame(frame).sight
            header = parse(frame.octets) if frame.ok and frame.protocol is Protocol.OSDP else None
            if header is None or not header.reply or header.code is None:
                continue
            data = frame.octets[header.data_start : header.data_end]
            sealed = header.security_block is not None and sight is not None and header.code != Reply.CCRYPT
            if sealed:
                opened = sight.opened if sight is not None else None
                if opened is None:
                    self._counts["sealed"] += header.code in (Reply.RAW, Reply.FMT, Reply.KEYPAD)
                    continue
                data = opened.data
            if header.code == Reply.RAW:
                read = self._raw(frame, header.address, header.sequence, data)
                found += [read] if read else []
            elif header.code == Reply.KEYPAD:
                self._counts["keypad"] += 1
            elif header.code == Reply.FMT:
                self._counts["text"] += 1
        return found

    def _raw(self, frame: Frame, address: int, sequence: int, data: bytes) -> CardRead | None:
        if len(data) < 4:
            self._counts["damaged"] += 1
            return None
        count = data[2] | data[3] << 8
        octets = data[4 : 4 + (count + 7) // 8]
        if not 1 <= count <= LONGEST:
            self._counts["long"] += 1
            return None
        if 8 * len(octets) < count:
            self._counts["damaged"] += 1
            return None
        # A reply that was lost on the way is asked for again with the same sequence number.
        if sequence and self._last.get(address) == (sequence, data) and frame.t_ns - self._seen_ns < _AGAIN_NS:
            self._again += 1
            return None
        self._last[address] = sequence, data
        self._seen_ns = frame.t_ns
        # The padding may be anything (reference sheet, trap 7).
        value = int.from_bytes(octets, "big") >> (8 * len(octets) - count)
        return CardRead(Bits(value, count), Source.OSDP, f"{self._address}, address {address}", frame.t_ns)
