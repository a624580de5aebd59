"""Hypothesis strategies that several test files share."""

from __future__ import annotations

from hypothesis import strategies as st

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
