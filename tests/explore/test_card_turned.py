"""Published formats whose bits came turned round. Which groups fail: reference sheet 6.5 to 6.7; cards invented."""

from __future__ import annotations

import random

import pytest

from benchtool.explore.card_infer import Verdict, infer
from benchtool.explore.card_next import next_cards
from benchtool.explore.card_samples import CardSample, Printed
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.build import build_bits
from benchtool.frames.card.formats import FORMATS, CardFormat
from benchtool.frames.card.hints import CHANGES, Change
from benchtool.reports.infer_text import inferred_object, inferred_text, save_notes


def reads(row: CardFormat, change: Change | None, printed: int, count: int = 40) -> list[CardSample]:
    chooser = random.Random(5)
    made = []
    for at in range(count):
        number = chooser.randrange(row.number.largest + 1)
        bits = build_bits(row, chooser.randrange(row.site.largest + 1) if row.site else None, number)
        bits = CHANGES[change](bits) if change else bits
        made.append(CardSample(bits, Printed(number) if at < printed else None, f"line {at + 1}"))
    return made


@pytest.mark.parametrize("row", FORMATS, ids=lambda row: row.name)
@pytest.mark.parametrize("change", Change)
def test_a_turned_format_is_named_before_any_layout(row: CardFormat, change: Change) -> None:
    (found,) = infer(reads(row, change, 6))
    assert found.verdict is Verdict.TURNED
    assert [(one.name, one.change, one.proved) for one in found.turned] == [(row.name, change, True)]
    assert [one.kind for one in next_cards(found)] == ["mend first"]
    text = inferred_text(found)
    said = next(at for at, line in enumerate(text) if line.startswith(f"- these are {row.name} with"))
    assert said < text.index("sure  what")
    assert inferred_object(found)["turned"][0]["change"] == change.value
    assert any(note.startswith("mend first") for note in save_notes(found))


def test_without_printed_numbers_both_changes_stay_open() -> None:
    (found,) = infer(reads(FORMATS[0], Change.INVERTED, 0))
    assert {one.change for one in found.turned} == {Change.INVERTED, Change.REVERSED}
    assert not any(one.proved for one in found.turned)
    assert any("Parity cannot choose" in line for line in inferred_text(found))


def test_sound_reads_are_not_called_turned() -> None:
    for row in FORMATS:
        for printed in (0, 6):
            (found,) = infer(reads(row, None, printed))
            assert found.turned == ()


def test_an_own_format_with_the_other_senses_is_not_called_turned_where_its_numbers_are_right() -> None:
    # Odd over the first half and even over the second: 26-bit the other way round, but the number is as printed.
    samples = []
    for sample in reads(FORMATS[0], None, 6):
        value = sample.bits.value ^ (1 << 25 | 1)
        samples.append(CardSample(Bits(value, 26), sample.printed, sample.where))
    (found,) = infer(samples)
    assert found.turned == ()
    assert found.best.number.places == FORMATS[0].number.places


def test_one_damaged_read_or_one_wrong_number_hides_nothing() -> None:
    samples = reads(FORMATS[0], Change.INVERTED, 6)
    samples[20] = CardSample(Bits(samples[20].bits.value ^ 1 << 7, 26), None, "line 21")
    samples[1] = CardSample(samples[1].bits, Printed(1), "line 2")
    (found,) = infer(samples)
    assert [one.change for one in found.turned] == [Change.INVERTED]
