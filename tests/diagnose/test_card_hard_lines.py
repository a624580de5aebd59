"""Lines that an independent tester drew: each class of them once, drawn here and not by the simulated reader."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace

import pytest

from benchtool.capture.card_lines import Edge, LineRecord
from benchtool.diagnose import card_model
from benchtool.diagnose.card_belief import believe
from benchtool.diagnose.card_engine import diagnose_lines
from benchtool.diagnose.card_evidence import CardEvidence
from benchtool.diagnose.card_finding import CardCause, CardDiagnosis
from benchtool.diagnose.card_kinds import alike_in_length
from benchtool.diagnose.card_readings import parse_card_reading
from benchtool.diagnose.card_shape import figures
from benchtool.diagnose.readings import ReadingError
from benchtool.frames.card.build import build_bits
from benchtool.frames.card.entry import Entry
from benchtool.frames.card.entry import Kind as EntryKind
from benchtool.frames.card.formats import FORMATS
from benchtool.frames.card.pulses import Odd, PulseReader
from benchtool.frames.card.read import CardRead, Source

US, MS = 1_000, 1_000_000
Low = tuple[int, int, int]
"""Line, beginning and end in nanoseconds."""
CARDS = tuple(build_bits(FORMATS[0], 40 + place, 1000 + 777 * place).text for place in range(6))
"""Invented numbers."""


def unknown(length: int, count: int = 6) -> tuple[str, ...]:
    draw = random.Random(length)
    return tuple("".join(draw.choice("01") for _ in range(length)) for _ in range(count))


def frames(texts: Sequence[str], width: int = 50 * US, spacing: int = MS) -> list[Low]:
    draw = random.Random(3)
    found, t_ns = [], 50 * MS
    for text in texts:
        for bit in text:
            begin = t_ns + draw.randrange(-3 * US, 3 * US)
            found.append((int(bit), begin, begin + width))
            t_ns += spacing
        t_ns += 300 * MS
    return found


def seen(lows: Sequence[Low], *, begin: int | None = 0) -> CardEvidence:
    """Everything a tap has of these lows, at a controller set to 26 bits; `begin` None: with the first edge."""
    edges = sorted(
        (edge for line, low, high in lows for edge in (Edge(low, line, high=False), Edge(high, line, high=True))),
        key=lambda edge: edge.t_ns,
    )
    first = edges[0].t_ns if begin is None else begin
    record = LineRecord(tuple(edges), first, edges[-1].t_ns + 100 * MS, (True, True), US, "drawn")
    reader = PulseReader()
    bursts = reader.feed(record) + reader.flush()
    reads = tuple(burst.read for burst in bursts if burst.read is not None)
    return CardEvidence(reads, records=(record,), expected=FORMATS[:1])


def measured(evidence: CardEvidence, *texts: str) -> CardDiagnosis:
    return diagnose_lines(replace(evidence, readings=tuple(map(parse_card_reading, texts))))


def first(diagnosis: CardDiagnosis) -> CardCause:
    return diagnosis.findings[0].cause


def within(diagnosis: CardDiagnosis) -> tuple[CardCause, ...]:
    return diagnosis.group.causes if diagnosis.group is not None else (first(diagnosis),)


@pytest.mark.parametrize("length", [24, 25, 27, 30, 35, 40, 56])
@pytest.mark.parametrize("told", [True, False])
def test_whole_frames_of_an_unknown_length_are_another_format_and_no_damage(length: int, told: bool) -> None:
    evidence = seen(frames(unknown(length)))
    diagnosis = diagnose_lines(evidence if told else replace(evidence, expected=()))
    assert first(diagnosis) is CardCause.LENGTH_OTHER
    assert any("formats infer" in todo for todo in diagnosis.findings[0].todo)
    assert alike_in_length(evidence) == (6, 6, length)


def test_the_same_unknown_card_and_a_converters_lines_too() -> None:
    one = seen(frames(unknown(35, 1) * 8))
    assert first(diagnose_lines(replace(one, same_card=True))) is CardCause.LENGTH_OTHER
    bits = tuple(replace(read, pulses=None) for read in seen(frames(unknown(35))).reads)
    assert first(diagnose_lines(CardEvidence(bits, expected=FORMATS[:1]))) is CardCause.LENGTH_OTHER


def test_cards_of_two_lengths_are_no_lost_bits() -> None:
    other = [build_bits(FORMATS[1], None if FORMATS[1].site is None else 7, 900 + place).text for place in range(3)]
    assert len(other[0]) != 26
    mixed = diagnose_lines(seen(frames([CARDS[0], other[0], CARDS[1], other[1], CARDS[2], other[2]])))
    assert first(mixed) is CardCause.LENGTH_OTHER


def test_lengths_that_differ_are_damage_still() -> None:
    draw = random.Random(8)
    cut = ["".join(bit for bit in CARDS[0] if draw.random() > 0.06) for _ in range(8)]
    assert first(diagnose_lines(replace(seen(frames(cut)), same_card=True))) is CardCause.BITS_LOST


def test_a_record_that_was_turned_over_may_be_inverted_and_volts_settle_it() -> None:
    turned = replace(seen(frames(CARDS)), turned=True)
    assert {CardCause.HEALTHY, CardCause.POLARITY_INVERTED} <= set(within(diagnose_lines(turned)))
    assert first(measured(turned, "d0-idle=0.1", "d1-idle=0.1")) is CardCause.POLARITY_INVERTED
    assert first(measured(turned, "d0-idle=4.9", "d1-idle=4.9")) is CardCause.HEALTHY
    assert first(diagnose_lines(replace(turned, volts_seen=True))) is CardCause.POLARITY_INVERTED


def test_readings_that_healthy_lines_cannot_give_count() -> None:
    sound = seen(frames(CARDS))
    assert first(measured(sound, "d0-idle=4.9", "d0-traffic=0.3", "ground-shift=0.1")) is CardCause.HEALTHY
    both = measured(sound, "d0-idle=0.02", "d0-traffic=4.9")
    assert first(both) is CardCause.NONE_OF_THESE
    for text in ("ground-shift=12", "d1-idle=12", "d0-loop-ohms=open"):
        diagnosis = measured(sound, text)
        healthy = next(one for one in diagnosis.findings if one.cause is CardCause.HEALTHY)
        assert healthy.probability < 0.8, text
        assert any("does not fit" in proof.text and proof.weight < -0.3 for proof in healthy.evidence), text


def test_dangerous_volts_stop_whatever_their_sign() -> None:
    for text in ("d0-idle=-48", "ground-shift=48", "supply=60"):
        with pytest.raises(ReadingError, match="STOP"):
            parse_card_reading(text)
    assert parse_card_reading("supply=27.6").value == 27.6


def test_a_list_of_edges_has_no_level_for_a_line_without_edges() -> None:
    ones = [low for low in frames(CARDS) if low[0] == 1]
    evidence = seen(ones, begin=None)
    assert "d0-rest" not in figures(evidence)
    assert "d0-rest" in figures(seen(ones))
    assert first(measured(evidence, "d0-idle=0.03", "d0-ground-ohms=2")) is CardCause.D0_STUCK_LOW
    assert {CardCause.D0_OPEN, CardCause.D0_STUCK_LOW} <= set(within(diagnose_lines(evidence)))


@pytest.mark.parametrize("low_v", [1.3, 1.5, 2.0, 3.6])
def test_lows_of_a_scope_weigh_as_those_of_a_meter(low_v: float) -> None:
    shown = tuple(parse_card_reading(f"d{line}-traffic={low_v}") for line in (0, 1))
    scope = replace(seen(frames(CARDS)), scope=shown, volts_seen=True)
    assert first(diagnose_lines(scope)) in (CardCause.GROUND_SHIFT, CardCause.GROUND_MISSING)
    low = tuple(parse_card_reading(f"d{line}-traffic=0.3") for line in (0, 1))
    assert first(diagnose_lines(replace(scope, scope=low))) is CardCause.HEALTHY


@pytest.mark.parametrize(("every", "low"), [(20 * MS, 300 * US), (10 * MS, 200 * US), (8_333_333, 50 * US)])
def test_pulses_in_time_with_the_mains_are_a_missing_ground(every: int, low: int) -> None:
    draw = random.Random(every)
    hum = []
    for beat in range(1, 100):
        at = beat * every + draw.randrange(-100 * US, 100 * US)
        hum += [(line, at + draw.randrange(9 * US), at + 10 * US + low + draw.randrange(20 * US)) for line in (0, 1)]
    evidence = replace(seen(hum), presented=3)
    assert figures(evidence)["mains"] > 0.8
    assert CardCause.GROUND_MISSING in within(diagnose_lines(evidence))
    assert CardCause.SERIAL_OUTPUT not in within(diagnose_lines(evidence))
    assert "mains" not in figures(seen(frames(CARDS))) or figures(seen(frames(CARDS)))["mains"] < 0.3


def test_a_bounce_within_a_pulse_is_offered_as_doubled_bits() -> None:
    lows: list[Low] = []
    for place, (line, begin, end) in enumerate(frames(CARDS, 80 * US)):
        parts = [(line, begin, begin + 30 * US), (line, begin + 39 * US, end)] if place % 12 == 0 else []
        lows += parts or [(line, begin, end)]
    evidence = seen(lows)
    assert figures(evidence)["bounces"] > 0.5
    assert CardCause.BITS_DOUBLED in within(diagnose_lines(evidence))


def test_pulses_above_the_published_width_are_not_called_sound() -> None:
    assert first(diagnose_lines(seen(frames(CARDS, 138 * US)))) is CardCause.PULL_UP_WEAK


@pytest.mark.parametrize(("width", "spacing"), [(22, 1000), (99, 5000), (60, 10_000), (35, 300)])
def test_anything_within_the_published_limits_is_sound(width: int, spacing: int) -> None:
    diagnosis = diagnose_lines(seen(frames(CARDS, width * US, spacing * US)))
    assert first(diagnosis) is CardCause.HEALTHY


def test_the_group_always_has_the_leader_in_it() -> None:
    for width in (14, 19, 21, 50, 99, 104, 110):
        for spacing in (250, 1000, 5000, 18_000):
            diagnosis = diagnose_lines(seen(frames(CARDS, width * US, spacing * US)))
            if diagnosis.group is not None:
                assert diagnosis.group.causes[0] is first(diagnosis)


def test_pulses_at_the_same_moment_are_no_clock_and_nothing_is_missing() -> None:
    draw = random.Random(4)
    lows = []
    for _ in range(40):
        at = draw.randrange(MS, 900 * MS)
        lows += [(line, at + 300 * line, at + 12 * US) for line in (0, 1)]
    evidence = seen(sorted(lows, key=lambda low: low[1]))
    reader = PulseReader()
    bursts = reader.feed(evidence.records[0]) + reader.flush()
    assert sum(burst.count(Odd.MISSING) for burst in bursts) < 256
    assert all(burst.spacing_ns is None or burst.spacing_ns >= 20 * US for burst in bursts)


def test_a_frame_made_from_a_number_says_nothing_of_parity() -> None:
    received = tuple(CardRead(build_bits(FORMATS[0], 9, place), Source.CONVERTER) for place in range(5))
    built = tuple(replace(read, built=True) for read in received)
    sure, unsure = (CardEvidence(reads, expected=FORMATS[:1]) for reads in (received, built))
    for cause in (CardCause.LAYOUT_OTHER, CardCause.PARITY_ONE_WRONG, CardCause.LINES_SWAPPED):
        assert believe(unsure).of(cause) > 3 * believe(sure).of(cause)
    assert any("numbers, not bits" in limit for limit in diagnose_lines(unsure).limits)


def test_printed_numbers_that_never_agree_are_no_sound_lines() -> None:
    printed = (Entry(EntryKind.DECIMAL, "", pair=(12, 345)),)
    assert first(diagnose_lines(replace(seen(frames(CARDS)), printed=printed))) is not CardCause.HEALTHY


def test_levels_are_said_in_words() -> None:
    texts = [proof.text for one in diagnose_lines(seen(frames(CARDS))).findings for proof in one.evidence]
    assert texts
    assert not any("1 yes, 0 no" in text or "1 high" in text for text in texts)
    assert len(card_model.CAUSES) == len(card_model.PRIOR)
