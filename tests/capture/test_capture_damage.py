"""Captures that are cut, damaged or hostile: what is whole is read, nothing but CaptureError comes out."""

from __future__ import annotations

import struct
import tracemalloc
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.capture import pcapng_blocks as layout
from benchtool.capture.chunk import Chunk, Direction, Gap, LineCounts
from benchtool.capture.files import CaptureError, open_capture
from tests.capture.pcapng_samples import (
    ANCHOR,
    FIXTURES,
    ITEMS,
    SECTION,
    blocks,
    interface,
    packet,
    read,
    recorded,
    tagged,
)


def test_truncation_at_every_octet(tmp_path: Path) -> None:
    """Everything whole is delivered; a problem is noted unless the cut falls between two blocks."""
    path = tmp_path / "a.pcapng"
    data = recorded(path)
    ends, position = [], 0
    for _, body in blocks(data):
        position += len(body) + 12
        ends.append(position)
    for cut in range(1, len(data)):
        path.write_bytes(data[:cut])
        whole = sum(end <= cut for end in ends)
        if whole < 2:
            with pytest.raises(CaptureError) as caught:
                read(path)
            assert caught.value.reason == "foreign"
            continue
        _, items, problems = read(path)
        assert items == ITEMS[: whole - 2]
        if cut in ends:
            assert problems == []
        else:
            start = max(end for end in ends if end <= cut)
            assert problems == [f"truncated: last block incomplete at octet {start}; everything before it was read"]


def test_damaged_lengths_cost_one_packet(tmp_path: Path) -> None:
    """A wrong length, first or second, larger or smaller, loses that packet; those after it are found again."""
    path = tmp_path / "a.pcapng"
    data = recorded(path)
    begin = len(data) - sum(len(body) + 12 for _, body in blocks(data)[3:])
    length = struct.unpack_from("<I", data, begin + 4)[0]
    for offset in (begin + 4, begin + length - 4):
        for wrong in (0, 3, 12, length - 4, length + 4, length + 2, 60_000, 2_000_000, 0xFFFFFFFF, 0xFFFFFFFC):
            path.write_bytes(data[:offset] + struct.pack("<I", wrong) + data[offset + 4 :])
            _, items, problems = read(path)
            assert items == ITEMS[:1] + ITEMS[2:]
            assert len(problems) == 1
            assert problems[0].startswith("damaged: the block at octet ")
            assert problems[0].endswith(f"octets {begin} to {begin + length - 1} were skipped")


def test_damage_before_a_long_stretch_of_rubbish(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    data = recorded(path)
    path.write_bytes(data + b"\x06\0\0\0" * 200_000 + packet(0, ANCHOR + 99))
    _, items, problems = read(path)
    assert items == [*ITEMS, Chunk(99, 119, b"\x53\x01", b"", Direction.RECEIVED)]
    assert problems == [
        f"damaged: the block at octet {len(data)} gives its length as 6; "
        f"octets {len(data)} to {len(data) + 799_999} were skipped"
    ]
    path.write_bytes(data + bytes(5000))
    _, items, problems = read(path)
    assert items == ITEMS
    assert problems == [f"damaged: the block at octet {len(data)} gives its length as 0; the rest was not read"]


def test_a_section_without_byte_order(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    data = recorded(path)
    path.write_bytes(data + SECTION[:8] + b"????" + SECTION[12:])
    _, items, problems = read(path)
    assert items == ITEMS
    assert problems == [f"damaged: the section at octet {len(data)} has no byte order; the rest was not read"]


def test_long_unknown_blocks_are_stepped_over(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    data = recorded(path)
    path.write_bytes(data + layout.block(0xBAD, bytes(3_000_000)) + packet(0, ANCHOR + 1))
    _, items, problems = read(path)
    assert items == [*ITEMS, Chunk(1, 21, b"\x53\x01", b"", Direction.RECEIVED)]
    assert problems == ["1 blocks longer than 1 MiB were skipped"]


def test_many_interfaces_are_bounded(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    own = interface(147, (9, b"\x09"), tagged())
    path.write_bytes(SECTION + own + interface(1) * 5000 + layout.block(1, b"\x93\0\0\0") + packet(0, 5))
    _, items, problems = read(path)
    assert len(items) == 1
    assert problems == [f"{1 + 5000 + 1 - 4096} interfaces beyond 4096 were skipped"]
    path.write_bytes(SECTION + layout.block(1, b"\x93\0\0\0") + own + packet(1, 5))
    assert read(path)[2] == ["1 interface descriptions too short to read"]


def consumed(path: Path) -> int:
    """Read all of a file that may be anything; the peak of memory it took. Nothing but CaptureError may come out."""
    tracemalloc.start()
    try:
        with open_capture(path) as capture:
            for item in capture:
                assert isinstance(item, Chunk | Gap | LineCounts)
            assert all("\n" not in problem for problem in capture.problems)
    except CaptureError as error:
        assert "\n" not in str(error)  # noqa: PT017  # any outcome is right, if it is one line
    finally:
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    return peak


@given(st.one_of(st.binary(max_size=300), st.binary(max_size=300).map(lambda tail: SECTION + tail)))
def test_any_octets_do_no_harm(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "any.pcapng"
    path.write_bytes(data)
    assert consumed(path) < 4_000_000


@given(st.integers(0, 10**9), st.integers(1, 255), st.integers(0, 10**9), st.booleans())
def test_flipped_bits_do_no_harm(
    tmp_path_factory: pytest.TempPathFactory, where: int, flip: int, again: int, big: bool
) -> None:
    data = bytearray((FIXTURES / ("golden-big.pcapng" if big else "golden-little.pcapng")).read_bytes())
    data[where % len(data)] ^= flip
    data[again % len(data)] ^= flip
    path = tmp_path_factory.getbasetemp() / "flipped.pcapng"
    path.write_bytes(data)
    assert consumed(path) < 4_000_000


def test_a_length_of_4_gib_allocates_nothing(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    own = interface(147, (9, b"\x09"), tagged())
    for length in (0xFFFFFFFC, 0xFFFFFFFF, 0x7FFFFFF0):
        hostile = struct.pack("<IIIIIII", 6, length, 0, 0, 0, length, length)
        for data in (SECTION + own + hostile, SECTION[:4] + struct.pack("<I", length) + SECTION[8:], own + hostile):
            path.write_bytes(data)
            assert consumed(path) < 4_000_000
    path.write_bytes(SECTION + own + packet(0, 5)[:20] + struct.pack("<II", 0xFFFFFFF0, 0xFFFFFFF0) + packet(0, 5)[28:])
    assert read(path)[2] == ["1 packets were cut short by another tool and skipped"]
