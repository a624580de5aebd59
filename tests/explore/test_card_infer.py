"""An unknown card format out of reads: published layouts found again, damage named, no claim beyond reads."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.explore.card_infer import Inferred, Verdict, infer
from benchtool.explore.card_invented import cards, draw
from benchtool.explore.card_next import next_cards
from benchtool.explore.card_parity import find_parity
from benchtool.explore.card_samples import CardSample, Printed, Span, annihilator, distinct, members, ties
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.build import build_bits
from benchtool.frames.card.formats import FORMATS, SEEN, CardFormat, Sense
from benchtool.frames.card.table_file import dump, load


def reads_of(row: CardFormat, count: int, seed: int = 1, printed: int = 4, site: int | None = None) -> list[CardSample]:
    chooser = random.Random(seed)
    made = []
    for index in range(count):
        number = chooser.randrange(row.number.largest + 1)
        code = None if row.site is None else chooser.randrange(row.site.largest + 1) if site is None else site
        shown = Printed(number) if index < printed else None
        made.append(CardSample(build_bits(row, code, number), shown, f"read {index}"))
    return made


def flipped(sample: CardSample, place: int) -> CardSample:
    value, length = sample.bits
    return CardSample(Bits(value ^ 1 << (length - place), length), None, sample.where)


def one_of(samples: list[CardSample], tables: bool = False) -> Inferred:
    (found,) = infer(samples, tables=tables)
    return found


@pytest.mark.parametrize("row", FORMATS + SEEN, ids=lambda row: row.name)
def test_published_layouts_are_found_from_data_width_and_8_reads_without_knowing_them(row: CardFormat) -> None:
    # Layouts: reference sheet 6.2 to 6.5.
    found = one_of(reads_of(row, row.data_bits + 8))
    assert set(found.best.parity) == set(row.parity)
    assert found.parity.open == 0
    assert row.number in [fit.field for fit, _ in found.numbers]
    assert found.number_sure < 0.99 or found.best.number == row.number


def test_few_reads_of_a_known_format_are_recognised_by_the_table() -> None:
    found = one_of(reads_of(FORMATS[0], 12), tables=True)
    assert set(found.best.parity) == set(FORMATS[0].parity)
    assert found.known == ("26-bit",)
    assert found.verdict is Verdict.SEVERAL  # 12 reads leave more relations open, and that is said
    assert any(one.kind == "different numbers" for one in next_cards(found))


def test_a_handful_of_reads_of_an_unknown_format_claims_no_group() -> None:
    found = one_of(reads_of(FORMATS[3], 6, printed=0))
    assert found.verdict is Verdict.NOTHING
    assert not found.parity.relations
    assert {one.kind for one in next_cards(found)} >= {"different numbers", "printed number"}


def test_what_one_site_cannot_tell_is_said() -> None:
    found = one_of(reads_of(FORMATS[0], 40, site=101))
    assert found.verdict is Verdict.SEVERAL
    # Site 101 never changed: bits 2 to 9.
    assert members(~found.parity.care & ((1 << 26) - 1), 26) == tuple(range(2, 10))
    assert "another site or batch" in {one.kind for one in next_cards(found)}


def test_two_sites_are_no_parity_group() -> None:
    # Sites 1 and 2: bits 8 and 9 always differ.
    row = FORMATS[0]
    samples = reads_of(row, 20, site=1) + reads_of(row, 20, seed=2, site=2, printed=0)
    found = one_of(samples)
    assert set(found.best.parity) == set(row.parity)
    assert members(found.parity.together, 26) == (8, 9)


@pytest.mark.parametrize("place", [1, 5, 13, 14, 20, 26])
def test_a_damaged_read_is_named_and_spoils_nothing(place: int) -> None:
    samples = reads_of(FORMATS[0], 34)
    samples[20] = flipped(samples[20], place)
    found = one_of(samples)
    assert [one.where for one in found.odd] == ["read 20"]
    assert set(found.best.parity) == set(FORMATS[0].parity)


def test_two_damaged_reads_in_one_half_are_named() -> None:
    samples = reads_of(FORMATS[0], 40)
    samples[20], samples[30] = flipped(samples[20], 3), flipped(samples[30], 7)
    assert {one.where for one in one_of(samples).odd} == {"read 20", "read 30"}


def test_a_card_of_a_rare_site_is_not_called_damaged() -> None:
    row = FORMATS[0]
    found = one_of(reads_of(row, 39, site=3) + reads_of(row, 1, seed=9, site=4, printed=0))
    assert found.odd == ()


def test_a_lost_bit_is_named_by_its_length() -> None:
    samples = reads_of(FORMATS[0], 34)
    samples.append(CardSample(Bits(samples[3].bits.value >> 1, 25), None, "read 99"))
    found = one_of(samples)
    assert [(one.where, one.why[:17]) for one in found.odd] == [("read 99", "25 bits, 1 fewer ")]
    assert found.length == 26


def test_lengths_are_told_apart() -> None:
    found = infer(reads_of(FORMATS[0], 34) + reads_of(FORMATS[1], 50), tables=False)
    assert [one.length for one in found] == [34, 26]
    assert set(found[1].best.parity) == set(FORMATS[0].parity)


def test_repeats_count_once() -> None:
    samples = reads_of(FORMATS[0], 34)
    once, twice = one_of(samples), one_of(samples + samples)
    assert once.cards == twice.cards
    assert once.parity == twice.parity


def test_a_misread_printed_number_is_named() -> None:
    samples = reads_of(FORMATS[0], 34, printed=6)
    printed = samples[2].printed
    assert printed is not None
    samples[2] = CardSample(samples[2].bits, Printed(printed.number ^ 0x1234), "read 2")
    found = one_of(samples)
    assert [one.where for one in found.odd] == ["read 2"]
    assert found.best.number == FORMATS[0].number


def test_one_bit_groups_of_three_and_no_reads_raise_nothing() -> None:
    assert infer([]) == []
    assert infer([CardSample(Bits(5, 4))] * 9) == []
    assert one_of([CardSample(Bits(value, 8)) for value in range(3)]).length == 8


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.integers(3, 60), st.integers(0, 5))
def test_every_listed_layout_fits_every_read_that_is_not_odd_and_can_be_saved(
    seed: int, count: int, printed: int
) -> None:
    row = draw(seed).row
    drawn = cards(row, seed, count)
    samples = [
        CardSample(Bits(value, row.length), Printed(number) if at < printed else None, f"{at}")
        for at, (value, number) in enumerate(drawn)
    ]
    for found in infer(samples):
        odd = {one.where for one in found.odd}
        for layout in found.layouts:
            assert all(fits_read(layout.format, one.bits) for one in samples if one.where not in odd)
            assert load(dump(layout.format)) == (layout.format,)
        for fit, _ in found.numbers:
            for sample in samples:
                if sample.printed is not None and sample.where not in odd:
                    assert number_of(fit.field, sample.bits) == sample.printed.number


def fits_read(row: CardFormat, bits: tuple[int, int]) -> bool:
    """Whether a read keeps a format's parity and constants: worked out here bit by bit."""
    value, length = bits
    if length != row.length:
        return False
    for group in row.parity:
        ones = sum(value >> (length - place) & 1 for place in group.members)
        if ones % 2 != (group.sense is Sense.ODD):
            return False
    return all(
        value >> (length - place) & 1 == constant.value >> (len(constant.places) - 1 - at) & 1
        for constant in row.constants
        for at, place in enumerate(constant.places)
    )


