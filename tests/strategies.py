"""Hypothesis strategies that several test files share."""

from __future__ import annotations

from fastcrc.crc16 import modbus as modbus_crc
from hypothesis import strategies as st

from benchtool.capture.chunk import Chunk, Direction, Gap, Item, LineCounts, LineErrors, TapInfo
from benchtool.capture.settings import CharFormat, LineSettings, Parity
from benchtool.frames.card.formats import CardFormat
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Command, Reply


def osdp_octets() -> st.SearchStrategy[bytes]:
    """Anything that might reach the OSDP reader: noise, noise that begins like a frame, and whole frames of any code.

    Whole frames have a right length and check value over any payload, so that the payload tables are reached.
    """
    noise = st.binary(max_size=64)
    like_a_frame = st.binary(max_size=64).map(lambda tail: b"\x53" + tail)
    return st.one_of(noise, like_a_frame, osdp_frames())


def osdp_frames() -> st.SearchStrategy[bytes]:
    """Frames with a right length and check value, over any code, payload and security block."""
    blocks = st.one_of(
        st.none(),
        st.tuples(st.integers(0x11, 0x18), st.binary(max_size=1)).map(lambda b: bytes((2 + len(b[1]), b[0])) + b[1]),
        st.binary(min_size=1, max_size=4).map(lambda b: bytes((1 + len(b),)) + b),
    )

    def build(
        address: int, code: int, data: bytes, sequence: int, crc: bool, reply: bool, block: bytes | None
    ) -> bytes:
        mac = b"\xa5" * 4 if block is not None and 0x15 <= block[1] <= 0x18 else b""
        return build_frame(address, code, data, sequence=sequence, crc=crc, reply=reply, security_block=block, mac=mac)

    codes = st.one_of(st.sampled_from([*Command, *Reply]).map(int), st.integers(0, 255))
    return st.builds(
        build,
        st.integers(0, 127),
        codes,
        st.binary(max_size=48),
        st.integers(0, 3),
        st.booleans(),
        st.booleans(),
        blocks,
    )


def card_bits(longest: int = 128) -> st.SearchStrategy[str]:
    """Bits of any length, those that card formats and key bursts have more often than the rest."""
    lengths = st.one_of(st.integers(0, longest), st.sampled_from([4, 6, 8, 26, 30, 32, 34, 37, 52, 68, 74]))
    return lengths.flatmap(lambda n: st.integers(0, (1 << n) - 1).map(lambda value: f"{value:0{n}b}" if n else ""))


def card_frames(rows: tuple[CardFormat, ...]) -> st.SearchStrategy[tuple[CardFormat, int | None, int]]:
    """A format with a site code (None where it has none) and a card number that it can carry."""

    def numbers(row: CardFormat) -> st.SearchStrategy[tuple[CardFormat, int | None, int]]:
        site = st.integers(0, row.site.largest) if row.site else st.none()
        return st.tuples(st.just(row), site, st.integers(0, row.number.largest))

    return st.sampled_from(rows).flatmap(numbers)


def capture_items(largest_mark: int = 15) -> st.SearchStrategy[Item]:
    """Anything a capture can hold, with times in no order, ends before beginnings, empty chunks, marks of all sorts."""
    times = st.one_of(st.integers(-(10**6), 10**6), st.integers(0, 10**13), st.just(0), st.integers(-(2**61), 2**61))
    directions = st.sampled_from(Direction)

    def chunk(t_ns: int, end_ns: int, pair: tuple[bytes, bytes], direction: Direction) -> Chunk:
        return Chunk(t_ns, end_ns, *pair, direction)

    def marked(octets: bytes) -> st.SearchStrategy[tuple[bytes, bytes]]:
        marks = st.lists(st.integers(0, largest_mark), min_size=len(octets), max_size=len(octets)).map(bytes)
        return st.tuples(st.just(octets), st.one_of(st.just(b""), marks))

    pairs = st.binary(max_size=40).flatmap(marked)
    chunks = st.builds(chunk, times, times, pairs, directions)
    counts = st.integers(0, 2**64 - 1)
    return st.one_of(
        chunks,
        st.builds(Gap, times, times, st.text(max_size=40)),
        st.builds(LineCounts, times, counts, counts, counts, counts),
    )


