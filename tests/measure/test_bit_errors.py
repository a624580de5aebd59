"""Which bits were wrong, counted against what was sent."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from benchtool.measure.bit_errors import PLACES, BitErrorCounter


def test_direction_and_place_of_one_flipped_bit() -> None:
    counter = BitErrorCounter()
    # 0x40 was sent, bit 6 read as 0; 0x00 was sent, bit 0 read as 1.
    assert counter.add(bytes((0x53, 0x00, 0x01)), bytes((0x53, 0x40, 0x00))) == [1, 2]
    found = counter.figures()
    assert (found.rose, found.fell, found.bits, found.copies) == (1, 1, 2, 1)
    assert found.by_bit == (1, 0, 0, 0, 0, 0, 1, 0)
    assert (found.octets, found.first, found.last) == (2, 0, 1)
    assert (found.ones, found.zeros) == (4 + 1, 24 - 5)


def test_changes_of_the_line_count_from_the_start_bit() -> None:
    # Sheet section 2: a start bit 0, then bits least significant first. 0x80 goes out as 0 0000000 1: the only change
    # in the data is its last bit, after eight equal bits; 0x01 goes out as 0 1 0000000.
    counter = BitErrorCounter()
    counter.add(bytes((0x00,)), bytes((0x80,)))
    found = counter.figures()
    assert (found.turned, found.turned_wrong) == (1, 1)
    assert (found.after_run, found.after_run_wrong) == (1, 1)
    counter = BitErrorCounter()
    counter.add(bytes((0x00,)), bytes((0x01,)))
    found = counter.figures()
    assert (found.turned, found.turned_wrong) == (2, 1)
    assert (found.after_run, found.after_run_wrong) == (0, 0)


def test_the_same_damage_again_is_told_from_other_damage() -> None:
    counter = BitErrorCounter()
    true = b"\x11\x03\x00\x6b"
    for read in (b"\x11\x03\x00\x6f", b"\x11\x03\x00\x6f", b"\x10\x03\x00\x6b"):
        counter.add(read, true)
    found = counter.figures()
    assert (found.same_possible, found.same_again) == (2, 1)


@given(st.lists(st.tuples(st.integers(0, 255), st.integers(0, 255)), min_size=1, max_size=80))
def test_counts_add_up(pairs: list[tuple[int, int]]) -> None:
    read, true = bytes(a for a, _ in pairs), bytes(b for _, b in pairs)
    counter = BitErrorCounter()
    wrong = counter.add(read, true)
    found = counter.figures()
    assert wrong == [at for at, (a, b) in enumerate(pairs) if a != b]
    assert found.bits == sum((a ^ b).bit_count() for a, b in pairs) == sum(found.by_bit)
    assert found.zeros + found.ones == 8 * len(pairs)
    assert sum(found.places) == found.octets == len(wrong)
    assert len(found.places) == PLACES
    assert found.turned_wrong <= min(found.bits, found.turned)
    assert found.after_run_wrong <= min(found.turned_wrong, found.after_run)
