"""What a read is by its bits, and what changes of all bits do to a format's parity, against the sheet's algebra."""

from __future__ import annotations

import pytest

from benchtool.diagnose.card_evidence import CardEvidence
from benchtool.diagnose.card_finding import CardCause
from benchtool.diagnose.card_kinds import Kind, Printed, expected_formats, kind_of_read, kinds, patterns, printed_agrees
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.entry import Entry
from benchtool.frames.card.entry import Kind as EntryKind
from benchtool.frames.card.formats import FORMATS, CardField, CardFormat, ParityGroup, Sense
from benchtool.frames.card.keypad import BURSTS
from benchtool.frames.card.read import CardRead, Source

ROW = FORMATS[0]
SITE_101 = Bits.of("00110010100001111111111111")
"""Sheet 6.2: site 101, number 4095."""


def kind(text: str) -> Kind:
    return kind_of_read(Bits.of(text), (ROW,), FORMATS)


def flipped(bits: Bits, place: int) -> str:
    return Bits(bits.value ^ 1 << bits.length - place, bits.length).text


def test_kinds_of_the_worked_example() -> None:
    assert kind(SITE_101.text) is Kind.SOUND
    assert kind(SITE_101.inverted().text) is Kind.ALL_FAIL
    assert kind(SITE_101.reversed().text) is Kind.ALL_FAIL
    assert kind(flipped(SITE_101, 1)) is Kind.FIRST_FAIL
    assert kind(flipped(SITE_101, 26)) is Kind.OTHER_FAIL
    # Sheet 6.7: D0 open, 17 ones; D1 open, 9 zeros.
    assert kind("1" * 17) is Kind.ONLY_ONES
    assert kind("0" * 9) is Kind.ONLY_ZEROS
    assert kind(SITE_101.text[:24]) is Kind.FEWER
    assert kind(SITE_101.text[:15]) is Kind.SHORT
    assert kind(SITE_101.text + "1") is Kind.MORE
    assert kind(SITE_101.text * 2) is Kind.DOUBLE
    assert kind(SITE_101.text + "1" * 20) is Kind.LONG
    # Sheet 6.3: the 34-bit frame of 12345678.
    assert kind("1000000001011110001100001010011100") is Kind.OTHER_LENGTH


def test_every_key_is_a_key() -> None:
    for value, length in BURSTS:
        text = Bits(value, length).text
        plain = text in ("0" * length, "1" * length)
        assert kind(text) is (Kind.ONLY_ZEROS if plain else Kind.KEY)


@pytest.mark.parametrize("row", FORMATS, ids=lambda row: row.name)
def test_inverting_or_reversing_a_sound_frame_fails_every_group(row: CardFormat) -> None:
    # Sheet 6.7: parity groups of 13, 17 and 19 bits are odd-sized, so both parities always fail.
    changed = patterns((row,))
    for cause in (CardCause.LINES_SWAPPED, CardCause.BITS_REVERSED, CardCause.PARITY_SENSE_WRONG):
        assert changed[cause][0][Kind.ALL_FAIL] == 1.0
    first, other = changed[CardCause.PARITY_ONE_WRONG]
    assert (first[Kind.FIRST_FAIL], other[Kind.OTHER_FAIL]) == (1.0, 1.0)
    assert changed[CardCause.LAYOUT_OTHER][0][Kind.SOUND] == pytest.approx(0.25, abs=0.1)


def test_a_group_of_even_size_passes_inverted() -> None:
    """Counted on the user's own format, not assumed: 4 bits and their parity in groups of even size."""
    row = CardFormat(
        "own", 10, (CardField("card_number", tuple(range(2, 11))),), (ParityGroup(1, Sense.EVEN, (2, 3, 4)),), "test"
    )
    assert patterns((row,))[CardCause.LINES_SWAPPED][0][Kind.SOUND] == 1.0


def test_what_is_expected_is_told_or_the_commonest_length() -> None:
    reads = tuple(
        CardRead(Bits.of(text), Source.TYPED) for text in (SITE_101.text, SITE_101.text[:20], SITE_101.text + "0" * 8)
    )
    assert {row.length for row in expected_formats(CardEvidence(reads[:2]))} == {26}
    assert expected_formats(CardEvidence(reads, expected=(FORMATS[1],))) == (FORMATS[1],)
    ones = CardRead(Bits.of("1" * 17), Source.TYPED)
    assert {row.length for row in expected_formats(CardEvidence((ones,)))} == {26}
    assert kinds(CardEvidence((ones,), presented=3)) == [Kind.ONLY_ONES, Kind.NOTHING, Kind.NOTHING]


def test_printed_numbers_agree_with_every_change() -> None:
    pair = Entry(EntryKind.DECIMAL, "", pair=(101, 4095))
    number = Entry(EntryKind.DECIMAL, "", data=4095)
    whole = Entry(EntryKind.DECIMAL, "", data=101 << 16 | 4095)
    for entry in (pair, number, whole):
        assert printed_agrees(SITE_101, entry, (ROW,)) is Printed.AS_GIVEN
        assert printed_agrees(SITE_101.inverted(), entry, (ROW,)) is Printed.INVERTED
        assert printed_agrees(SITE_101.reversed(), entry, (ROW,)) is Printed.REVERSED
        # A wrong parity bit leaves the number as it is.
        assert printed_agrees(Bits.of(flipped(SITE_101, 1)), entry, (ROW,)) is Printed.AS_GIVEN
    assert printed_agrees(Bits.of("1" * 17), pair, (ROW,)) is Printed.ONES
    assert printed_agrees(Bits.of("0" * 9), pair, (ROW,)) is Printed.ZEROS
    assert printed_agrees(Bits.of("0" * 8), pair, (ROW,)) is Printed.NONE
