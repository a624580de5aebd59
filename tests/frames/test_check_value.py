"""Check values against an independent library and published check values."""

from __future__ import annotations

import inspect
from typing import Any

import crccheck.checksum
import crccheck.crc
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.frames import check_value
from benchtool.frames.check_value import CheckKind, CheckValue, crc_table, reversed_bits, worked_out
from benchtool.frames.crc_catalogue import CATALOGUE, CatalogueRow

DIGITS = b"123456789"

# sheet section 4 (READ), but for names of companies and products:
# name, check, polynomial, start, reflected in and out, final xor
PUBLISHED = """
CRC-16/ARC BB3D 8005 0000 T T 0000
CRC-16/8005-FFFF AEE7 8005 FFFF F F 0000
CRC-16/8005-800D 9ECF 8005 800D F F 0000
CRC-16/MODBUS 4B37 8005 FFFF T T 0000
CRC-16/8005-0000-R-FFFF 44C2 8005 0000 T T FFFF
CRC-16/UMTS FEE8 8005 0000 F F 0000
CRC-16/USB B4C8 8005 FFFF T T FFFF
CRC-16/EPC D64E 1021 FFFF F F FFFF
CRC-16/GSM CE3C 1021 0000 F F FFFF
CRC-16/CCITT-FALSE 29B1 1021 FFFF F F 0000
CRC-16/ISO-HDLC 906E 1021 FFFF T T FFFF
CRC-16/ISO-IEC-14443-3-A BF05 1021 C6C6 T T 0000
CRC-16/CCITT-TRUE 2189 1021 0000 T T 0000
CRC-16/1021-FFFF-R 6F91 1021 FFFF T T 0000
CRC-16/1021-B2AA-R 63D0 1021 B2AA T T 0000
CRC-16/AUG-CCITT E5CC 1021 1D0F F F 0000
CRC-16/1021-89EC-R 26B1 1021 89EC T T 0000
CRC-16/XMODEM 31C3 1021 0000 F F 0000
"""


def of_row(row: CatalogueRow, **more: Any) -> CheckValue:
    return CheckValue(
        CheckKind.CRC,
        row.width,
        poly=row.poly,
        init=row.init,
        refin=row.refin,
        refout=row.refout,
        xorout=row.xorout,
        name=row.name,
        **more,
    )


def test_the_catalogue_has_the_published_rows() -> None:
    rows = {row.name: row for row in CATALOGUE}
    for line in PUBLISHED.strip().splitlines():
        name, check, *numbers = line.split()
        row = rows[name]
        assert row.check == int(check, 16)
        assert (row.poly, row.init, row.xorout) == tuple(int(numbers[at], 16) for at in (0, 1, 4))
        assert (row.refin, row.refout) == (numbers[2] == "T", numbers[3] == "T")
    assert worked_out(of_row(next(row for row in CATALOGUE if row.name == "CRC-32/ISO-HDLC")))(DIGITS) == 0xCBF43926


