"""Reads of one card compared: majority, votes, and how the others differ (sheet 6.7 for opened and swapped lines)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.frames.card.bits import Bits
from benchtool.measure.card_reads import How, changes, compare_reads, difference

WHOLE = Bits.of("00110010100001111111111111")  # sheet 6.2


def flipped(bits: Bits, *places: int) -> Bits:
    value = bits.value
    for place in places:
        value ^= 1 << (bits.length - place)
    return Bits(value, bits.length)


def test_majority_and_what_the_others_lack() -> None:
    same = compare_reads([WHOLE, flipped(WHOLE, 5), WHOLE, Bits(WHOLE.value >> 1, 25), WHOLE])
    assert same.bits == WHOLE
    assert same.agree == (0, 2, 4)
    assert same.differ == ((1, "bit 5"), (3, "1 bit fewer, the others in order"))
    assert same.how is How.MAJORITY


def test_damage_in_other_places_each_time_is_voted_out() -> None:
    same = compare_reads([flipped(WHOLE, 3), flipped(WHOLE, 11), flipped(WHOLE, 20)])
    assert same.bits == WHOLE
    assert same.how is How.VOTED
    assert same.agree == ()


def test_lost_bits_are_found_by_the_read_that_is_nearest_to_all() -> None:
    lost = [Bits.of(WHOLE.text[:place] + WHOLE.text[place + 1 :]) for place in (2, 9, 25)]
    same = compare_reads([lost[0], WHOLE, lost[1], lost[2]])
    assert (same.bits, same.how, same.agree) == (WHOLE, How.NEAREST, (1,))
    assert {words for _, words in same.differ} == {"1 bit fewer, the others in order"}


def test_reads_of_other_cards_are_not_mixed_into_one() -> None:
    others = [Bits((0x1234567 * (place + 3) ** 5) % (1 << 26), 26) for place in range(5)]
    assert compare_reads(others).how is How.NOT


@given(st.text("01", max_size=12), st.text("01", max_size=12))
def test_changes_are_a_distance(one: str, other: str) -> None:
    assert changes(one, other) == changes(other, one)
    assert (changes(one, other) == 0) == (one == other)
    assert abs(len(one) - len(other)) <= changes(one, other) <= max(len(one), len(other))


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
