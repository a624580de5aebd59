"""Card frames against published and computed examples of the reference sheet, decoded and built."""

from __future__ import annotations

import pytest

from benchtool.frames.card.bits import Bits
from benchtool.frames.card.build import build, build_bits, build_data
from benchtool.frames.card.decode import decode, decode_as, decode_int, decode_seen
from benchtool.frames.card.formats import FORMATS, SEEN, CardFormat, Sense, find_formats
from benchtool.frames.card.keypad import BURSTS, KEYS, key_of

BY_NAME = {row.name: row for row in (*FORMATS, *SEEN)}

TWENTY_SIX = [
    # site, number, bits, hex                            # sheet 6.2
    (101, 4095, "00110010100001111111111111", "0CA1FFF"),  # READ
    (212, 7041, "11101010000011011100000010", "3A83702"),  # READ
    (13, 13067, "10000110100110011000010110", "21A6616"),  # READ
    (90, 324, "00101101000000001010001000", "0B40288"),  # READ
    (91, 1227, "10101101100000100110010111", "2B60997"),  # READ
    (128, 53013, "11000000011001111000101010", "3019E2A"),  # READ
    (101, 251, "00110010100000000111110110", "0CA01F6"),  # READ
    (7, 32490, "00000011101111110111010101", "00EFDD5"),  # READ
    (255, 65535, "01111111111111111111111111", "1FFFFFF"),  # READ
    (0, 0, "00000000000000000000000001", "0000001"),  # READ
    (213, 2000, "11101010100000111110100001", "3AA0FA1"),  # COMPUTED from a printed number that was READ
    (99, 999, "00110001100000011111001111", "0C607CF"),  # COMPUTED
    (1, 1, "10000000100000000000000010", "2020002"),  # COMPUTED
    (128, 32768, "01000000010000000000000001", "1010001"),  # COMPUTED
    (200, 54321, "01100100011010100001100011", "191A863"),  # COMPUTED
    (255, 0, "01111111100000000000000001", "1FE0001"),  # COMPUTED
    (0, 1, "00000000000000000000000010", "0000002"),  # COMPUTED
]
THIRTY_FOUR = [
    # data, bits, hex                                                # sheet 6.3
    (0x89D41B81, "1100010011101010000011011100000011", "313A83703"),  # READ
    (12345678, "1000000001011110001100001010011100", "20178C29C"),  # READ
    (1234, "0000000000000000000000100110100100", "0000009A4"),  # READ
    (1 << 16 | 1, "1000000000000000100000000000000010", "200020002"),  # COMPUTED
    (0xFFFFFFFF, "0111111111111111111111111111111111", "1FFFFFFFF"),  # COMPUTED
    (0x12345678, "1000100100011010001010110011110001", "22468ACF1"),  # COMPUTED
]
THIRTY_SEVEN = [
    # format, site, number, bits, hex                      # sheet 6.4, all COMPUTED
    ("37-bit 16+19", 1, 1, "1000000000000000100000000000000000010", "1000100002"),
    ("37-bit 16+19", 12345, 67890, "0001100000011100100100001001001100101", "0303921265"),
    ("37-bit 16+19", 4660, 305419, "0000100100011010010010101001000010110", "0123495216"),
    ("37-bit 16+19", 1, 65536, "1000000000000000100100000000000000000", "1000120000"),
    ("37-bit 16+19", 65535, 524287, "0111111111111111111111111111111111111", "0FFFFFFFFF"),
    ("37-bit 16+19", 0, 0, "0000000000000000000000000000000000001", "0000000001"),
    ("37-bit 35", None, 1, "0000000000000000000000000000000000010", "0000000002"),
    ("37-bit 35", None, 123456789, "1000000001110101101111001101000101011", "100EB79A2B"),
    ("37-bit 35", None, 12345678901, "1010110111111101110000011100001101010", "15BFB8386A"),
]
EXAMPLES = [
    *[("26-bit", *example) for example in TWENTY_SIX],
    *[("34-bit 16+16", data >> 16, data & 0xFFFF, bits, digits) for data, bits, digits in THIRTY_FOUR],
    *[("34-bit 32", None, data, bits, digits) for data, bits, digits in THIRTY_FOUR],
    *THIRTY_SEVEN,
]