def by_parameters(row: CatalogueRow) -> str:
    digits = -(-row.width // 4)
    name = f"CRC-{row.width}/{row.poly:0{digits}X}-{row.init:0{digits}X}" + ("-R" if row.refin else "")
    return name + (f"-{row.xorout:0{digits}X}" if row.xorout else "")


def test_the_catalogue_is_the_public_one() -> None:
    # crccheck carries the same public catalogue, written by others.
    theirs = {
        (kind._width, kind._poly, kind._initvalue, kind._reflect_input, kind._reflect_output, kind._xor_output): kind
        for kind in crccheck.crc.ALLCRCCLASSES
        if kind._width <= 64
    }
    assert {row[1:7] for row in CATALOGUE} == set(theirs)
    for row in CATALOGUE:
        assert row.name in (*theirs[row[1:7]]._names, by_parameters(row))
    assert len({row.name for row in CATALOGUE}) == len(CATALOGUE)


def test_common_crcs_are_worked_out_by_compiled_functions() -> None:
    for name in ("CRC-16/MODBUS", "CRC-16/AUG-CCITT", "CRC-16/CCITT-FALSE", "CRC-8/SMBUS", "CRC-32/ISO-HDLC"):
        assert check_value._compiled(of_row(next(row for row in CATALOGUE if row.name == name))) is not None


@pytest.mark.parametrize("row", CATALOGUE, ids=lambda row: row.name)
def test_every_row_gives_its_check_value(row: CatalogueRow) -> None:
    check = of_row(row)
    assert check_value._by_table(check)(DIGITS) == row.check
    assert worked_out(check)(DIGITS) == row.check
    compiled = check_value._compiled(check)
    data = bytes(range(70))
    assert compiled is None or compiled(data) == check_value._by_table(check)(data)


@given(st.binary(min_size=1, max_size=40))
def test_sums_agree_with_another_library(data: bytes) -> None:
    kinds: dict[str, Any] = dict(inspect.getmembers(crccheck.checksum, inspect.isclass))
    assert worked_out(CheckValue(CheckKind.SUM, 8))(data) == kinds["Checksum8"].calc(data)
    assert worked_out(CheckValue(CheckKind.XOR, 8))(data) == kinds["ChecksumXor8"].calc(data)


def fletcher(data: bytes, modulus: int) -> int:
    """By the definition: the second sum is the sum of all states of the first."""
    low = [sum(data[:upto]) % modulus for upto in range(len(data) + 1)]
    return (sum(low[1:]) % modulus) << 8 | low[-1]


@given(st.binary(min_size=1, max_size=40))
def test_other_sums_by_their_definitions(data: bytes) -> None:
    assert worked_out(CheckValue(CheckKind.FLETCHER_255, 16))(data) == fletcher(data, 255)
    assert worked_out(CheckValue(CheckKind.FLETCHER_256, 16))(data) == fletcher(data, 256)
    assert worked_out(CheckValue(CheckKind.SUM, 8, negate=True))(data) == -sum(data) % 256
    assert worked_out(CheckValue(CheckKind.SUM, 8, xorout=0xFF))(data) == 255 - sum(data) % 256
    around = sum(data)
    while around > 0xFF:
        around = (around & 0xFF) + (around >> 8)
    assert worked_out(CheckValue(CheckKind.SUM_END_AROUND, 8))(data) == around


def test_words_with_end_around_carry() -> None:
    # RFC 1071 section 3, from memory: the words 0001 F203 F4F5 F6F7 add up to DDF2.
    data = bytes.fromhex("0001F203F4F5F6F7")
    assert worked_out(CheckValue(CheckKind.WORDS_END_AROUND, 16))(data) == 0xDDF2


def test_fletcher_of_published_words() -> None:
    # From memory, the usual test vectors of Fletcher-16.
    assert worked_out(CheckValue(CheckKind.FLETCHER_255, 16))(b"abcde") == 0xC8F0
    assert worked_out(CheckValue(CheckKind.FLETCHER_255, 16))(b"abcdef") == 0x2057


def test_a_modbus_frame() -> None:
    # sheet 3.3 (READ): 11 03 00 6B 00 03 76 87; the printed wrong one of the same section fails.
    modbus = next(row for row in CATALOGUE if row.name == "CRC-16/MODBUS")
    check = of_row(modbus, little=True)
    frame = bytes.fromhex("1103006B00037687")
    assert check.ok(frame)
    assert check.completed(frame[:-2] + b"\0\0") == frame
    assert not check.ok(bytes.fromhex("0110300C0001020001FAC8"))
    assert not check.ok(frame[:2])


def test_a_modbus_ascii_line() -> None:
    # sheet 3.3 (READ): :1103006B00037E is text all through, so the sum goes over characters only where a table says so.
    check = CheckValue(CheckKind.SUM, 8, start=1, tail=2, text=True, negate=True)
    frame = check.completed(b":AB00\r\n")
    assert frame[-4:-2] == f"{-sum(b'AB') % 256:02X}".encode()
    assert check.ok(frame)
    assert check.sent(b":ABzz\r\n") is None


@given(st.binary(min_size=8, max_size=20), st.integers(0, 3), st.integers(0, 2), st.integers(0, 2), st.booleans())
def test_a_completed_frame_is_right_and_any_flipped_bit_shows(
    frame: bytes, start: int, gap: int, tail: int, little: bool
) -> None:
    check = CheckValue(CheckKind.CRC, 16, start, gap, tail, little, poly=0x1021, init=0x1D0F)
    if len(frame) < check.least:
        return
    whole = check.completed(frame)
    assert len(whole) == len(frame)
    assert check.ok(whole)
    covered = [*range(start, len(frame) - tail - 2 - gap), *range(len(frame) - tail - 2, len(frame) - tail)]
    for place in covered:
        damaged = bytearray(whole)
        damaged[place] ^= 0x10
        assert not check.ok(bytes(damaged))


def test_nonsense_is_refused() -> None:
    for width, start, poly in ((2, 0, 7), (65, 0, 7), (8, 0, 0x107), (8, 0, 6), (8, -1, 7)):
        with pytest.raises(ValueError, match=r"bits|odd|0 or more"):
            CheckValue(CheckKind.CRC, width, start, poly=poly)
    for kind in (CheckKind.FLETCHER_255, CheckKind.FLETCHER_256, CheckKind.WORDS_END_AROUND):
        with pytest.raises(ValueError, match="16 bits"):
            CheckValue(kind, 8)


def test_tables_and_reversal() -> None:
    assert reversed_bits(0b0011, 4) == 0b1100
    # The first entries of the well-known tables of polynomials 1021 and 8005 reflected (from memory).
    assert crc_table(16, 0x1021, False)[:4] == (0x0000, 0x1021, 0x2042, 0x3063)
    assert crc_table(16, 0x8005, True)[:4] == (0x0000, 0xC0C1, 0xC181, 0x0140)
