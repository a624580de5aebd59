"""The end of a hunt by its own readings: our own setting, the supply, what is ruled out and what merely was not it."""

from __future__ import annotations

import pytest

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.hunt import Hunt
from benchtool.diagnose.hunt_card import CardHunt
from benchtool.diagnose.hunt_do import mend_first, not_yet, nothing_known, own_setting
from benchtool.diagnose.hunt_end import ELECTRICIAN, NOBODY, SUPPLIER, ending
from benchtool.diagnose.hunt_question import Answer
from benchtool.diagnose.supply import low_supply, supply_words
from benchtool.reports.hunt_text import result, result_lines
from benchtool.simulate import faults, scenario
from benchtool.train.hunts import listened


def _heard(fault: str, **options: str) -> Hunt:
    hunt = Hunt("sim:demo")
    hunt.take("4")
    hunt.hear(listened(faults.apply(scenario.load("demo"), fault, options), 1))
    return hunt


def _told(hunt: Hunt | CardHunt, title: str) -> str:
    return " ".join(line for part in result(hunt) if part.title.startswith(title) for line in part.lines)


@pytest.mark.parametrize(
    ("fault", "command"),
    [
        ("baud-wrong", "benchtool hunt sim:demo --baud 9600"),
        ("format-wrong", "benchtool hunt sim:demo --format 8N1"),
        ("pair-reversed-at-tap", "benchtool hunt sim:demo"),
    ],
)
def test_our_own_setting_is_mended_first_and_rules_nothing_out(fault: str, command: str) -> None:
    # 9600 8N1 is how the demo bus is set.
    hunt = _heard(fault)
    assert own_setting(hunt)
    assert any(text.endswith(command) for text in mend_first(hunt))
    assert "address 4" in not_yet(hunt)
    end = ending(hunt)
    assert end.ruled_out == ()
    assert end.call == (NOBODY,)
    assert command in result_lines(hunt, 30), "a command is not broken"


def test_another_fault_is_no_setting_of_ours() -> None:
    assert not own_setting(_heard("device-silent", at="4"))


@pytest.mark.parametrize("hunt", [Hunt(listens=False), CardHunt(listens=False)])
def test_where_nothing_was_answered_nothing_is_known(hunt: Hunt | CardHunt) -> None:
    while hunt.next_question() is not None:
        hunt.take("")
    assert nothing_known(hunt)
    assert "nothing is known" in _told(hunt, "RESULT")
    assert "Caution" in _told(hunt, "DO")
    assert not _told(hunt, "RULED OUT")
    assert "sound reader" not in " ".join(result_lines(hunt))


def test_an_address_alone_tells_nothing_and_one_reading_does() -> None:
    hunt = Hunt(listens=False)
    hunt.also([Answer("address", "4")])
    assert nothing_known(hunt)
    hunt.also([Answer("ab-ohms", "60")])
    assert not nothing_known(hunt)


def test_what_a_silent_device_explains_away_is_not_ruled_out() -> None:
    # At 9600 on 140 m a missing terminator changes no octet (sheet 1.3): octets that are right do not speak against it.
    hunt = _heard("device-silent", at="4")
    hunt.also([Answer("reader@4", "dark")])
    out = ending(hunt).ruled_out
    hidden = (Cause.TERMINATOR_MISSING_ONE, Cause.TERMINATOR_MISSING_BOTH, Cause.BIAS_WEAK, Cause.STUB_TOO_LONG)
    assert not set(out) & set(hidden)
    assert Cause.BAUD_WRONG in out
    assert Cause.NOISE_BROADBAND in out
    # Sheet 1.8: 52 to 70 ohm is two terminators.
    hunt.also([Answer("ab-ohms", "60")])
    assert Cause.TERMINATOR_MISSING_BOTH in ending(hunt).ruled_out


def test_a_supply_that_does_not_arrive_comes_before_the_device() -> None:
    hunt = _heard("device-silent", at="4")
    hunt.also([Answer("supply@4", "0")])
    assert hunt.state.leader is Cause.DEVICE_SILENT
    assert "No supply arrives at address 4" in _told(hunt, "RESULT")
    assert "fuse" in _told(hunt, "DO")
    assert "swap the device" not in _told(hunt, "DO")
    assert ending(hunt).call[0] == ELECTRICIAN
    assert SUPPLIER not in ending(hunt).call


@pytest.mark.parametrize(("volts", "low"), [("12.1", False), ("24", False), ("9.5", True), ("-0.1", True)])
def test_a_supply_is_low_below_what_a_12_volt_device_wants(volts: str, low: bool) -> None:
    hunt = Hunt(listens=False)
    hunt.also([Answer("supply@4", volts)])
    reading = low_supply(hunt.counted.by_hand.readings)
    assert (reading is not None) is low
    if reading is not None:
        assert ("No supply" in supply_words(reading)[0]) is (volts == "-0.1")


def test_without_a_tap_nothing_is_said_of_leads_that_nobody_clipped_on() -> None:
    hunt, asked = Hunt(listens=False), []
    while (question := hunt.next_question()) is not None:
        asked.append(question.text)
        hunt.take("")
    assert any("A (+)" in text for text in asked)
    assert not [text for text in asked if "clipped on" in text or "our +" in text or "our -" in text]


def test_what_was_only_looked_at_is_not_called_measured() -> None:
    hunt = Hunt(listens=False)
    hunt.also([Answer("who-is-dead", "none"), Answer("controller", "both")])
    assert hunt.state.leader is Cause.HEALTHY
    assert "nothing was measured" in _told(hunt, "RESULT")