def number_of(field: object, bits: Bits) -> int:
    """A field's number, worked out here digit by digit."""
    from benchtool.frames.card.formats import CardField, Writing

    assert isinstance(field, CardField)
    text = "".join(str(bits.bit(place) ^ field.inverted) for place in field.places)
    if field.writing is Writing.BCD:
        return int("".join(str(int(text[at : at + 4], 2)) for at in range(0, len(text), 4))) + field.offset
    return int(text, 2) + field.offset


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(0, 2**20 - 1), min_size=2, max_size=40, unique=True), st.integers(0, 2**20 - 1))
def test_one_more_read_never_adds_a_relation(values: list[int], more: int) -> None:
    before, after = Span(annihilator(values, 20)), annihilator([*values, more], 20)
    assert all(mask in before for mask in after)
    assert len(before) - len(after) in (0, 1)
    for mask in after:
        assert len({(value & mask).bit_count() & 1 for value in [*values, more]}) == 1


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.integers(2, 50))
def test_relations_hold_in_all_reads_and_are_independent(seed: int, count: int) -> None:
    row = draw(seed).row
    values = [value for value, _ in cards(row, seed, count)]
    found = find_parity(values, row.length)
    kept = [value for at, value in enumerate(values) if at not in found.odd]
    for relation in (*found.relations, *found.maybe):
        assert {(value & relation.mask).bit_count() & 1 for value in kept} == {relation.odd}
    tied = ties(kept, row.length)
    cores = [tied.rest(relation.mask) for relation in found.relations]
    assert len(Span(cores)) == len(cores)


def test_distinct_keeps_what_is_printed() -> None:
    bits = Bits(5, 8)
    assert distinct([CardSample(bits), CardSample(bits, Printed(5))]) == [CardSample(bits, Printed(5))]