def tap_infos() -> st.SearchStrategy[TapInfo]:
    """Descriptions of a tap, as a capture keeps them."""
    formats = st.builds(
        CharFormat, st.sampled_from([5, 6, 7, 8]), st.sampled_from(Parity), st.sampled_from([1.0, 1.5, 2.0])
    )
    return st.builds(
        TapInfo,
        st.text(max_size=40),
        st.builds(LineSettings, st.integers(50, 20_000_000), formats),
        st.sampled_from(LineErrors),
        st.integers(0, 10**10),
        st.one_of(st.just(0), st.integers(1, 2 * 10**18)),
    )


def modbus_frames() -> st.SearchStrategy[bytes]:
    """Modbus RTU messages of the frequent functions, as octets: sizes and limits sheet 3.3 and 3.4, CRC sheet 3.2.

    Put together here, not by the code under test; the CRC comes from the catalogue library.
    """
    word = st.integers(0, 0xFFFF).map(lambda value: value.to_bytes(2, "big"))
    registers = st.lists(word, min_size=1, max_size=20).map(b"".join)
    bodies = st.one_of(
        st.builds(
            lambda f, at, n: bytes((f,)) + at + n.to_bytes(2, "big"), st.integers(1, 4), word, st.integers(1, 125)
        ),
        st.builds(lambda f, data: bytes((f, len(data))) + data, st.integers(3, 4), registers),
        st.builds(lambda f, data: bytes((f, len(data))) + data, st.integers(1, 2), st.binary(min_size=1, max_size=20)),
        st.builds(lambda at, on: b"\x05" + at + on, word, st.sampled_from([b"\x00\x00", b"\xff\x00"])),
        st.builds(lambda at, value: b"\x06" + at + value, word, word),
        st.builds(
            lambda at, data: b"\x10" + at + (len(data) // 2).to_bytes(2, "big") + bytes((len(data),)) + data,
            word,
            registers,
        ),
        st.builds(lambda at, n: b"\x10" + at + n.to_bytes(2, "big"), word, st.integers(1, 123)),
        st.builds(lambda f, code: bytes((f | 0x80, code)), st.integers(1, 6), st.integers(1, 6)),
    )

    def build(address: int, body: bytes) -> bytes:
        octets = bytes((address,)) + body
        return octets + modbus_crc(octets).to_bytes(2, "little")

    return st.builds(build, st.integers(1, 247), bodies)


def line_bursts() -> st.SearchStrategy[list[tuple[int, bytes]]]:
    """What a line may carry: bursts of octets without a pause, each after so many characters of silence.

    A burst holds good frames, damaged ones and noise; the silences are those at which decisions change.
    """
    good = st.one_of(osdp_frames(), modbus_frames(), osdp_frames().map(lambda frame: b"\xff" + frame))

    def cut(frame: bytes, at: int) -> bytes:
        return frame[: max(1, at % len(frame))]

    def flip(frame: bytes, at: int, mask: int) -> bytes:
        place = at % len(frame)
        return frame[:place] + bytes((frame[place] ^ mask,)) + frame[place + 1 :]

    def put(frame: bytes, at: int, octet: int) -> bytes:
        place = at % len(frame)
        return frame[:place] + bytes((octet,)) + frame[place:]

    at = st.integers(0, 300)
    damaged = st.one_of(
        st.builds(cut, good, at),
        st.builds(flip, good, at, st.sampled_from([1, 2, 4, 8, 16, 32, 64, 128, 255])),
        st.builds(flip, good, st.integers(0, 5), st.integers(1, 255)),
        st.builds(put, good, at, st.integers(0, 255)),
    )
    pieces = st.one_of(
        good, good, damaged, st.binary(max_size=12), st.sampled_from([b"\xff" * 3, b"\x53", b"\x53\x53"])
    )
    burst = st.lists(pieces, min_size=1, max_size=4).map(b"".join)
    silences = st.sampled_from([0, 0, 1, 3, 4, 5, 12, 19, 20, 23, 24, 30, 40, 50, 200])
    return st.lists(st.tuples(silences, burst), max_size=8)
