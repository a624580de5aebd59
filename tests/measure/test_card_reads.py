"""Reads of one card compared: majority, votes, and how the others differ (sheet 6.7 for opened and swapped lines)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.frames.card.bits import Bits
from benchtool.measure.card_reads import compare_reads, difference

WHOLE = Bits.of("00110010100001111111111111")  # sheet 6.2


def flipped(bits: Bits, *places: int) -> Bits:
    value = bits.value
    for place in places:
        value ^= 1 << (bits.length - place)
    return Bits(value, bits.length)


def test_majority_and_what_the_others_lack() -> None:
    same = compare_reads([WHOLE, flipped(WHOLE, 5), WHOLE, Bits(WHOLE.value >> 1, 25)])
    assert same.bits == WHOLE
    assert same.agree == (0, 2)
    assert same.differ == ((1, "bit 5"), (3, "1 bit fewer, the others in order"))
    assert not same.voted


def test_damage_in_other_places_each_time_is_voted_out() -> None:
    same = compare_reads([flipped(WHOLE, 3), flipped(WHOLE, 11), flipped(WHOLE, 20)])
    assert same.bits == WHOLE
    assert same.voted
    assert same.agree == ()


def test_two_that_differ_have_no_majority() -> None:
    assert compare_reads([WHOLE, flipped(WHOLE, 3)]).bits is None
    assert compare_reads([]).bits is None
    assert compare_reads([WHOLE]).agree == (0,)


@pytest.mark.parametrize(
    ("other", "words"),
    [
        (WHOLE.inverted(), "every bit the other way round"),
        (WHOLE.reversed(), "the bits in reversed order"),
        (Bits.of("1" * 17), "17 bits: all those of D1, none of D0"),  # sheet 6.7: D0 open
        (Bits.of("0" * 9), "9 bits: all those of D0, none of D1"),  # sheet 6.7: D1 open
        (Bits.of(WHOLE.text + "1"), "1 bit more, the others in order"),
        (flipped(WHOLE, 1, 2, 3), "bits 1, 2, 3"),
    ],
)
def test_differences_in_words(other: Bits, words: str) -> None:
    assert difference(WHOLE, other) == words


@given(st.lists(st.integers(0, 255).flatmap(lambda v: st.integers(8, 10).map(lambda n: Bits(v, n))), max_size=9))
def test_every_read_agrees_or_differs(frames: list[Bits]) -> None:
    same = compare_reads(frames)
    told = sorted([*same.agree, *(place for place, _ in same.differ)])
    assert told == list(range(len(frames)))