@pytest.mark.parametrize(("name", "site", "number", "bits", "digits"), EXAMPLES)
def test_example_is_decoded_and_built(name: str, site: int | None, number: int, bits: str, digits: str) -> None:
    row = BY_NAME[name]
    read = next(read for read in decode(bits) if read.format is row)
    assert (read.site_code, read.card_number, read.parity_ok) == (site, number, True)
    assert all(check.ok for check in read.parity)
    assert build_bits(name, site, number).text == bits
    assert build(row, site, number) == int(bits, 2)
    assert Bits.of(bits).hex == digits
    assert decode_int(int(digits, 16), row.length) == decode(bits)


def test_every_length_is_read_in_each_of_its_formats() -> None:
    assert {row.length for row in FORMATS} == {26, 34, 37}
    assert [read.format.name for read in decode((0, 26))] == ["26-bit"]
    assert [read.format.name for read in decode((0, 34))] == ["34-bit 16+16", "34-bit 32"]
    assert [read.format.name for read in decode((0, 37))] == ["37-bit 16+19", "37-bit 35"]


@pytest.mark.parametrize(
    ("name", "groups"),
    [
        (
            "26-bit",
            [(1, "even", (1, 13)), (26, "odd", (14, 26))],
        ),  # sheet 6.2 (READ): the counts include the parity bit
        ("34-bit 16+16", [(1, "even", (1, 17)), (34, "odd", (18, 34))]),  # sheet 6.3 (READ)
        ("37-bit 35", [(1, "even", (1, 19)), (37, "odd", (19, 37))]),  # sheet 6.4 (READ): both groups hold bit 19
    ],
)
def test_parity_groups(name: str, groups: list[tuple[int, str, tuple[int, int]]]) -> None:
    found = [(group.bit, group.sense.value, (group.members[0], group.members[-1])) for group in BY_NAME[name].parity]
    assert found == groups


def test_printed_number_is_site_and_number() -> None:
    # sheet 6.2 (READ): 0013961168 is 00D507D0 is "213,02000"
    assert int("0013961168") == 0x00D507D0
    read = decode_as(BY_NAME["26-bit"], build_data("26-bit", 13961168))
    assert (read.site_code, read.card_number, read.data) == (213, 2000, 13961168)


def test_even_parity_bit_is_zero_where_the_ones_are_even() -> None:
    # sheet 6.3 BAD PRINT: a manual says that the even parity bit is 1 "if the number of ones is even"
    assert build_bits("34-bit 32", None, 0b11 << 20).bit(1) == 0
    assert build_bits("34-bit 32", None, 0b1 << 20).bit(1) == 1


def test_30_bit_and_32_bit_layouts_are_hints_only() -> None:
    # sheet 6.5 (READ layout, COMPUTED example)
    assert build("30-bit 8+20", 1, 1) == 0x20200002
    read = decode_seen((0x20200002, 30))[0]
    assert (read.site_code, read.card_number, read.parity_ok) == (1, 1, True)
    # sheet 6.5 (READ, verified): 32 bits with parity
    assert Bits.of("10011111101010101010101100100001").hex == "9FAAAB21"
    assert decode_seen((0x9FAAAB21, 32))[0].parity_ok
    assert decode((0x20200002, 30)) == []
    assert decode((0x9FAAAB21, 32)) == []


def test_swapped_lines_give_other_numbers_and_fail_both_parities() -> None:
    # sheet 6.7 (COMPUTED): 0CA1FFF arrives as 335E000, site 154 number 61440
    swapped = Bits(0x0CA1FFF, 26).inverted()
    assert swapped.hex == "335E000"
    read = decode(swapped)[0]
    assert (read.site_code, read.card_number) == (154, 61440) == (255 - 101, 65535 - 4095)
    assert [check.ok for check in read.parity] == [False, False]
    assert swapped.inverted().hex == "0CA1FFF"


def test_reversed_order() -> None:
    # sheet 6.7 (COMPUTED)
    assert Bits(0x0CA1FFF, 26).reversed().hex == "3FFE14C"


def test_pulses_left_by_a_broken_line() -> None:
    # sheet 6.7 (COMPUTED): D0 open leaves 17 ones, D1 open 9 zeros
    text = Bits(0x0CA1FFF, 26).text
    assert (text.count("1"), text.count("0")) == (17, 9)


@pytest.mark.parametrize(
    ("digits", "length", "octets"),
    [  # sheet 5.7 (COMPUTED): the data of the RAW replies
        ("0CA1FFF", 26, "3287FFC0"),
        ("313A83703", 34, "C4EA0DC0C0"),
        ("0123495216", 37, "091A4A90B0"),
    ],
)
def test_octets_of_an_osdp_raw_read(digits: str, length: int, octets: str) -> None:
    assert Bits(int(digits, 16), length).octets == bytes.fromhex(octets)


