"""OSDP check values, frame building and header reading against published values and other CRC libraries."""

from __future__ import annotations

import subprocess
import sys

import crccheck
import fastcrc
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.frames.osdp import check
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import COMMANDS, NAK_TEXT, REPLIES, Command, NakCode, Reply, Status, code_info
from benchtool.frames.osdp.header import parse
from tests.strategies import osdp_frames, osdp_octets


def test_crc_of_the_check_string() -> None:
    assert check.crc(b"123456789") == 0xE5CC  # sheet trap 2 (catalogue: CRC-16/AUG-CCITT)


@pytest.mark.parametrize(
    ("octets", "expected"),
    [
        ("537F0D00046E0080250000", "6E38"),  # sheet 5.6, Annex E in libosdp's vectors
        ("53000900046100", "C066"),  # sheet 5.6, the same
    ],
)
def test_crc_vectors(octets: str, expected: str) -> None:
    assert check.crc(bytes.fromhex(octets)).to_bytes(2, "little").hex().upper() == expected


@pytest.mark.parametrize(
    ("octets", "expected"),
    [
        ("537F0C00006E0080250000", 0x0F),  # sheet 5.6, Annex E in libosdp's vectors
        ("53000800006100", 0x44),  # sheet 5.6, the same
    ],
)
def test_checksum_vectors(octets: str, expected: int) -> None:
    assert check.checksum(bytes.fromhex(octets)) == expected


@given(st.binary(max_size=200))
def test_crc_agrees_with_two_other_libraries(data: bytes) -> None:
    assert check.crc(data) == fastcrc.crc16.spi_fujitsu(data)
    assert check.crc(data) == crccheck.crc.Crc16AugCcitt.calc(data)


@given(osdp_frames())
def test_a_built_frame_passes_and_any_flipped_bit_fails(frame: bytes) -> None:
    assert check.check_ok(frame)
    assert check.is_header_plausible(frame)
    for at in range(len(frame)):
        flipped = bytearray(frame)
        flipped[at] ^= 1 << at % 8
        # A flipped control bit may turn a CRC frame into a checksum frame that fits by chance, 1 in 256.
        if at != 4:
            assert not check.check_ok(bytes(flipped))


@given(osdp_frames())
def test_no_beginning_of_a_good_frame_is_implausible(frame: bytes) -> None:
    for there in range(1, len(frame) + 1):
        assert check.is_header_plausible(frame[:there])
    assert check.is_header_plausible(b"\xff" + frame, 1)


@pytest.mark.parametrize(
    "octets",
    [
        "",  # nothing there
        "54",  # another first octet
        "53000600",  # shorter than the shortest frame
        "5300A105",  # 1441 octets: longer than 1440, sheet 5.1
        "5300070004",  # CRC takes 8
        "5300080014",  # a reserved control bit
        "530007000802",  # no room for the security block
        "530009000C02",  # the same with a CRC
        "530020000801",  # a block shorter than its own head
        "5300070008",  # a block is promised, the length has no room
    ],
)
def test_implausible_headers(octets: str) -> None:
    assert not check.is_header_plausible(bytes.fromhex(octets))


def test_plausible_at_the_limits() -> None:
    assert check.is_header_plausible(bytes.fromhex("5300A005"))
    assert check.is_header_plausible(bytes.fromhex("5300070000"))
    assert check.is_header_plausible(bytes.fromhex("530009000802"))


@given(osdp_octets(), st.integers(0, 70))
def test_plausibility_never_raises(octets: bytes, pos: int) -> None:
    assert check.is_header_plausible(octets, pos) in (True, False)
    assert check.check_ok(octets) in (True, False)


