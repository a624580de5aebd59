"""Addresses of the simulated reader: their options, and errors with the mend."""

from __future__ import annotations

import pytest

from benchtool.frames.card.pulses import PulseReader
from benchtool.simulate.card_address import records_of, simulated
from benchtool.simulate.specs import ScenarioError


def lengths(address: str) -> list[int]:
    reader = PulseReader()
    found = [burst for record in records_of(address) for burst in reader.feed(record)] + reader.flush()
    return [burst.read.bits.length for burst in found if burst.read is not None]


def test_cards_and_keys_come_as_asked_for() -> None:
    assert lengths("sim:card") == [26] * 5
    assert lengths("sim:card?format=34-bit 16+16&cards=2&keys=12#&keypad=8") == [34, 34, 8, 8, 8]
    assert lengths("sim:card?cards=0") == []


def test_one_card_each_time() -> None:
    _, cards, _ = simulated("sim:card?same=yes&cards=3")
    assert len(cards) == 3
    assert len(set(cards)) == 1
    assert len(set(simulated("sim:card?cards=3")[1])) == 3


def test_a_long_thin_cable_lifts_the_ground_until_nothing_arrives() -> None:
    # 100 mA through 12.6 ohm is 1.26 V: above what an input takes for low (sheet 6.1, 0.8 V from memory).
    assert lengths("sim:card?metres=150&gauge=24") == []
    # Published for AWG 18: 153 m.
    assert lengths("sim:card?metres=150&gauge=18") == [26] * 5


@pytest.mark.parametrize(
    ("query", "told"),
    [
        ("fault=none", "no fault 'none'"),
        ("fault=d0-opne", "no fault 'd0-opne' of a reader's lines; did you mean d0-open[?]"),
        ("colour=red", "unknown option 'colour'; known are fault, format"),
        ("fualt=d0-open", "unknown option 'fualt'; did you mean fault[?]"),
        ("format=99", "no such format; there are 26-bit"),
        ("cards=-1", "whole number"),
        ("seed=x", "whole number"),
        ("keypad=5", "bits a key"),
        ("same=maybe", "yes or no"),
        ("line=odd", "typical or drawn"),
        ("width_us=0", "a number from"),
        ("gauge=21", "gauge=21"),
        ("keys=12A", "only"),
    ],
)
def test_a_wrong_option_is_told_in_one_line(query: str, told: str) -> None:
    with pytest.raises(ScenarioError, match=told) as caught:
        simulated(f"sim:card?{query}")
    assert "\n" not in str(caught.value)
    assert "12A" not in str(caught.value)
