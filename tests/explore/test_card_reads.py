"""Lists of reads as people write them; errors name the line and repeat no card."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.explore.card_reads import ReadsError, parse_reads
from benchtool.explore.card_samples import CardSample, Printed
from benchtool.frames.card.bits import Bits


@pytest.mark.parametrize(
    ("line", "bits", "printed"),
    [
        ("0011 0010 = 0012", Bits(0x32, 8), Printed(12, None, 4)),
        ("0CA1FFF/26 = 101,04095  # worked example, sheet 6.2", Bits(0x0CA1FFF, 26), Printed(4095, 101, 5)),
        # The octets of an OSDP RAW reply hold the first bit first (sheet 5).
        ("32 87 FF C0/26", Bits(0x0CA1FFF, 26), None),
        ("1_0101=7", Bits(21, 5), Printed(7, None, 1)),
    ],
)
def test_lines(line: str, bits: Bits, printed: Printed | None) -> None:
    assert parse_reads(["# a list", "", line]) == [CardSample(bits, printed, "line 3")]


def test_length_for_hex_without_one() -> None:
    assert parse_reads(["0CA1FFF"], length=26)[0].bits == Bits(0x0CA1FFF, 26)


@pytest.mark.parametrize(
    "line", ["77665544", "71F/3", "77665544/0", "01 = 77665544x", "= 77665544", "1" * 300, "zz/26"]
)
def test_errors_are_one_line_and_repeat_no_card(line: str) -> None:
    with pytest.raises(ReadsError) as caught:
        parse_reads(["0101", line])
    message = str(caught.value)
    assert message.startswith("line 2: ")
    assert "77665544" not in message
    assert "\n" not in message


@given(st.text(max_size=40))
def test_any_line_is_read_or_told(line: str) -> None:
    try:
        found = parse_reads([line])
    except ReadsError as error:
        told = str(error)
        found = []
        assert told.startswith("line 1: ")
    assert len(found) <= 1
