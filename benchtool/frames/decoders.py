"""What every decoder of a bus has in common, and which one listens: the usual one, or one for a named protocol.

The usual one finds out by itself what is spoken, Modbus in ASCII mode included where it is certain.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple, Protocol

from benchtool.capture.chunk import Chunk, Gap, Item
from benchtool.capture.settings import LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.frame import Frame
from benchtool.frames.modbus.ascii_decoder import AsciiDecoder
from benchtool.frames.modbus.ascii_finder import AsciiFinder
from benchtool.frames.protocol_table import ProtocolTable
from benchtool.frames.table_decoder import TableDecoder


class Decoder(Protocol):
    """Octets and times go in, in order; frames come out. No clock, no port; never raises on input."""

    @property
    def counters(self) -> dict[str, int]:
        """Octets that are in no frame, by name."""

    @property
    def pending(self) -> int:
        """Octets that are not decided yet."""

    def feed(self, item: Item) -> list[Frame]:
        """Take the next item; the frames that are certain by then."""

    def flush(self, t_ns: int) -> list[Frame]:
        """It is now `t_ns`, and all that was heard has been fed: decide what the silence until then decides."""

    def close(self) -> list[Frame]:
        """Nothing more comes: decide all that is pending."""


def usual_decoder(settings: LineSettings, resolution_ns: int = 0) -> Decoder:
    """Finds out by itself what is spoken."""
    return AsciiFinder(BusDecoder(settings, resolution_ns))


NAMED = {"modbus-ascii": AsciiDecoder}
"""Decoders by the name of a protocol that they take for granted."""


class Spoken(NamedTuple):
    """What the user says that a bus speaks; neither: it is found out."""

    table: ProtocolTable | None = None
    name: str = ""
    """A key of `NAMED`."""

    def decoder(self, settings: LineSettings, resolution_ns: int = 0) -> Decoder:
        """Reads it."""
        if self.table is not None:
            return TableDecoder(self.table, settings, resolution_ns)
        return NAMED[self.name](settings, resolution_ns) if self.name else usual_decoder(settings, resolution_ns)


UNTOLD = Spoken()


def decode_all(decoder: Decoder, items: Iterable[Item]) -> list[Frame]:
    """All frames and spans of something that was heard whole."""
    frames: list[Frame] = []
    for item in items:
        if isinstance(item, Chunk | Gap):
            frames += decoder.feed(item)
    return frames + decoder.close()