KEYPAD = {  # sheet 6.6 (READ, verified): key: 4 bits, 8 bits, 6 bits
    "0": ("0000", "F0", "000001"),
    "1": ("0001", "E1", "000010"),
    "2": ("0010", "D2", "000100"),
    "3": ("0011", "C3", "000111"),
    "4": ("0100", "B4", "101001"),
    "5": ("0101", "A5", "101010"),
    "6": ("0110", "96", "101100"),
    "7": ("0111", "87", "101111"),
    "8": ("1000", "78", "110001"),
    "9": ("1001", "69", "110010"),
    "*": ("1010", "5A", "110100"),
    "#": ("1011", "4B", "110111"),
}


@pytest.mark.parametrize("key", KEYS)
def test_keypad_bursts(key: str) -> None:
    four, eight, six = KEYPAD[key]
    assert key_of(Bits.of(four)) == key
    assert key_of((int(eight, 16), 8)) == key
    assert key_of(Bits.of(six)) == key


def test_keypad_has_no_other_bursts() -> None:
    assert len(BURSTS) == 36
    # sheet 6.6 BAD PRINT: one guide shows key 7 as 1000 1111
    assert key_of((0b10001111, 8)) is None
    assert key_of((0b1100, 4)) is None


def test_rows_cover_every_bit_once() -> None:
    for row in (*FORMATS, *SEEN):
        data = [place for field in row.fields for place in range(field.first, field.last + 1)]
        parity = [group.bit for group in row.parity]
        assert sorted(data + parity) == list(range(1, row.length + 1))
        assert {group.sense for group in row.parity} == {Sense.EVEN, Sense.ODD}
        assert row.fields[-1].name == "card_number"
        assert len(data) == row.data_bits


@pytest.mark.parametrize(
    ("site", "number", "name", "words"),
    [
        (256, 1, "26-bit", "site codes 0 to 255$"),
        (-1, 1, "26-bit", "site codes 0 to 255$"),
        (1, 65536, "26-bit", "card numbers 0 to 65535$"),
        (1, 524288, "37-bit 16+19", "card numbers 0 to 524287"),
        (None, 1 << 35, "37-bit 35", "card numbers 0 to 34359738367"),
        (None, -1, "34-bit 32", "card numbers 0 to 4294967295"),
        (None, 1, "26-bit", "needs a site code, 0 to 255"),
        (1, 1, "34-bit 32", "has no site code"),
        (1, 1, "27-bit", "no card format is called '27-bit'"),
    ],
)
def test_out_of_range_names_the_range(site: int | None, number: int, name: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        build(name, site, number)


def test_misuse_raises() -> None:
    with pytest.raises(ValueError, match="only 0 and 1"):
        decode("0102")
    with pytest.raises(ValueError, match="does not fit in 26 bits"):
        decode_int(1 << 26, 26)
    with pytest.raises(ValueError, match="does not fit"):
        decode_int(-1, 26)
    with pytest.raises(ValueError, match="26-bit has 26 bits"):
        decode_as(BY_NAME["26-bit"], (0, 34))
    with pytest.raises(ValueError, match="data 0 to 16777215"):
        build_data("26-bit", 1 << 24)


def test_formats_are_found_by_loose_names() -> None:
    def names(wanted: str) -> list[str]:
        return [row.name for row in find_formats(wanted)]

    assert names("26") == names("26-bit") == names("26 BIT") == ["26-bit"]
    assert names("34-bit") == ["34-bit 16+16", "34-bit 32"]
    assert names("34-bit-16+16") == names("34 16+16") == ["34-bit 16+16"]
    assert names("27-bit") == names("") == names("3") == []


def test_a_row_alone_makes_a_format() -> None:
    """The decoder knows nothing that is not in the row: a layout with interleaved parity works as well."""
    from benchtool.frames.card.formats import CardField, ParityGroup

    row = CardFormat(
        "8-bit",
        8,
        (CardField("card_number", tuple(range(2, 2 + 6))),),
        (ParityGroup(1, Sense.ODD, (2, 4, 6)), ParityGroup(8, Sense.EVEN, (3, 5, 7))),
        "invented",
    )
    # 101100: bits 2,4,6 are 1,1,0 (even, so parity 1); bits 3,5,7 are 0,1,0 (odd, so parity 1).
    assert build_bits(row, None, 0b101100).text == "11011001"
    assert decode_as(row, Bits.of("11011001")).parity_ok
    assert not decode_as(row, Bits.of("01011001")).parity_ok
