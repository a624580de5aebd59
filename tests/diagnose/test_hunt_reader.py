"""What counts for the reader that a hunt is about, and what is asked of it. Cases are simulated buses."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import lru_cache

import pytest

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.hunt import Hunt
from benchtool.diagnose.hunt_end import CONFIGURES, ending, odd
from benchtool.diagnose.hunt_question import Answer
from benchtool.diagnose.hunt_reader import contradicted, of_reader, others_silent
from benchtool.diagnose.observed import Observed
from benchtool.reports.hunt_text import doubts, heard_of, result
from benchtool.simulate import faults, scenario
from benchtool.train.hunts import listened


@lru_cache
def _heard(fault: str, at: str) -> Observed:
    return listened(faults.apply(scenario.load("demo"), fault, {"at": at} if at else {}), 1)


@lru_cache
def _two_silent() -> Observed:
    """Two devices that are silent, each for its own reason: 2 is off, 5 has its common wire 14 V off."""
    line = scenario.load("demo")
    off, lifted = {2: False}, {5: 14.0}
    devices = tuple(
        replace(one, answers=off.get(one.address, True), ground_v=lifted.get(one.address, 0.0)) for one in line.devices
    )
    return listened(replace(line, devices=devices), 1)


@lru_cache
def _set_to_3() -> Observed:
    """The reader that belongs at address 4 is set to 3, where another one answers already."""
    line = scenario.load("demo")
    wrong = next(one for one in line.devices if one.address == 4)
    devices = tuple(replace(one, answers=False) if one is wrong else one for one in line.devices)
    return listened(replace(line, devices=(*devices, replace(wrong, name="Set wrong", address=3, reply_ms=4.3))), 1)


@lru_cache
def _unlisted() -> Observed:
    """A reader at address 5 that nobody asks."""
    line = scenario.load("demo")
    return listened(replace(line, devices=tuple(one for one in line.devices if one.address != 5)), 1)


def _hunt(heard: Observed, address: str, *answers: tuple[str, str]) -> Hunt:
    hunt = Hunt("sim:demo")
    hunt.take(address)
    hunt.hear(heard)
    hunt.also([Answer(*one) for one in answers])
    return hunt


def _told(hunt: Hunt, title: str) -> str:
    return " ".join(line for part in result(hunt) if part.title.startswith(title) for line in part.lines)


def _asked(hunt: Hunt, answers: dict[str, str], most: int = 40) -> list[str]:
    """Hunt to the end: the questions in their order; what is not among the answers cannot be told."""
    names: list[str] = []
    while (question := hunt.next_question()) is not None and len(names) < most:
        names.append(question.name)
        hunt.take(answers.get(question.name, ""))
    return names


def test_what_was_found_at_one_silent_device_is_not_told_of_another() -> None:
    heard = _two_silent()
    assert [one.address for one in others_silent(heard, 5)] == [2]
    alone = _hunt(heard, "5", ("reader@5", "beeps"), ("supply@5", "12.1"))
    beside = _hunt(heard, "5", ("reader@5", "beeps"), ("supply@5", "12.1"), ("supply@2", "0.0"), ("reader@2", "dark"))
    assert beside.shares() == pytest.approx(alone.shares())
    said = _told(beside, "RESULT")
    assert "Address 2 never answers either" in said
    assert "device-silent at address 2" not in said
    assert "No supply arrives" not in said


def test_questions_go_to_the_reader_that_was_named() -> None:
    at_5 = {"reader@5": "beeps", "ab-idle": ".27", "ab-idle@5": ".26", "supply@5": "12.1", "ground-volts@5": "14"}
    hunt = _hunt(_two_silent(), "5")
    names = _asked(hunt, {**at_5, "changed": "nothing", "settings@5": "listed"})
    assert {re.sub(r"[^0-9]", "", one) for one in names if "@" in one} == {"5"}
    assert hunt.state.leader is Cause.GROUND_OFFSET


def test_a_dark_reader_is_asked_for_its_supply_and_never_for_its_wires() -> None:
    hunt = _hunt(_two_silent(), "2", ("reader@2", "dark"))
    question = hunt.next_question()
    assert question is not None
    assert question.name == "supply@2"
    assert "supply is live" in question.caution
    hunt.take("")
    assert not any(one.startswith("swap-wires") for one in _asked(hunt, {}))


def test_a_device_that_never_answers_is_on_no_sound_bus() -> None:
    assert _hunt(_heard("device-silent", "4"), "4").shares()["healthy"] < 1e-6
    assert _hunt(_heard("healthy", ""), "4").shares()["healthy"] > 0.3


def test_a_reader_set_to_anothers_address_ends_the_hunt_with_that() -> None:
    hunt = _hunt(_set_to_3(), "4")
    names = _asked(hunt, {"reader@4": "beeps", "settings@4": "address", "set-to@4": "3"})
    assert names == ["reader@4", "settings@4", "set-to@4"]
    said = _told(hunt, "RESULT")
    assert said.startswith("The reader is set to address 3, not to 4: that is why")
    assert "two answer there at once" in said
    assert "clock-off" not in said
    assert ending(hunt).call == (CONFIGURES,)
    assert "replace" not in _told(hunt, "DO")
    # Where it cannot be told, the dead reader is not forgotten over what else was found.
    other = _hunt(_set_to_3(), "4", ("ab-ohms", "open"))
    assert "address 4" in _told(other, "RESULT")


def test_a_reader_set_to_another_rate_is_no_device_to_replace() -> None:
    hunt = _hunt(_heard("device-silent", "4"), "4", ("settings@4", "rate"))
    assert hunt.next_question() is None
    assert "set to another rate or format" in _told(hunt, "RESULT")
    assert "replace" not in _told(hunt, "DO").lower()


def test_settings_are_looked_at_before_a_device_is_to_be_replaced() -> None:
    good = {"reader@4": "beeps", "ab-idle@4": ".24", "supply@4": "12.2", "ground-volts@4": ".05", "changed": "settings"}
    hunt = _hunt(_heard("device-silent", "4"), "4", ("supply@4", "12.2"))
    names = _asked(hunt, {**good, "unplug@4": "same", "settings@4": "listed"})
    assert "settings@4" in names
    todo = _told(hunt, "DO")
    assert "Found good already: its settings, its supply (12.2 V), its data wires" in todo
    assert "Measure the device's supply" not in todo
    unlooked = _hunt(_heard("device-silent", "4"), "4")
    _asked(unlooked, {**good, "unplug@4": "same"})
    assert _told(unlooked, "DO").startswith("> Look how the device is set")


def test_a_reader_that_nobody_asks_is_told_as_soon_as_it_was_listened_to() -> None:
    hunt = _hunt(_unlisted(), "5")
    assert heard_of(hunt).startswith("Nobody asks address 5")
    assert hunt.next_question() is None
    assert _told(hunt, "RESULT").startswith("Nobody asks address 5")
    assert "whether address 5 is entered" in _told(hunt, "DO")
    assert "Nothing needs mending" not in _told(hunt, "DO")
    assert _told(hunt, "WHOM") == f"- {CONFIGURES}"


def test_where_all_answer_the_reader_without_an_address_is_asked_about() -> None:
    hunt = _hunt(_unlisted(), "")
    question = hunt.next_question()
    assert question is not None
    assert question.name == "set-to@here"
    hunt.take("5")
    assert hunt.unasked
    assert _told(hunt, "RESULT").startswith("Nobody asks address 5")
    lives = _hunt(_unlisted(), "", ("set-to@here", "3"))
    assert "on the bus it lives" in _told(lives, "RESULT")
    assert "Leave the bus alone" in _told(lives, "DO")
    again = Hunt.from_json(lives.to_json())
    assert again.address == 3


def test_a_told_address_that_answers_is_asked_for_again_at_once() -> None:
    hunt = _hunt(_heard("device-silent", "4"), "2")
    assert heard_of(hunt) == "Never answered: address 4."
    question = hunt.next_question()
    assert question is not None
    assert question.name == "address"
    assert "Address 2 answers" in question.text
    assert "Address 4 never does" in question.text
    hunt.take("4")
    assert hunt.address == 4
    after = hunt.next_question()
    assert after is not None
    assert after.name == "reader@4"
    kept = _hunt(_heard("device-silent", "4"), "2")
    kept.take("")
    assert kept.address == 2
    assert kept.next_question() is None
    assert "on the bus it lives" in _told(kept, "RESULT")
    assert _told(kept, "DO").startswith("> Leave the bus alone")


def test_an_answering_reader_with_something_after_its_replies_is_unplugged_first() -> None:
    hunt = _hunt(_heard("address-duplicate", "2"), "2")
    names = _asked(hunt, {"still-answers@2": "yes", "settings@2": "twice"})
    assert names[:2] == ["still-answers@2", "settings@2"]
    assert hunt.shares()["address-duplicate"] > 0.75


def test_a_short_while_all_answer_is_questioned_at_once_and_not_counted() -> None:
    plain = _hunt(_heard("healthy", ""), "2")
    short = _hunt(_heard("healthy", ""), "2", ("ab-ohms-far", "2"), ("supply@2", "0.1"), ("ab-idle", "-0.25"))
    assert set(odd(short)) == {"ab-ohms-far", "supply@2", "ab-idle"}
    assert "nobody talks over such a short" in doubts(short)["ab-ohms-far"]
    assert short.shares() == pytest.approx(plain.shares())
    # The same readings stand where what was heard goes with them.
    assert contradicted(_hunt(_heard("pair-shorted", "2"), "2", ("ab-ohms-far", "2")).observed) == {}
    sound = _hunt(_heard("healthy", ""), "2", ("ab-ohms-far", "61"), ("supply@2", "12"), ("ab-idle", "0.25"))
    assert contradicted(sound.observed) == {}


def test_nothing_is_left_out_where_the_named_reader_lives() -> None:
    heard = _heard("device-silent", "4")
    assert of_reader(heard, 2) == heard
    assert of_reader(heard, None) == heard


def test_at_most_ten_causes_are_named_as_ruled_out() -> None:
    hunt = _hunt(_heard("device-silent", "4"), "4", ("reader@4", "dark"), ("supply@4", "0.1"))
    said = _told(hunt, "RULED OUT")
    assert len(said.split(", ")) == 11
    assert re.search(r"and \d+ more$", said)


def test_of_several_silent_ones_without_an_address_one_is_hunted_for() -> None:
    hunt = _hunt(_two_silent(), "")
    question = hunt.next_question()
    assert question is not None
    assert "never answer: 2, 5" in question.text
    named = _hunt(_two_silent(), "")
    named.take("5")
    assert named.address == 5
    hunt.take("")
    assert hunt.reader is None
    hunt.also([Answer("supply@2", "0.1")])
    assert hunt.reader == 2
    said = _told(hunt, "RESULT")
    assert "device-silent at address 2" in said
    assert "device-silent at address 5" not in said
    assert "Address 5 never answers either" in said


def test_without_an_address_a_duplicate_is_looked_for_at_the_reader_one_stands_before() -> None:
    names = _asked(_hunt(_heard("address-duplicate", "2"), ""), {"set-to@here": "2"}, most=2)
    assert names == ["set-to@here", "still-answers@2"]
