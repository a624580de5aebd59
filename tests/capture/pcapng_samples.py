"""A small capture with every kind of item, and helpers that take pcapng apart by the draft's rules alone."""

from __future__ import annotations

import struct
from pathlib import Path

from benchtool.capture import pcapng_blocks as layout
from benchtool.capture.chunk import Chunk, Direction, Gap, Item, LineCounts, LineErrors, Mark, TapInfo
from benchtool.capture.files import Recorder, open_capture
from benchtool.capture.settings import CharFormat, LineSettings

FIXTURES = Path(__file__).parents[2] / "fixtures" / "capture"
ANCHOR = 1_764_000_000_123_456_789
INFO = TapInfo(
    "sim:corridor",
    LineSettings(19200, CharFormat.parse("8E1")),
    LineErrors.MARKED,
    resolution_ns=1000,
    anchor_ns=ANCHOR,
)
ITEMS: list[Item] = [
    Chunk(0, 1_000_000, bytes.fromhex("ff53000800"), b"", Direction.RECEIVED),
    Chunk(2_000_000, 2_500_000, b"\x56\x11\x00", bytes((Mark.FRAMING, 0, Mark.PARITY | Mark.BREAK)), Direction.SENT),
    Chunk(3_000_000, 3_000_000, b""),
    Chunk(4_000_000, 4_000_000, b"\x01\x02", b"\0\0"),
    Gap(5_000_000, 1_500_000_000, "adapter pulled out – socket 3"),
    LineCounts(1_600_000_000, 1, 2, 3, 4),
    Chunk(1_700_000_000, 1_700_000_100, b"\x08", bytes((Mark.OVERRUN,)), Direction.UNKNOWN),
]


def recorded(path: Path, items: list[Item] = ITEMS, info: TapInfo = INFO) -> bytes:
    with Recorder(path, info, overwrite=True) as recorder:
        for item in items:
            recorder.write(item)
    return path.read_bytes()


def read(path: Path) -> tuple[TapInfo, list[Item], list[str]]:
    with open_capture(path) as capture:
        assert capture.kind == "pcapng"
        items = list(capture)
        return capture.info, items, capture.problems


def blocks(data: bytes, order: str = "<") -> list[tuple[int, bytes]]:
    """(type, body) of each block, read here by the draft's rules alone."""
    found = []
    position = 0
    while position < len(data):
        kind, length = struct.unpack_from(order + "II", data, position)
        assert struct.unpack_from(order + "I", data, position + length - 4) == (length,)
        assert length % 4 == 0
        found.append((kind, data[position + 8 : position + length - 4]))
        position += length
    return found


def turned(data: bytes) -> bytes:
    """The same file with every number of the draft in the other byte order; payloads stay as they are."""
    out = b""
    for kind, body in blocks(data):
        if kind == 0x0A0D0D0A:
            fixed, options = struct.pack(">IHHq", *struct.unpack_from("<IHHq", body)), body[16:]
        elif kind == 1:
            fixed, options = struct.pack(">HHI", *struct.unpack_from("<HHI", body)), body[8:]
        else:
            numbers = struct.unpack_from("<5I", body)
            end = 20 + numbers[3] + (-numbers[3] & 3)
            fixed, options = struct.pack(">5I", *numbers) + body[20:end], body[end:]
        while options:
            code, length = struct.unpack_from("<HH", options)
            value = options[4 : 4 + length]
            if (kind, code) in ((1, 8), (1, 14)):
                value = value[::-1]
            if (kind, code) == (6, 2):
                value = value[::-1]
            padding = bytes(-length & 3)
            fixed += struct.pack(">HH", code, length) + value + padding
            options = options[4 + length + len(padding) :]
        length = len(fixed) + 12
        out += struct.pack(">II", kind, length) + fixed + struct.pack(">I", length)
    return out


def interface(link_type: int, *options: tuple[int, bytes]) -> bytes:
    body = struct.pack("<HHI", link_type, 0, 65535) + b"".join(layout.option(*each) for each in options)
    return layout.block(1, body + layout.option(0, b""))


SECTION = layout.block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1))
PAYLOAD = bytes.fromhex("42540101 01 00 0000 1400000000000000 5301")


def packet(number: int, stamp: int, payload: bytes = PAYLOAD, original: int | None = None) -> bytes:
    size = len(payload) if original is None else original
    body = struct.pack("<5I", number, stamp >> 32, stamp & 0xFFFFFFFF, len(payload), size)
    return layout.block(6, body + payload)


def tagged(anchor: int = 0, baud: int = 9600) -> tuple[int, bytes]:
    return 1, f"benchtool 1 baud={baud} format=8N1 line_errors=marked resolution_ns=0 anchor_ns={anchor}".encode()
