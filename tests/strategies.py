"""Hypothesis strategies that several test files share."""

from __future__ import annotations

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
