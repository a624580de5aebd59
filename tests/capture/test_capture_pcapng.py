"""pcapng: block layout against the open draft and tshark, exact round trips, other tools' files."""

from __future__ import annotations

import shutil
import struct
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.capture import pcapng_blocks as layout
from benchtool.capture.chunk import Chunk, Direction, Item, LineCounts, LineErrors, TapInfo
from benchtool.capture.files import Recorder, open_capture
from benchtool.capture.settings import LineSettings
from tests.capture.pcapng_samples import (
    ANCHOR,
    FIXTURES,
    INFO,
    ITEMS,
    PAYLOAD,
    SECTION,
    blocks,
    interface,
    packet,
    read,
    recorded,
    tagged,
    turned,
)
from tests.strategies import capture_items, tap_infos

# --- layout: the open draft (from memory: the sheet has no section on it) ---


def test_section_and_interface_as_the_draft_has_them(tmp_path: Path) -> None:
    data = recorded(tmp_path / "a.pcapng")
    assert data[:4] == bytes.fromhex("0a0d0d0a")  # from memory: section header block type
    found = blocks(data)
    assert [kind for kind, _ in found] == [0x0A0D0D0A, 1] + [6] * len(ITEMS)  # from memory: IDB 1, EPB 6
    # from memory: byte-order magic, version 1.0, section length -1 for "not known"
    assert struct.unpack_from("<IHHq", found[0][1]) == (0x1A2B3C4D, 1, 0, -1)
    assert struct.unpack_from("<HHI", found[1][1]) == (147, 0, 0)  # from memory: LINKTYPE_USER0; no snap length
    options = dict(layout.options(found[1][1][8:], "<"))
    # from memory: opt_comment 1, if_name 2, if_description 3, if_speed 8, if_tsresol 9
    assert options[1] == (
        b"benchtool 1 baud=19200 format=8E1 line_errors=marked resolution_ns=1000 anchor_ns=1764000000123456789"
    )
    assert options[2] == b"sim:corridor"
    assert options[3].startswith(b"benchtool tap, 19200 8E1")
    assert options[8] == struct.pack("<Q", 19200)
    assert options[9] == b"\x09"


def test_packet_flags_carry_direction_and_line_errors(tmp_path: Path) -> None:
    bodies = [body for kind, body in blocks(recorded(tmp_path / "a.pcapng")) if kind == 6]
    flags = []
    for body in bodies:
        captured = struct.unpack_from("<I", body, 12)[0]
        options = dict(layout.options(body[20 + captured + (-captured & 3) :], "<"))
        flags.append(struct.unpack("<I", options[2])[0] if 2 in options else 0)
    # from memory: epb_flags bits 0-1 are 01 inbound, 10 outbound; 24 CRC, 26 too short, 29 SFD, 31 symbol error
    assert flags == [1, 2 | 1 << 31 | 1 << 24 | 1 << 29, 0, 0, 0, 0, 1 << 26]


def test_payload_octet_by_octet(tmp_path: Path) -> None:
    """The example of docs/capture-format.md."""
    bodies = [body for kind, body in blocks(recorded(tmp_path / "a.pcapng")) if kind == 6]
    assert bodies[1][20:42] == bytes.fromhex("42540101 02 01 0000 20a1070000000000 561100 010006")
    assert bodies[4][20:36] == bytes.fromhex("42540102 00 00 0000 c0e31b5900000000")
    assert bodies[5][20:] == bytes.fromhex("42540103 00 00 0000 0000000000000000") + struct.pack("<4Q", 1, 2, 3, 4)
    high, low = struct.unpack_from("<II", bodies[1], 4)
    assert high << 32 | low == ANCHOR + 2_000_000


@pytest.mark.skipif(shutil.which("tshark") is None, reason="tshark is not installed")
def test_an_independent_reader_agrees(tmp_path: Path) -> None:
    recorded(tmp_path / "a.pcapng")
    fields = ["frame.time_epoch", "frame.len", "frame.packet_flags_direction", "frame.packet_flags_symbol_error"]
    fields += ["frame.packet_flags_crc_error", "frame.interface_name", "frame.encap_type"]
    command = ["tshark", "-r", str(tmp_path / "a.pcapng"), "-T", "fields"]
    for field in fields:
        command += ["-e", field]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    rows = [line.split("\t") for line in done.stdout.splitlines()]
    assert len(rows) == len(ITEMS)
    for row, item in zip(rows, ITEMS, strict=True):
        seconds, part = divmod(ANCHOR + item.t_ns, 10**9)
        assert row[0] == f"{seconds}.{part:09d}"
        assert row[5] == "sim:corridor"
        assert row[6] == "45"  # its number for USER0
    assert [int(row[1]) for row in rows] == [21, 22, 16, 20, 16 + len("adapter pulled out – socket 3".encode()), 48, 18]
    assert [int(row[2], 0) if row[2] else 0 for row in rows] == [1, 2, 0, 0, 0, 0, 0]
    assert [row[3] in ("1", "True") for row in rows] == [False, True, False, False, False, False, False]
    assert [row[4] in ("1", "True") for row in rows] == [False, True, False, False, False, False, False]


