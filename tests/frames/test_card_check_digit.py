"""Check digits against worked examples of the methods' own literature, and in card formats."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.frames.card.bits import Bits
from benchtool.frames.card.build import build_values
from benchtool.frames.card.check_digit import DECIMAL, CheckDigit, CheckMethod, of_bits, of_digits
from benchtool.frames.card.decode import decode_as
from benchtool.frames.card.formats import CardField, CardFormat, Writing
from benchtool.frames.card.lesson import flipped


def digits(text: str) -> list[int]:
    return [int(letter) for letter in text]


@pytest.mark.parametrize(
    ("method", "number", "check"),
    [
        (CheckMethod.LUHN, "7992739871", 3),  # the usual worked example of the method; from memory
        (CheckMethod.LUHN, "1789372997", 4),  # likewise, from memory
        (CheckMethod.LUHN, "0", 0),
        (CheckMethod.MOD10, "400638133393", 1),  # EAN-13 4006381333931, the usual worked example; from memory
        (CheckMethod.MOD10, "03600029145", 2),  # UPC-A 036000291452, likewise
        (CheckMethod.MOD11, "030640615", 2),  # ISBN-10 0-306-40615-2, the usual worked example; from memory
        (CheckMethod.MOD11, "080442957", 10),  # ISBN-10 0-8044-2957-X, likewise: 10 is written X
    ],
)
def test_decimal_methods_give_the_printed_digit(method: CheckMethod, number: str, check: int) -> None:
    assert of_digits(method, digits(number)) == check


def test_weights_of_a_table_replace_the_usual_ones() -> None:
    # By hand: 4*3 + 3*7 + 2*1 + 1*3 = 38, and 2 are missing to 40.
    assert of_digits(CheckMethod.MOD10, [1, 2, 3, 4], (3, 7, 1)) == 2


def test_bit_methods_give_what_the_octets_give() -> None:
    # Modbus ASCII's LRC of 01 03 00 00 00 01 is FB: two's complement of the sum of the octets (the serial line guide)
    assert of_bits(CheckMethod.SUM_NEGATED, 0x010300000001, 8) == 0xFB
    assert of_bits(CheckMethod.SUM, 0x010300000001, 8) == 0x05
    assert of_bits(CheckMethod.XOR, 0x010300000001, 8) == 0x03
    assert of_bits(CheckMethod.XOR, 0x1234, 4) == 1 ^ 2 ^ 3 ^ 4


@given(st.binary(max_size=8))
def test_bit_methods_make_the_whole_come_out_to_nothing(octets: bytes) -> None:
    covered = int.from_bytes(octets, "big")
    total = sum(octets) + of_bits(CheckMethod.SUM_NEGATED, covered, 8)
    assert total % 256 == 0
    together = of_bits(CheckMethod.XOR, covered, 8)
    for octet in octets:
        together ^= octet
    assert together == 0


@given(st.lists(st.integers(0, 9), min_size=1, max_size=16), st.data())
def test_decimal_methods_see_every_single_wrong_digit(number: list[int], data: st.DataObject) -> None:
    method = data.draw(st.sampled_from([CheckMethod.LUHN, CheckMethod.MOD10, CheckMethod.MOD11]))
    index = data.draw(st.integers(0, len(number) - 1))
    wrong = list(number)
    wrong[index] = (wrong[index] + data.draw(st.integers(1, 9))) % 10
    if method is CheckMethod.MOD11 and len(number) > 9:
        return  # the weight 11 would be needed, and it sees nothing
    assert of_digits(method, number) != of_digits(method, wrong)


@pytest.mark.parametrize("method", CheckMethod)
def test_a_wrong_bit_breaks_the_check_of_a_frame(method: CheckMethod) -> None:
    number = CardField("card_number", tuple(range(1, 17)), Writing.BCD)
    decimal = method in DECIMAL
    check = CheckDigit(
        tuple(range(17, 21)),
        method,
        fields=("card_number",) if decimal else (),
        covers=() if decimal else number.places,
    )
    row = CardFormat("checked", 20, (number,), (), "invented", checks=(check,))
    bits = build_values(row, {"card_number": 7913})
    assert decode_as(row, bits).ok
    for place in range(1, 21):
        read = decode_as(row, flipped(bits, place))
        assert not read.ok, place
        assert read.parity_ok  # there is no parity to see it


def test_luhn_runs_over_several_fields_padded_to_their_widths() -> None:
    fields = (CardField("site_code", tuple(range(1, 9))), CardField("card_number", tuple(range(9, 25))))
    check = CheckDigit((25, 26, 27, 28), CheckMethod.LUHN, fields=("site_code", "card_number"))
    row = CardFormat("two", 28, fields, (), "invented", checks=(check,))
    # 042 and 01234: 04201234. By hand, from the right: 8 + 3 + 4 + 1 + 0 + 2 + 8 + 0 = 26, and 4 are missing.
    bits = build_values(row, {"site_code": 42, "card_number": 1234})
    assert decode_as(row, bits).checks[0].wanted == of_digits(CheckMethod.LUHN, digits("04201234")) == 4
    assert Bits.of(bits.text[24:]).value == 4
