"""The simulated reader: what arrives is what the physics and the sheet say, and settled by the seed."""

from __future__ import annotations

import random
from itertools import pairwise

import pytest

from benchtool.capture.card_lines import LineRecord
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.formats import FORMATS, CardFormat
from benchtool.frames.card.keypad import key_of
from benchtool.frames.card.pulses import PulseReader
from benchtool.frames.card.read import CardRead
from benchtool.simulate.card_bus import presentations
from benchtool.simulate.card_faults import CARD_FAULTS, apply_card_fault
from benchtool.simulate.card_meter import card_meter
from benchtool.simulate.card_reader import card_bits
from benchtool.simulate.card_setup import CardSetup, drawn, plain
from benchtool.simulate.specs import ScenarioError

SITE_101 = Bits.of("00110010100001111111111111")
"""Sheet 6.2: site 101, number 4095, as printed."""
PLAIN = plain(FORMATS[0])


def reads(records: list[LineRecord]) -> list[CardRead]:
    reader = PulseReader()
    bursts = [burst for record in records for burst in reader.feed(record)]
    return [burst.read for burst in [*bursts, *reader.flush()] if burst.read is not None]


def run(
    fault: str, card: Bits = SITE_101, *, count: int = 1, setup: CardSetup = PLAIN, seed: int = 1
) -> list[CardRead]:
    draw = random.Random(seed)
    return reads(list(presentations(apply_card_fault(setup, fault, draw), [card] * count, seed)))


def test_a_sound_reader_sends_the_worked_example_with_published_pulses() -> None:
    [read] = run("healthy")
    assert read.bits.hex == "0CA1FFF"
    assert read.pulses is not None
    # 50 us driven; seen longer by the time of the rise (1 kOhm, 3 nF, to 2 V: 1.5 us).
    assert all(49_000 <= pulse.width_ns <= 55_000 for pulse in read.pulses)
    spacings = [after.start_ns - before.start_ns for before, after in pairwise(read.pulses)]
    assert all(950_000 <= spacing <= 1_050_000 for spacing in spacings)
    # Sheet 6.1: 50 us / 1 ms, 26 bits: 25.05 ms.
    assert read.pulses[-1].start_ns + read.pulses[-1].width_ns - read.pulses[0].start_ns == pytest.approx(
        25.05e6, rel=0.02
    )


def test_swapped_lines_bring_the_worked_inversion() -> None:
    # Sheet 6.7: 0CA1FFF arrives as 335E000.
    assert [read.bits.hex for read in run("lines-swapped")] == ["335E000"]


def test_reversed_bits_are_those_of_the_sheet() -> None:
    # Sheet 6.7: 0CA1FFF becomes 3FFE14C.
    assert [read.bits.hex for read in run("bits-reversed")] == ["3FFE14C"]


def test_an_open_line_lets_the_other_ones_pulses_through() -> None:
    # Sheet 6.7: D0 open, 17 pulses, all 1; D1 open, 9 pulses.
    assert [read.bits.text for read in run("d0-open")] == ["1" * 17]
    assert [read.bits.text for read in run("d1-open")] == ["0" * 9]
    assert [read.bits.text for read in run("d0-stuck-low")] == ["1" * 17]


@pytest.mark.parametrize("row", FORMATS, ids=lambda row: row.name)
def test_every_format_arrives_as_sent(row: CardFormat) -> None:
    draw = random.Random(3)
    cards = [card_bits(row, draw) for _ in range(3)]
    assert [read.bits for read in reads(list(presentations(plain(row), cards, 1)))] == cards


def test_keys_arrive_in_every_style() -> None:
    for size in (4, 6, 8):
        setup = CardSetup(keypad=size)
        found = reads(list(presentations(setup, ["1379*#"], 1)))
        assert [key_of(read.bits) for read in found] == list("1379*#")


@pytest.mark.parametrize("fault", CARD_FAULTS)
def test_a_seed_settles_everything_and_records_are_records(fault: str) -> None:
    for seed in (1, 2):
        made = []
        for _ in range(2):
            draw = random.Random(seed)
            setup = apply_card_fault(drawn(draw), fault, draw)
            cards: list[Bits | str] = ["12#" if setup.keypad else card_bits(setup.format, draw) for _ in range(3)]
            made.append(list(presentations(setup, cards, seed)))
        assert made[0] == made[1]
        for record in made[0]:
            level = list(record.high_at_begin)
            for edge in record.edges:
                assert edge.high != level[edge.line]
                level[edge.line] = edge.high
                assert record.begin_ns <= edge.t_ns <= record.end_ns
            assert all(one.t_ns <= other.t_ns for one, other in pairwise(record.edges))
        assert all(one.end_ns == other.begin_ns for one, other in pairwise(made[0]))


def test_a_sound_drawn_line_reads_every_card() -> None:
    for seed in range(30):
        draw = random.Random(seed)
        setup = drawn(draw)
        card = card_bits(setup.format, draw)
        assert [read.bits for read in reads(list(presentations(setup, [card], seed)))] == [card], seed


def test_meter_shows_what_the_fault_is() -> None:
    def measured(fault: str) -> dict[str, float]:
        draw = random.Random(4)
        return card_meter(apply_card_fault(PLAIN, fault, draw), draw)

    sound = measured("healthy")
    assert sound["d0-idle"] == pytest.approx(5.0, abs=0.05)
    # 10 kOhm against 1 kOhm to 5 V.
    assert sound["d0-loaded"] == pytest.approx(50 / 11, abs=0.05)
    # 100 mA through 1.6 ohm.
    assert sound["ground-shift"] == pytest.approx(0.16, abs=0.01)
    # 30 m of AWG 22 at 52.96 ohm/km, and the 0 V core.
    assert sound["d0-loop-ohms"] == pytest.approx(30 * 0.05296 + 1.6, abs=0.1)
    assert measured("d0-open")["d0-loop-ohms"] > 5e5
    assert measured("d0-stuck-low")["d0-idle"] < 0.6
    assert measured("pull-up-weak")["d1-loaded"] < 2.5
    assert measured("polarity-inverted")["d1-idle"] < 0.6
    assert measured("ground-shift")["ground-shift"] > 0.5


def test_a_fault_that_there_is_not_is_told() -> None:
    with pytest.raises(ScenarioError, match="no fault 'd2-open'"):
        apply_card_fault(PLAIN, "d2-open", random.Random(1))
