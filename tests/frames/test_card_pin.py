"""Sequences of key bursts, and PINs sent as one frame."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.frames.card.bits import Bits
from benchtool.frames.card.build import build_data
from benchtool.frames.card.compare import compare
from benchtool.frames.card.decode import decode
from benchtool.frames.card.entry import Kind, parse_entry
from benchtool.frames.card.hints import hints_for
from benchtool.frames.card.pin import (
    PAUSE_NS,
    Burst,
    Ended,
    buffered,
    bursts_of,
    entries,
    pin_in_digits,
    run_together,
)

SECOND = 1_000_000_000


def pressed(keys: str, length: int = 4, apart: int = SECOND // 2, begin: int = 0) -> list[Burst]:
    return [Burst(bits, begin + index * apart) for index, bits in enumerate(bursts_of(keys, length))]


def said(bursts: list[Burst], pause_ns: int = PAUSE_NS) -> list[tuple[str, int, Ended]]:
    return [(one.keys, one.length, one.ended) for one in entries(bursts, pause_ns).entered]


def test_bursts_are_those_of_the_sheet() -> None:
    # sheet 6.6 (READ): keys 1, 7, # in 4, 8 and 6 bits
    assert [bits.text for bits in bursts_of("17#", 4)] == ["0001", "0111", "1011"]
    assert [bits.hex for bits in bursts_of("17#", 8)] == ["E1", "87", "4B"]
    assert [bits.text for bits in bursts_of("17#", 6)] == ["000010", "101111", "110111"]


def test_hash_ends_an_entry_and_star_clears_it() -> None:
    assert said(pressed("12*1234#5")) == [("12", 4, Ended.CLEARED), ("1234", 4, Ended.ENTER), ("5", 4, Ended.LAST)]
    assert said(pressed("#")) == [("", 4, Ended.ENTER)]
    assert said([]) == []


def test_a_pause_longer_than_the_time_out_ends_an_entry() -> None:
    bursts = pressed("12") + pressed("34#", begin=SECOND // 2 + 5 * SECOND)
    assert said(bursts) == [("1234", 4, Ended.ENTER)]  # 5 s is not longer than 5 s
    late = pressed("12") + pressed("34#", begin=SECOND // 2 + 5 * SECOND + 1)
    assert said(late) == [("12", 4, Ended.PAUSE), ("34", 4, Ended.ENTER)]
    assert said(bursts, pause_ns=SECOND) == [("12", 4, Ended.PAUSE), ("34", 4, Ended.ENTER)]
    first = entries(late).entered[0]
    assert (first.begin_ns, first.end_ns) == (0, SECOND // 2)


def test_without_times_no_pause_is_seen() -> None:
    assert said([Burst(burst.bits) for burst in pressed("1234", apart=60 * SECOND)]) == [("1234", 4, Ended.LAST)]


def test_another_style_or_no_key_ends_an_entry_and_is_told() -> None:
    assert said(pressed("12") + pressed("34", 8, begin=SECOND)) == [("12", 4, Ended.STYLE), ("34", 8, Ended.LAST)]
    strange = Burst(Bits(0b1111, 4), SECOND)
    found = entries([*pressed("12"), strange, *pressed("3", begin=2 * SECOND)])
    assert [(one.keys, one.ended) for one in found.entered] == [("12", Ended.NO_KEY), ("3", Ended.LAST)]
    assert found.strange == (strange,)


@given(st.text("0123456789", min_size=1, max_size=12), st.sampled_from([4, 6, 8]))
def test_keys_come_back_from_their_bursts(keys: str, length: int) -> None:
    assert said(pressed(keys + "#", length)) == [(keys, length, Ended.ENTER)]
    if len(keys) > 1:
        together = Bits.of("".join(bits.text for bits in bursts_of(keys, length)))
        found = run_together(together)
        assert found is not None
        # A run of 4-bit bursts may look like bursts of a longer kind, never the other way round.
        assert found == (keys, length) or found[1] > length


@given(st.lists(st.tuples(st.integers(0, 255), st.integers(0, 9), st.integers(0, 10**11)), max_size=30))
def test_no_burst_is_lost(drawn: list[tuple[int, int, int]]) -> None:
    bursts = [Burst(Bits(value % (1 << length), length), t_ns) for value, length, t_ns in drawn]
    found = entries(bursts)
    ends = sum(one.ended in (Ended.ENTER, Ended.CLEARED) for one in found.entered)
    assert sum(len(one.keys) for one in found.entered) + ends + len(found.strange) == len(bursts)


def test_a_buffered_pin_is_the_number_of_a_26_bit_frame() -> None:
    # sheet 6.6: a fourth style; 101/4095 is the sheet's 6.2 example
    assert buffered(101, "4095").hex == "0CA1FFF"
    assert buffered(101, "04095") == buffered(101, "4095")
    assert decode(buffered(7, "0042"))[0].card_number == 42
    for wrong in ("65536", "", "12a", "-1", "٤"):
        with pytest.raises(ValueError, match="0 to 65535"):
            buffered(101, wrong)


def test_a_pin_in_decimal_digits_is_a_hint() -> None:
    assert pin_in_digits(Bits(0x1234FFFF, 32)) == "1234"
    assert pin_in_digits(Bits(0xFF123456, 32)) == "123456"
    for none in (Bits(0x12345678, 32), Bits(0x12AFFFFF, 32), Bits(0x123F, 16), Bits(0xFFFF, 16), Bits(1, 15)):
        assert pin_in_digits(none) is None
    # Before what the length alone may mean; and nothing was lost where every bit is accounted for.
    hints = [hint.what for hint in hints_for(Bits(0x1234FFFF, 32))]
    assert hints[0] == "buffered PIN"
    assert "pulses lost" not in hints
    assert "pulses lost" in [hint.what for hint in hints_for(Bits(0x89D41B81, 32))]


def test_keys_read_as_one_frame_are_a_hint() -> None:
    hints = {hint.what: hint.means for hint in hints_for(Bits(0xE1D2C3, 24))}
    assert "keys 1 2 3 of a keypad" in hints["keys run together"]


@pytest.mark.parametrize(("keys", "length"), [("", 4), ("1a", 4), ("1", 5), ("A", 8)])
def test_what_is_no_key_is_refused(keys: str, length: int) -> None:
    with pytest.raises(ValueError, match=r"keys are 0 to 9|4, 6 or 8 bits"):
        bursts_of(keys, length)


def test_a_printed_number_may_be_in_the_bits_as_decimal_digits() -> None:
    # sheet 6.5: a BCD variant of 26 bits was seen; six digits of four bits in the place of one number
    bits = build_data("26-bit", 0x123456)
    found = compare(bits, parse_entry("123456", kind=Kind.DECIMAL))
    assert [(one.changed, one.how) for one in found] == [
        ("as given", "all data bits as decimal digits of four bits each (BCD)")
    ]