def test_golden_files_still_read() -> None:
    """Files of the first version, in both byte orders, stay readable for ever."""
    for name in ("golden-little.pcapng", "golden-big.pcapng"):
        assert read(FIXTURES / name) == (INFO, ITEMS, [])


def test_golden_file_is_what_is_written(tmp_path: Path) -> None:
    golden, now = (FIXTURES / "golden-little.pcapng").read_bytes(), recorded(tmp_path / "a.pcapng")
    assert blocks(now)[1:] == blocks(golden)[1:]  # the section header names the version of benchtool
    assert turned(golden) == (FIXTURES / "golden-big.pcapng").read_bytes()


# --- round trip ---


@given(tap_infos(), st.lists(capture_items(largest_mark=255), max_size=20), st.booleans())
def test_what_is_written_is_read(
    tmp_path_factory: pytest.TempPathFactory, info: TapInfo, items: list[Item], other_order: bool
) -> None:
    path = tmp_path_factory.getbasetemp() / "round.pcapng"
    data = recorded(path, items, info)
    if other_order:
        path.write_bytes(turned(data))
    assert read(path) == (info, items, [])


def test_directions_come_back_as_members(tmp_path: Path) -> None:
    recorded(tmp_path / "a.pcapng")
    _, items, _ = read(tmp_path / "a.pcapng")
    assert all(isinstance(item.direction, Direction) for item in items if isinstance(item, Chunk))
    assert all(type(new) is type(old) for new, old in zip(items, ITEMS, strict=True))


def test_a_capture_longer_than_the_buffer(tmp_path: Path) -> None:
    items: list[Item] = [Chunk(n * 1000, n * 1000 + 7, bytes([n & 255]) * (n % 50)) for n in range(20_000)]
    assert len(recorded(tmp_path / "a.pcapng", items)) > 1_000_000
    assert read(tmp_path / "a.pcapng")[1:] == (items, [])


def test_a_long_chunk_is_divided_without_loss(tmp_path: Path) -> None:
    octets = bytes(range(256)) * 600
    marks = bytes(1 << (n & 3) for n in range(len(octets)))
    recorded(tmp_path / "a.pcapng", [Chunk(1000, 154_600, octets, marks, Direction.SENT)])
    _, items, problems = read(tmp_path / "a.pcapng")
    pieces = [item for item in items if isinstance(item, Chunk)]
    assert problems == []
    assert [len(piece.octets) for piece in pieces] == [65_536, 65_536, 22_528]
    assert b"".join(piece.octets for piece in pieces) == octets
    assert b"".join(piece.marks for piece in pieces) == marks
    assert [(piece.t_ns, piece.end_ns) for piece in pieces] == [(1000, 66_536), (66_536, 132_072), (132_072, 154_600)]


def test_items_that_break_their_contract_are_refused(tmp_path: Path) -> None:
    with Recorder(tmp_path / "a.pcapng", INFO) as recorder:
        with pytest.raises(ValueError, match="1 marks for 2 octets"):
            recorder.write(Chunk(0, 0, b"ab", b"\x01"))
        with pytest.raises(ValueError, match="beyond 64 bits"):
            recorder.write(Chunk(1 << 63, 1 << 63, b"ab"))
        with pytest.raises(ValueError, match="does not fit"):
            recorder.write(LineCounts(0, -1))
    assert read(tmp_path / "a.pcapng")[1] == []


# --- other tools' hands ---


def test_a_second_section_goes_on_by_the_wall_clock(tmp_path: Path) -> None:
    first = recorded(tmp_path / "a.pcapng", [Chunk(5, 9, b"ab")], INFO)
    later = TapInfo("sim:corridor", INFO.settings, INFO.line_errors, 1000, ANCHOR + 10**9)
    second = recorded(tmp_path / "b.pcapng", [Chunk(5, 9, b"cd")], later)
    (tmp_path / "c.pcapng").write_bytes(first + second)
    info, items, problems = read(tmp_path / "c.pcapng")
    assert info == INFO
    assert items == [Chunk(5, 9, b"ab"), Chunk(10**9 + 5, 10**9 + 9, b"cd")]
    assert problems == []


