"""Converter lines: the worked frames of sheet 6.2 in the ways people print them, and that nothing makes it raise."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.frames.card.bits import Bits
from benchtool.frames.card.converter import ConverterLine, read_line
from benchtool.frames.card.formats import FORMATS, CardFormat, find_formats

FRAME = Bits.of("00110010100001111111111111")  # sheet 6.2: 0CA1FFF, site 101, number 4095
PRINTED = Bits.of("11101010100000111110100001")  # sheet 6.2: 213, 02000, printed 0013961168


@pytest.mark.parametrize(
    "line",
    [
        "00110010100001111111111111",
        "0b00110010100001111111111111",
        "0 01100101 0000111111111111 1",
        "0011_0010_1000_0111_1111_1111_11",
        "Card: 00110010100001111111111111",
        "2026-11-28 01:09:51.123 bits=00110010100001111111111111 ok",
        "READ 26BIT 00110010100001111111111111",
        "26: 0CA1FFF",
        "26,0CA1FFF",
        "12:01:02;26;0CA1FFF",
        "32-87-FF-C0 len 26",
        "0.5 s  [26] 00110010100001111111111111",
        "raw=0x0CA1FFF site 101 card 4095",  # the hex is the frame as it was sent, not built from the numbers
        "26:0x0CA1FFF",
        "0CA1FFF/26",
        "0ca1fff (26)",
        "26 bits 0x0CA1FFF",
        "26-bit: CA1FFF",
        "bits=26 hex=0CA1FFF",
        "[12.345] len=26 data=0x0CA1FFF",
        "01:02:03 Card: 26:0CA1FFF",
        "site=101 card=4095 bits=26 raw=0CA1FFF",
        "26 bits: 32 87 FF C0",  # octets, padding last, as an OSDP RAW reply carries them
        "len 26: 00CA1FFF",
        "W26: 0CA1FFF",
        "Tag: 0x0CA1FFF [26]",
        '{"ts": 1700000000, "bits": 26, "hex": "0CA1FFF"}',
        "\ufeff00110010100001111111111111\r\n",
    ],
)
def test_worked_frame_in_any_writing(line: str) -> None:
    said = read_line(line)
    assert (said.bits, said.built, said.problem) == (FRAME, False, "")


@pytest.mark.parametrize(
    "line",
    ["0013961168", "Card: 0013961168", "213,02000", "Card 213:02000", "FC: 213 Card: 2000", "[01:02:03] 0013961168"],
)
def test_printed_numbers_make_a_frame_that_says_so(line: str) -> None:
    said = read_line(line)
    assert (said.bits, said.built) == (PRINTED, True)
    assert "parity was not received" in said.note


def test_expected_format_settles_a_printed_number() -> None:
    (row,) = find_formats("34-bit 32")
    said = read_line("0012345678", row=row)
    # Sheet 6.3: 12345678 as 34-bit.
    assert said.bits == Bits.of("1000000001011110001100001010011100")
    assert "guess" not in said.note


def test_length_given_by_the_user_reads_bare_hex() -> None:
    assert read_line("0CA1FFF").problem.startswith("hex without its length")
    assert read_line("0CA1FFF", length=26).bits == FRAME


@pytest.mark.parametrize(
    ("line", "bits"), [("0101", "0101"), ("1011", "1011"), ("01111000", "01111000"), ("100110", "100110")]
)
def test_bursts_of_a_keypad_are_bits(line: str, bits: str) -> None:
    assert read_line(line).bits == Bits.of(bits)


def test_times_are_taken_out_and_told() -> None:
    first, second = (
        read_line(f"2026-02-28 23:59:59.5 {FRAME.text}"),
        read_line(f"2026-03-01 00:00:01.25 {FRAME.text}"),
    )
    assert first.t_ns is not None
    assert second.t_ns is not None
    assert second.t_ns - first.t_ns == 1_750_000_000
    assert read_line(f"[2.5] {FRAME.text}").t_ns == 2_500_000_000
    assert read_line(f"[2500 ms] {FRAME.text}").t_ns == 2_500_000_000


@pytest.mark.parametrize("line", ["", "   ", "# 0CA1FFF/26", "\ufeff"])
def test_blank_lines_and_comments_say_nothing(line: str) -> None:
    assert read_line(line) == ConverterLine()


@pytest.mark.parametrize("line", ["hello", "door open", "reader 3 online", "99999999999", "1" * 5000])
def test_what_is_no_card_is_told_and_never_repeated(line: str) -> None:
    said = read_line(line)
    assert said.bits is None
    assert said.problem
    assert line not in said.problem


@given(st.text(max_size=200), st.none() | st.integers(1, 256), st.none() | st.sampled_from(FORMATS))
def test_nothing_raises(line: str, length: int | None, row: CardFormat | None) -> None:
    said = read_line(line, length=length, row=row)
    assert said.bits is None or 0 <= said.bits.value < 1 << said.bits.length <= 1 << 256
    assert said.bits is None or not said.problem


@given(st.text("0123456789ABCDEFabcdef xX:/,=-bithexlencard()[].", max_size=60))
def test_lines_of_the_letters_that_converters_use_never_raise(line: str) -> None:
    assert isinstance(read_line(line), ConverterLine)


frames = st.integers(16, 64).flatmap(lambda n: st.integers(0, (1 << n) - 1).map(lambda value: Bits(value, n)))


@given(
    frames,
    st.sampled_from(
        [
            "{hex}/{n}",
            "{n}: {hex}",
            "bits={n} hex=0x{hex}",
            "{n} bits 0x{hex}",
            "card {bits}",
            "{bits}",
            "len={n} raw={octets}",
            "{hex} ({n})",
        ]
    ),
    st.sampled_from(["", "2026-11-28 01:09:51 ", "[17.25] ", "12:00:00.125 | "]),
)
def test_every_writing_brings_the_frame_back(bits: Bits, writing: str, stamp: str) -> None:
    line = stamp + writing.format(hex=bits.hex, n=bits.length, bits=bits.text, octets=bits.octets.hex(" "))
    said = read_line(line)
    if writing.endswith("{octets}"):
        # Octets say by themselves where their padding is only if that is needed.
        assert said.bits in (bits, Bits(int.from_bytes(bits.octets, "big") & ((1 << bits.length) - 1), bits.length))
        assert said.bits == bits or said.note
    else:
        assert said.bits == bits


@pytest.mark.parametrize("line", ["CARD READ: 101-04095", "101/4095", "101 - 4095", "101,04095", "101:4095"])
def test_a_site_code_and_a_card_number_are_built(line: str) -> None:
    found = read_line(line, row=find_formats("26-bit")[0])
    assert (found.bits, found.built) == (FRAME, True)


def test_padding_that_is_not_zero_is_told() -> None:
    """Sheet, trap 7: padding of RAW cards may hold ones, so it is taken; but it may be a digit too many."""
    assert "a digit too many?" in read_line("26:0CA1FFF9").note
    assert "too many" not in read_line("26 bits: 32 87 FF C0").note
