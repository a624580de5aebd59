"""Diagnoses of a reader's lines: the sheet's examples, what cannot be told apart, weights, next measurements."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.capture.card_lines import LineRecord
from benchtool.diagnose import card_model
from benchtool.diagnose.card_advice import CARD_ADVICE
from benchtool.diagnose.card_belief import believe
from benchtool.diagnose.card_engine import diagnose_lines
from benchtool.diagnose.card_evidence import CardEvidence
from benchtool.diagnose.card_finding import CardCause, CardDiagnosis
from benchtool.diagnose.card_kinds import KINDS
from benchtool.diagnose.card_readings import CARD_METER, CardMeterReading, parse_card_reading
from benchtool.diagnose.card_shape import FIGURES
from benchtool.diagnose.readings import ReadingError
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.entry import Entry
from benchtool.frames.card.entry import Kind as EntryKind
from benchtool.frames.card.formats import FORMATS
from benchtool.frames.card.pulses import PulseReader
from benchtool.frames.card.read import CardRead, Source
from benchtool.simulate.card_address import records_of

SITE_101 = Bits.of("00110010100001111111111111")
"""Sheet 6.2: site 101, number 4095."""
OTHERS = tuple(Bits.of(text) for text in ("11101010000011011100000010", "10000110100110011000010110"))
"""Sheet 6.2: two more printed examples."""
PRINTED = (Entry(EntryKind.DECIMAL, "", pair=(101, 4095)),)


def typed(*bits: Bits | str) -> tuple[CardRead, ...]:
    return tuple(CardRead(Bits.of(one) if isinstance(one, str) else one, Source.TYPED) for one in bits)


def tapped(records: tuple[LineRecord, ...]) -> tuple[CardRead, ...]:
    reader = PulseReader()
    bursts = [burst for record in records for burst in reader.feed(record)]
    return tuple(burst.read for burst in [*bursts, *reader.flush()] if burst.read is not None)


def first(diagnosis: CardDiagnosis) -> CardCause:
    return diagnosis.findings[0].cause


def test_swapped_lines_cannot_be_told_from_other_causes_until_a_printed_number_is_given() -> None:
    reads = typed(SITE_101.inverted(), OTHERS[0].inverted(), OTHERS[1].inverted())
    diagnosis = diagnose_lines(CardEvidence(reads))
    assert first(diagnosis) is CardCause.LINES_SWAPPED
    assert diagnosis.group is not None
    assert {CardCause.LINES_SWAPPED, CardCause.BITS_REVERSED, CardCause.PARITY_SENSE_WRONG} <= set(
        diagnosis.group.causes
    )
    assert diagnosis.findings[0].probability <= 0.6
    assert diagnosis.next[0].name == "printed"
    told = diagnose_lines(CardEvidence(typed(SITE_101.inverted()) * 2, printed=PRINTED))
    assert first(told) is CardCause.LINES_SWAPPED
    assert told.findings[0].probability > 0.9
    assert told.group is None


def test_the_printed_number_splits_reversed_bits_and_parity_of_the_other_sense() -> None:
    assert first(diagnose_lines(CardEvidence(typed(SITE_101.reversed()), printed=PRINTED))) is CardCause.BITS_REVERSED
    both = Bits(SITE_101.value ^ (1 << 25 | 1), 26)
    assert first(diagnose_lines(CardEvidence(typed(both), printed=PRINTED))) is CardCause.PARITY_SENSE_WRONG


def test_an_open_line_by_bits_alone_may_be_one_stuck_low_and_its_volts_split_them() -> None:
    # Sheet 6.7: D0 open, only the ones arrive: 17 pulses.
    evidence = CardEvidence(typed("1" * 17, "1" * 17, "1" * 17), same_card=True)
    diagnosis = diagnose_lines(evidence)
    assert first(diagnosis) is CardCause.D0_OPEN
    assert diagnosis.group is not None
    assert CardCause.D0_STUCK_LOW in diagnosis.group.causes
    assert diagnosis.findings[0].probability <= 0.6
    assert diagnosis.next[0].name == "d0-idle"
    for volts, cause in (("4.9", CardCause.D0_OPEN), ("0.1", CardCause.D0_STUCK_LOW)):
        measured = CardEvidence(evidence.reads, same_card=True, readings=(parse_card_reading(f"d0-idle={volts}"),))
        assert first(diagnose_lines(measured)) is cause
        assert diagnose_lines(measured).findings[0].probability > 0.9
    assert first(diagnose_lines(CardEvidence(typed("0" * 9, "0" * 9)))) is CardCause.D1_OPEN


def test_several_reads_say_more_than_one() -> None:
    one = diagnose_lines(CardEvidence(typed(SITE_101)))
    five = diagnose_lines(CardEvidence(typed(SITE_101) * 5, same_card=True))
    assert (first(one), first(five)) == (CardCause.HEALTHY, CardCause.HEALTHY)
    few, many = (believe(CardEvidence(typed(*cards))) for cards in ((SITE_101,), (SITE_101, *OTHERS)))
    assert many.of(CardCause.LAYOUT_OTHER) < few.of(CardCause.LAYOUT_OTHER) / 2
    assert any("One read" in limit for limit in one.limits)


def test_wrong_reads_of_one_card_that_differ_are_damage_and_those_alike_are_a_rule() -> None:
    cut = [SITE_101.text[:place] + SITE_101.text[place + 1 :] for place in (3, 9, 17)]
    damaged = diagnose_lines(CardEvidence(typed(*cut, SITE_101), same_card=True))
    assert first(damaged) is CardCause.BITS_LOST
    swapped = believe(CardEvidence(typed(*[SITE_101.inverted()] * 3), same_card=True))
    assert any("same bit by bit" in piece.text for piece in swapped.pieces)


def test_a_length_is_wrong_only_beside_one_that_was_told() -> None:
    # Sheet 6.3: the 34-bit frame of 12345678, at a controller set to 26 bits.
    reads = typed(*["1000000001011110001100001010011100"] * 3)
    assert first(diagnose_lines(CardEvidence(reads))) is CardCause.HEALTHY
    told = diagnose_lines(CardEvidence(reads, expected=FORMATS[:1]))
    assert first(told) is CardCause.LENGTH_OTHER
    assert any("not told" in limit for limit in diagnose_lines(CardEvidence(reads)).limits)


def test_keys_are_no_cards() -> None:
    # Sheet 6.6, eight bits a key: 1, 2, 3, 4.
    keys = [Bits(value, 8) for value in (0xE1, 0xD2, 0xC3, 0xB4)]
    assert first(diagnose_lines(CardEvidence(typed(*keys)))) is CardCause.KEYPAD_BURSTS


@pytest.mark.parametrize(
    ("fault", "cause"),
    [
        ("healthy", CardCause.HEALTHY),
        ("d0-open", CardCause.D0_OPEN),
        ("d1-stuck-low", CardCause.D1_STUCK_LOW),
        ("polarity-inverted", CardCause.POLARITY_INVERTED),
        ("clock-and-data", CardCause.CLOCK_AND_DATA),
        ("reader-silent", CardCause.READER_SILENT),
    ],
)
def test_levels_and_pulses_alone_name_the_cause(fault: str, cause: CardCause) -> None:
    """Records only: nobody has read bits out of them yet."""
    records = tuple(records_of(f"sim:card?fault={fault}&seed=5"))
    assert first(diagnose_lines(CardEvidence(records=records))) is cause


def test_a_ground_shift_is_named_by_its_volts() -> None:
    # Sheet 6.1: 100 mA through 10 ohm is 1 V.
    readings = tuple(map(parse_card_reading, ("ground-shift=1.0", "d0-idle=4.9", "supply=11")))
    diagnosis = diagnose_lines(CardEvidence(readings=readings, presented=3))
    assert first(diagnosis) is CardCause.GROUND_SHIFT


def test_nothing_given_leaves_the_priors_and_says_what_to_do() -> None:
    diagnosis = diagnose_lines(CardEvidence())
    assert diagnosis.findings
    assert all(not finding.evidence for finding in diagnosis.findings)
    assert diagnosis.next


READS = st.lists(st.integers(0, 80).flatmap(lambda size: st.tuples(st.integers(0, (1 << size) - 1), st.just(size))))
READINGS = st.lists(
    st.builds(
        CardMeterReading, st.sampled_from([kind.name for kind in CARD_METER]), st.floats(-50, 1e6, allow_nan=False)
    ),
    max_size=6,
)


@settings(max_examples=60, deadline=None)
@given(READS, READINGS, st.booleans(), st.none() | st.integers(0, 30), st.booleans())
def test_whatever_is_given_probabilities_and_weights_add_up(
    reads: list[tuple[int, int]],
    readings: list[CardMeterReading],
    same: bool,
    presented: int | None,
    told: bool,
) -> None:
    evidence = CardEvidence(
        typed(*(Bits(*bits) for bits in reads)),
        same_card=same,
        readings=tuple(readings),
        presented=presented,
        expected=FORMATS[:1] if told else (),
        printed=PRINTED,
    )
    belief = believe(evidence)
    assert float(belief.probability.sum()) == pytest.approx(1.0)
    diagnosis = diagnose_lines(evidence)
    assert 0 < sum(finding.probability for finding in diagnosis.findings) <= 1.001
    assert len(diagnosis.next) <= 3
    group = diagnosis.group
    if group is not None:
        leader = diagnosis.findings[0]
        assert leader.probability <= 0.6 * group.probability + 1e-3 or leader.cause not in group.causes
    for finding in diagnosis.findings:
        if finding.cause is CardCause.HEALTHY:
            continue
        row, sound = (card_model.INDEX[cause] for cause in (finding.cause, CardCause.HEALTHY))
        odds = (belief.logs[row] - belief.logs[sound]) / math.log(10)
        # Each weight is rounded to two places, and a rest below 0.05 is left out.
        assert sum(proof.weight for proof in finding.evidence) == pytest.approx(odds, abs=0.1)


def test_no_card_number_stands_in_the_words() -> None:
    diagnosis = diagnose_lines(CardEvidence(typed(SITE_101.inverted(), SITE_101), printed=PRINTED))
    said = repr(diagnosis)
    for secret in ("4095", "335E000", "0CA1FFF", SITE_101.text, SITE_101.inverted().text):
        assert secret not in said


def test_what_is_shipped_fits_the_program() -> None:
    """Else: python -m benchtool.train.card_lines make."""
    model = card_model.load()
    assert model.reads.shape[::2] == (len(CardCause) - 1, len(KINDS))
    assert model.shape.shape == (len(CardCause), sum(figure.bins for figure in FIGURES))
    assert model.meter.shape[::2] == (len(CardCause) - 1, len(CARD_METER))
    assert np.isfinite(model.meter).all()


def test_a_reader_with_a_keypad_is_no_fault_where_its_cards_are_sound() -> None:
    for address in ("sim:card?keys=1234#", "sim:card?keys=12#&keypad=8&cards=3"):
        records = tuple(records_of(address))
        diagnosis = diagnose_lines(CardEvidence(tapped(records), records=records))
        assert first(diagnosis) is CardCause.HEALTHY, address
        assert any("keys of a keypad" in limit for limit in diagnosis.limits)


def test_how_long_a_record_goes_on_after_the_cards_says_nothing() -> None:
    records = tuple(records_of("sim:card"))
    quiet = LineRecord((), records[-1].end_ns, records[-1].end_ns + 600_000_000_000, (True, True), 1000)
    reads = tapped(records)
    short = diagnose_lines(CardEvidence(reads, records=records))
    long = diagnose_lines(CardEvidence(reads, records=(*records, quiet)))
    assert first(short) is first(long) is CardCause.HEALTHY
    assert short.findings[0].probability == pytest.approx(long.findings[0].probability, abs=0.01)


def test_a_sure_fault_still_gets_a_measurement_that_proves_it() -> None:
    records = tuple(records_of("sim:card?fault=d0-open"))
    diagnosis = diagnose_lines(CardEvidence(tapped(records), records=records))
    assert diagnosis.findings[0].probability > 0.95
    assert diagnosis.next[0].name.startswith("d0-")
    assert diagnosis.next[0].caution


def test_priors_and_words_are_whole() -> None:
    assert sum(card_model.PRIOR.values()) == pytest.approx(1.0, abs=0.01)
    assert set(card_model.PRIOR) == set(CardCause) == set(CARD_ADVICE)
    for advice in CARD_ADVICE.values():
        assert advice.todo
        assert advice.could_also_be


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("d0-idle", "looks like"),
        ("d2-idle=1", "no such reading"),
        ("d0-idle=open", "only ohms"),
        ("d0-idle=5 ohm", "in V"),
        ("d0-idle=x", "a number"),
        ("d0-idle=230", "STOP"),
        ("d0-ground-ohms=-1", "0 ohm or more"),
    ],
)
def test_a_wrong_reading_is_told_in_one_line(text: str, told: str) -> None:
    with pytest.raises(ReadingError, match=told):
        parse_card_reading(text)


def test_readings_are_understood_as_people_write_them() -> None:
    assert parse_card_reading("ground-shift=120m") == ("ground-shift", 0.12)
    assert parse_card_reading("d0-idle = 4,9 V") == ("d0-idle", 4.9)
    assert parse_card_reading("d0-ground-ohms=47k") == ("d0-ground-ohms", 47_000)
    assert parse_card_reading("d1-loop-ohms=OL").text() == "d1-loop-ohms open"