def test_other_interfaces_and_blocks_are_passed_over(tmp_path: Path) -> None:
    name_records, custom = layout.block(4, bytes(4)), layout.block(0xBAD, b"1234567")
    simple = layout.block(3, struct.pack("<I", 4) + b"abcd")
    data = SECTION + interface(1) + name_records + interface(147, (9, b"\x09"), tagged(), (4711, b"unknown"))
    data += packet(0, 7, b"an ether frame") + custom + packet(1, 8) + simple + packet(2, 9) + packet(1, 10, b"??")
    data += (
        packet(1, 11, original=4000) + layout.block(6, b"short") + packet(1, 12, PAYLOAD[:4] + b"\x07" + PAYLOAD[5:])
    )
    (tmp_path / "a.pcapng").write_bytes(data)
    info, items, problems = read(tmp_path / "a.pcapng")
    assert info == TapInfo(str(tmp_path / "a.pcapng"), LineSettings(), LineErrors.MARKED)
    assert items == [Chunk(8, 28, b"\x53\x01", b"", Direction.RECEIVED)]
    assert sorted(problems) == [
        "1 packets of no described interface were skipped",
        "1 packets of other link types were skipped",
        "1 packets too short to read were skipped",
        "1 packets were cut short by another tool and skipped",
        "1 packets without a time were skipped",
        "2 packets of the private link type are not benchtool's and were skipped",
    ]


@pytest.mark.parametrize(
    ("options", "stamp", "t_ns", "resolution_ns"),
    [
        (((9, b"\x06"), tagged()), 1_234_567, 1_234_567_000, 1000),  # microseconds
        ((tagged(),), 1_234_567, 1_234_567_000, 1000),  # from memory: 6 is the default
        (((9, b"\x8a"), tagged()), 1024 * 3 + 512, 3_500_000_000, 976_562),  # 2^-10 s
        (((9, b"\x09"), (14, struct.pack("<q", 2)), tagged()), 5, 2_000_000_005, 0),
        (((9, b"\x09"), tagged(10)), 5, -5, 0),
    ],
)
def test_times_that_another_tool_wrote_otherwise(
    tmp_path: Path, options: tuple[tuple[int, bytes], ...], stamp: int, t_ns: int, resolution_ns: int
) -> None:
    (tmp_path / "a.pcapng").write_bytes(SECTION + interface(147, *options) + packet(0, stamp))
    info, items, _ = read(tmp_path / "a.pcapng")
    assert [item.t_ns for item in items] == [t_ns]
    assert info.resolution_ns == resolution_ns


def test_lost_settings_are_said(tmp_path: Path) -> None:
    (tmp_path / "a.pcapng").write_bytes(SECTION + interface(147, (9, b"\x09")) + packet(0, 5) + packet(0, 6))
    info, items, problems = read(tmp_path / "a.pcapng")
    assert len(items) == 2
    assert info.line_errors is LineErrors.UNAVAILABLE
    assert info.resolution_ns == 1_000_000
    assert problems == ["2 packets have lost their tap's settings; defaults are used"]


@pytest.mark.parametrize(
    "words", ["baud=fast", "baud=1", "format=9X9", "line_errors=some", "anchor_ns=-1", "resolution_ns=" + "9" * 30]
)
def test_settings_that_cannot_be_are_said(tmp_path: Path, words: str) -> None:
    comment = (1, f"benchtool 1 {words}".encode())
    (tmp_path / "a.pcapng").write_bytes(SECTION + interface(147, (9, b"\x09"), comment) + packet(0, 5))
    info, items, problems = read(tmp_path / "a.pcapng")
    assert (len(items), info.settings) == (1, LineSettings())
    assert len(problems) == 1
    assert problems[0].startswith("settings of the interface at octet 28: ")


def test_two_taps_with_other_settings_are_said(tmp_path: Path) -> None:
    data = SECTION + interface(147, (9, b"\x09"), tagged()) + interface(147, (9, b"\x09"), tagged(0, 19200))
    (tmp_path / "a.pcapng").write_bytes(data + packet(1, 5) + packet(0, 6))
    info, items, problems = read(tmp_path / "a.pcapng")
    assert (info.settings.baud, len(items)) == (9600, 2)
    assert "other settings (19200 8N1)" in problems[0]


def test_given_settings_win(tmp_path: Path) -> None:
    recorded(tmp_path / "a.pcapng")
    with open_capture(tmp_path / "a.pcapng", LineSettings(4800)) as capture:
        assert capture.info.settings == LineSettings(4800)
        assert list(capture) == ITEMS
    with open_capture(tmp_path / "a.pcapng") as capture:
        assert capture.info.settings == INFO.settings