@pytest.mark.parametrize("octets", ["", "53", "53000700026045", "530007000260", "5300070002604400", "53000700046044"])
def test_check_ok_refuses(octets: str) -> None:
    assert not check.check_ok(bytes.fromhex(octets))


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ({"address": 128}, "not 128"),
        ({"address": -1}, "not -1"),
        ({"code": 256}, "not 256"),
        ({"sequence": 4}, "not 4"),
        ({"data": bytes(1433)}, "1441 octets; the longest is 1440"),
        ({"security_block": b""}, "own length"),
        ({"security_block": b"\x03\x15"}, "own length"),
        ({"mac": bytes(4)}, "no security block carries 0 MAC octets, not 4"),
        ({"security_block": b"\x02\x15"}, "type 15 carries 4 MAC octets, not 0"),
        ({"security_block": b"\x03\x11\x00", "mac": bytes(4)}, "type 11 carries 0 MAC octets, not 4"),
    ],
)
def test_build_refuses_misuse(arguments: dict[str, object], says: str) -> None:
    given_arguments: dict[str, object] = {"address": 1, "code": 0x60, "sequence": 1} | arguments
    with pytest.raises(ValueError, match=says):
        build_frame(**given_arguments)  # type: ignore[arg-type]


def test_longest_frame() -> None:
    frame = build_frame(1, Command.MFG, bytes(1432), sequence=1)
    assert len(frame) == 1440  # sheet 5.1
    assert check.check_ok(frame)


@given(osdp_frames())
def test_header_gives_the_parts_back(frame: bytes) -> None:
    header = parse(frame)
    assert header is not None
    assert header.code is not None
    again = build_frame(
        header.address,
        header.code,
        frame[header.data_start : header.data_end],
        sequence=header.sequence,
        crc=header.uses_crc,
        reply=header.reply,
        security_block=header.security_block,
        mac=frame[header.data_end : header.mac_end],
    )
    assert again == frame
    assert header.length == len(frame)
    assert header.broadcast == (header.address == 127)


@given(osdp_octets(), st.integers(0, 64))
def test_header_offsets_stay_inside(octets: bytes, there: int) -> None:
    octets = octets[:there]
    header = parse(octets)
    if len(octets) < 5 or octets[0] != 0x53:
        assert header is None
    else:
        assert header is not None
        assert header.data_start <= header.data_end <= header.mac_end <= len(octets)


def test_codes_as_the_sheet_lists_them() -> None:
    assert {int(code) for code in Command} == {
        *range(0x60, 0x78),
        0x79,
        0x7A,
        0x7B,
        0x7C,
        0x80,
        *range(0xA0, 0xA6),
        0xA7,
    }
    assert len(Reply) == 28  # sheet 5.4
    assert set(COMMANDS) == set(Command)
    assert set(REPLIES) == set(Reply)
    obsolete = {row.name for row in COMMANDS.values() if row.status is Status.OBSOLETE}
    assert obsolete == {"DIAG", "RMODE", "TDSET", "DATA", "XMIT", "PROMPT", "SPE"}  # sheet 5.3
    assert {row.name for row in COMMANDS.values() if row.status is Status.OLD} == {"CONT", "ABORT", "SCDONE"}
    assert [code.name for code in Command if code.name != COMMANDS[code].name] == ["ABORT_OLD"]
    assert all(code.name == REPLIES[code].name for code in Reply)


def test_the_same_code_means_different_things_each_way() -> None:
    assert code_info(0x76, reply=False) is COMMANDS[Command.CHLNG]
    assert code_info(0x76, reply=True) is REPLIES[Reply.CCRYPT]
    assert code_info(0x99, reply=True) is None


def test_nak_reasons_all_have_words() -> None:
    assert set(NAK_TEXT) == set(NakCode) == {*range(10), 0xFF}  # sheet 5.4
    assert NakCode.UNKNOWN_COMMAND.text == "unknown command"


def test_codes_and_check_import_nothing_heavy() -> None:
    loaded = subprocess.run(
        [
            sys.executable,
            "-c",
            "import sys, benchtool.frames.osdp.codes, benchtool.frames.osdp.check\nprint(*sys.modules)",
        ],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split()
    assert not {"construct", "numpy", "bitstring", "dataclasses"} & set(loaded)
