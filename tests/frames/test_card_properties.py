"""Properties of card frames that hold for every number and for any bits; bulk equals scalar."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.frames.card import bulk
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.build import build_bits, build_data
from benchtool.frames.card.bulk import decode_bulk
from benchtool.frames.card.decode import decode, decode_as, decode_seen
from benchtool.frames.card.formats import FORMATS, SEEN, CardFormat
from benchtool.frames.card.hints import CHANGES, Change, hints_for
from tests.strategies import card_bits, card_frames

EVERY = (*FORMATS, *SEEN)


@given(card_frames(EVERY))
def test_what_is_built_is_decoded(frame: tuple[CardFormat, int | None, int]) -> None:
    row, site, number = frame
    bits = build_bits(row, site, number)
    read = decode_as(row, bits)
    assert (read.site_code, read.card_number, read.parity_ok) == (site, number, True)
    assert build_data(row, read.data) == bits


@given(card_frames(EVERY), st.data())
def test_one_wrong_bit_breaks_just_the_groups_that_hold_it(
    frame: tuple[CardFormat, int | None, int], data: st.DataObject
) -> None:
    row, site, number = frame
    bits = build_bits(row, site, number)
    place = data.draw(st.integers(1, row.length))
    read = decode_as(row, (bits.value ^ 1 << (row.length - place), row.length))
    assert [check.ok for check in read.parity] == [place not in check.group.members for check in read.parity]
    assert not read.parity_ok
    # sheet 6.4: in 37-bit frames bit 19 belongs to both groups
    if row.length == 37:
        assert (sum(not check.ok for check in read.parity) == 2) == (place == 19)


@given(card_frames(FORMATS))
def test_swapped_or_reversed_fails_every_group_and_both_together_none(
    frame: tuple[CardFormat, int | None, int],
) -> None:
    # sheet 6.7: the groups have odd sizes; that they mirror each other makes reversing fail likewise
    row, site, number = frame
    bits = build_bits(row, site, number)
    for change, undo in CHANGES.items():
        checks = decode_as(row, undo(bits)).parity
        assert {check.ok for check in checks} == {change is Change.BOTH}
        assert undo(undo(bits)) == bits


@given(card_frames(FORMATS))
def test_a_swapped_frame_is_named_with_its_right_reading(frame: tuple[CardFormat, int | None, int]) -> None:
    row, site, number = frame
    hints = {hint.what: hint for hint in hints_for(build_bits(row, site, number).inverted())}
    assert list(hints) == ["inverted", "reversed", "undecided"]
    assert (row, site, number) in [(read.format, read.site_code, read.card_number) for read in hints["inverted"].reads]
    assert "D0 and D1 are swapped" in hints["inverted"].means
    assert "bit order is reversed" in hints["reversed"].means


@given(card_bits())
def test_any_bits_are_decoded_without_raising(bits: str) -> None:
    reads = decode(bits)
    assert {read.format for read in reads} == {row for row in FORMATS if row.length == len(bits)}
    assert decode(Bits.of(bits)) == reads
    for read in reads:
        assert read.parity_ok == all(check.ok for check in read.parity)
    hints = hints_for(Bits.of(bits))
    assert not (hints and any(read.parity_ok for read in reads))
    assert all(read.parity_ok for hint in hints if hint.what != "other layout" for read in hint.reads)
    decode_seen(Bits.of(bits))


@given(card_bits())
def test_bits_text_and_octets_agree(text: str) -> None:
    bits = Bits.of(text)
    assert bits.text == text
    assert bits.inverted().inverted() == bits == bits.reversed().reversed()
    assert "".join(f"{octet:08b}" for octet in bits.octets)[: bits.length] == text
    assert [str(bits.bit(place)) for place in range(1, len(text) + 1)] == list(text)
    assert int(bits.hex or "0", 16) == bits.value


@pytest.mark.parametrize("row", EVERY, ids=lambda row: row.name)
@pytest.mark.parametrize("odd", [bulk._odd_by_folding, bulk._odd])
def test_bulk_equals_one_by_one(
    row: CardFormat,
    odd: Callable[[bulk.Unsigned], np.ndarray[tuple[int, ...], np.dtype[np.bool_]]],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(bulk, "_odd", odd)
    monkeypatch.setattr(bulk, "_BLOCK", 300)  # several blocks and a short last one
    chance = np.random.default_rng(26)
    values = chance.integers(0, 1 << row.length, 1000, dtype=np.uint64)
    values[:2] = 0, (1 << row.length) - 1
    values[2] = build_data(row, 1).value
    found = decode_bulk(values, row)
    expected = [decode_as(row, (int(value), row.length)) for value in values]
    assert found.parity_ok.tolist() == [read.parity_ok for read in expected]
    assert found.number.tolist() == [read.card_number for read in expected]
    if row.site is None:
        assert found.site is None
    else:
        assert found.site is not None
        assert found.site.tolist() == [read.site_code for read in expected]
    assert 100 < found.parity_ok.sum() < 400


def test_bulk_of_nothing_and_of_too_much() -> None:
    assert len(decode_bulk(np.zeros(0, np.uint64), FORMATS[0]).number) == 0
    with pytest.raises(ValueError, match="does not fit in the 26 bits"):
        decode_bulk(np.array([1 << 26], np.uint64), FORMATS[0])
