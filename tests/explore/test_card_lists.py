"""Lists of reads as sites give them: few sites, batches, rare cards, damage, numbers that are alike. Cards invented."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.explore.card_infer import Inferred, Verdict, infer
from benchtool.explore.card_invented import Population, draw, population
from benchtool.explore.card_layout import parity_bits
from benchtool.explore.card_next import next_cards
from benchtool.explore.card_parity import Relation
from benchtool.explore.card_samples import CardSample, Printed, evidence, free_bits, members
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.format_rules import check_format
from benchtool.reports.infer_text import inferred_object, inferred_text, save_notes


def even(text: str) -> str:
    """A bit that makes the ones even in number."""
    return str(text.count("1") % 2)


def odd(text: str) -> str:
    """A bit that makes the ones odd in number."""
    return str(1 - text.count("1") % 2)


def halves(site: str, number: str) -> str:
    """Even parity over the first half, odd over the second, as 26-bit has it (reference sheet 6.2), any width."""
    data = site + number
    middle = len(data) // 2
    return even(data[:middle]) + data + odd(data[middle:])


def plain(site: str, number: str) -> str:
    """No parity at all."""
    return site + number


def listed(cards: list[tuple[str, int]], printed: int = 6) -> list[CardSample]:
    return [
        CardSample(Bits.of(bits), Printed(number, None, len(str(number))) if at < printed else None, f"line {at + 1}")
        for at, (bits, number) in enumerate(cards)
    ]


def cards_of(
    build: Callable[[str, str], str], sites: list[str], counts: list[int], width: int = 16, seed: int = 1
) -> list[tuple[str, int]]:
    chooser = random.Random(seed)
    made = []
    for site, count in zip(sites, counts, strict=True):
        for _ in range(count):
            number = chooser.getrandbits(width)
            made.append((build(site, f"{number:0{width}b}"), number))
    chooser.shuffle(made)
    return made


def found(samples: list[CardSample], *, tables: bool = False, all_sites: bool = False) -> Inferred:
    (one,) = infer(samples, tables=tables, all_sites=all_sites)
    return one


SITES = ["0011010", "1101001", "0110111", "1000110", "0101100", "1110000"]


@pytest.mark.parametrize("build", [plain, halves])
@pytest.mark.parametrize("counts", [[40, 1, 1, 1], [26, 26, 1, 1, 1, 1], [12, 12, 12, 12]])
def test_sound_cards_of_few_and_rare_sites_are_not_damaged_and_make_no_parity(
    build: Callable[[str, str], str], counts: list[int]
) -> None:
    for seed in range(6):
        cards = cards_of(build, SITES[: len(counts)], counts, seed=seed)
        one = found(listed(cards))
        assert one.odd == ()
        length = one.length
        true = [] if build is plain else [set(range(1, 13)), set(range(13, 26))]
        for relation in one.parity.relations:
            # What is sure is a group of the format, over the bits of the number at least: those of the site are open.
            number = {place for place in members(relation.mask, length) if place > 8 or place == 1}
            assert relation.sure < 0.99 or any(number - group <= {1} for group in true), (seed, relation)
        if build is plain:
            assert not one.parity.relations


def test_a_relation_among_site_bits_counts_each_site_once() -> None:
    # 50 reads of two sites: bits 1 and 2 are always equal, and that is one test, not 49.
    chooser = random.Random(4)
    values = [int(site + f"{chooser.getrandbits(16):016b}", 2) for site in ("00", "11") * 25]
    assert evidence(values, 0b11 << 16, free_bits(values, 18)) == 1
    number = free_bits(values, 18)
    assert set(members(number, 18)) <= set(range(3, 19))
    assert evidence(values, 0b111100, number) == 49


def test_a_relation_that_rests_on_a_read_left_out_is_not_sure() -> None:
    # Random bits without parity: some one of 45 reads is always in the way of some relation.
    settled = 0
    for seed in range(40):
        chooser = random.Random(seed)
        values = {chooser.getrandbits(32) for _ in range(42)}
        one = found([CardSample(Bits(value, 32), Printed(value)) for value in sorted(values)])
        if one.odd:
            assert all(relation.sure < 0.99 for relation in one.parity.relations)
        settled += one.verdict is Verdict.SETTLED and bool(one.parity.relations)
    assert settled == 0


def test_settled_needs_every_bit_both_ways_or_the_word_that_there_are_no_other_sites() -> None:
    # Bits 25 to 28 are a check of the site alone, and there is one site: they look constant.
    cards = cards_of(lambda site, number: site + number + "1111", ["01011010"], [50])
    one = found(listed(cards, 8))
    assert one.verdict is Verdict.SEVERAL
    assert "another site or batch" in {card.kind for card in next_cards(one)}
    told = found(listed(cards, 8), all_sites=True)
    assert told.verdict is Verdict.SETTLED
    assert next_cards(told) == ()
    assert inferred_text(told)[0].startswith("28 bits: settled for the sites read")
    assert inferred_object(told)["all_sites"] is True


def test_a_single_bit_that_no_parity_bears_out_is_named_and_settles_nothing() -> None:
    def one_constant(site: str, number: str) -> str:
        return "0000" + halves(site, number)

    cards = cards_of(one_constant, SITES, [9] * 6)
    bits, number = cards[30]
    cards[30] = ("0100" + bits[4:], number)
    one = found(listed(cards))
    assert [odd_read.where for odd_read in one.doubtful] == ["line 31"]
    assert "bit 2" in one.doubtful[0].why
    assert found(listed(cards), all_sites=True).verdict is not Verdict.SETTLED
    # Read so twice it is a card of its own, not damage.
    assert found(listed([*cards, cards[30]])).doubtful == ()


def test_a_shorter_number_shows_that_leading_zeros_are_not_printed() -> None:
    # The number 625 among others of four digits (each below 4096).
    cards = cards_of(plain, ["00010110"], [40], width=24, seed=3)
    low = [(bits[:8] + f"{number % 9000 + 1000:024b}", number % 9000 + 1000) for bits, number in cards]
    low[2] = (low[2][0][:8] + f"{625:024b}", 625)
    one = found(listed(low, 5))
    assert one.odd == ()
    assert one.printed == 5


@pytest.mark.parametrize("offset", [-1, 0, 1, 1000, 4000, 10000, 100000])
def test_consecutive_numbers_leave_the_field_open_and_blame_nobody(offset: int) -> None:
    cards = [(f"{14:06b}{at:020b}", at + offset) for at in range(5, 35)]
    one = found(listed(cards, 4))
    assert one.numbers
    assert all(fit.field.last == 26 and fit.field.offset == offset for fit, _ in one.numbers[:1])
    assert one.number_sure < 0.99
    assert not any("mistyped" in card.words for card in next_cards(one))


def test_an_offset_is_found_with_a_parity_bit_amid_the_number() -> None:
    def amid(site: str, number: str) -> str:
        return site + number[:8] + even(site + number) + number[8:]

    cards = [(bits, number - 1) for bits, number in cards_of(amid, SITES, [8] * 6)]
    one = found(listed([card for card in cards if card[1] >= 0]))
    fields = [fit.field for fit, _ in one.numbers]
    assert any(field.offset == -1 and field.places == (*range(8, 16), *range(17, 25)) for field in fields)


def test_low_numbers_do_not_settle_where_the_field_ends() -> None:
    cards = cards_of(lambda site, number: site + "0" * 12 + number, SITES, [10] * 6, width=12)
    one = found(listed(cards))
    assert one.number_sure < 0.99
    assert len({fit.field.count for fit, _ in one.numbers}) > 1


def test_parity_bits_lie_in_their_own_groups_however_many_groups_share_bits() -> None:
    chooser = random.Random(9)
    for _ in range(60):
        masks = [chooser.getrandbits(12) for _ in range(7)]
        relations = [Relation(mask, 0, 20.0, ((mask, 1.0),)) for mask in masks]
        bits = parity_bits(relations, 12, (1 << 12) - 1)
        if bits is not None:
            assert len(set(bits)) == len(bits)
            assert all(mask >> (12 - bit) & 1 for mask, bit in zip(masks, bits, strict=True))


@st.composite
def lists_of_reads(draw_from: st.DrawFn) -> list[CardSample]:
    """Random reads, and reads of invented formats in every kind of population, with repeats and damaged ones."""
    seed = draw_from(st.integers(0, 10**6))
    chooser = random.Random(seed)
    count = draw_from(st.integers(3, 48))
    if draw_from(st.booleans()):
        row = draw(seed).row
        length = row.length
        cards = population(row, draw_from(st.sampled_from(Population)), seed, count)
    else:
        length = draw_from(st.integers(8, 48))
        few = [chooser.getrandbits(length) for _ in range(draw_from(st.integers(2, 6)))]
        kept = draw_from(st.integers(0, length))
        low = (1 << (length - kept)) - 1
        cards = [(chooser.choice(few) & ~low | chooser.getrandbits(length) & low, at) for at in range(count)]
    samples = [
        CardSample(Bits(value, length), Printed(max(0, number), None, 5) if at % 5 == 0 else None, f"{at}")
        for at, (value, number) in enumerate(cards)
    ]
    for _ in range(draw_from(st.integers(0, 3))):
        value = chooser.choice(samples).bits.value ^ 1 << chooser.randrange(length)
        samples.append(CardSample(Bits(value, length), None, "damaged"))
    samples += chooser.choices(samples, k=draw_from(st.integers(0, 4)))
    return samples


@settings(max_examples=25, deadline=None)
@given(lists_of_reads(), st.booleans(), st.booleans())
def test_every_list_of_reads_is_answered_in_text_json_and_table(
    samples: list[CardSample], tables: bool, all_sites: bool
) -> None:
    for one in infer(samples, tables=tables, all_sites=all_sites):
        assert inferred_text(one)[0].startswith(f"{one.length} bits: ")
        made = inferred_object(one)
        assert len(made["parity_sure"]) == len(one.best.parity)
        assert save_notes(one)
        for layout in one.layouts:
            check_format(layout.format)
            assert len(layout.relations) == len(layout.format.parity)
            for relation, group in zip(layout.relations, layout.format.parity, strict=True):
                assert group.bit in members(relation.mask, one.length)
        if one.verdict is Verdict.SETTLED and not all_sites:
            assert one.parity.care == (1 << one.length) - 1
            assert not one.parity.together
            assert not one.doubtful
