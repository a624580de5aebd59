"""The dead reader that was named stays what a hunt is about, whatever else is found. Cases are simulated buses."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.hunt import Hunt
from benchtool.diagnose.hunt_end import beyond
from benchtool.diagnose.hunt_question import Answer, Ask, HuntError
from benchtool.diagnose.hunt_subject import accounts, heard_dead
from benchtool.diagnose.observed import Observed
from benchtool.reports.hunt_text import result
from benchtool.simulate import faults, scenario
from benchtool.train.hunts import listened


def _hunt(fault: str, at: str, address: str) -> Hunt:
    hunt = Hunt("sim:demo")
    hunt.take(address)
    hunt.hear(listened(faults.apply(scenario.load("demo"), fault, {"at": at}), 1))
    return hunt


def _told(hunt: Hunt, title: str) -> str:
    return " ".join(line for part in result(hunt) if part.title.startswith(title) for line in part.lines)


def test_a_missing_terminator_beside_a_silent_reader_is_told_beside_it() -> None:
    # Sheet 1.4: one terminator reads 120 ohm; on 140 m at 9600 its lack harms nobody (sheet 1.3).
    hunt = _hunt("device-silent,terminator-missing-one", "4", "4")
    hunt.also([Answer("ab-ohms", "117"), Answer("ab-idle", "0.455"), Answer("end-boxes", "one")])
    assert hunt.state.leader is Cause.TERMINATOR_MISSING_ONE
    assert not accounts(Cause.TERMINATOR_MISSING_ONE, hunt.observed, hunt.state, 4)
    assert hunt.subject[0][0] is Cause.DEVICE_SILENT
    question = hunt.next_question()
    assert question is not None
    assert question.name.endswith("@4")
    assert "dead is not settled" in _told(hunt, "RESULT")
    hunt.also([Answer("reader@4", "dark"), Answer("supply@4", "0.1")])
    said = _told(hunt, "RESULT")
    assert said.index("device-silent") < said.index("terminator-missing-one")
    assert hunt.next_question() is None


def test_a_fault_that_accounts_for_the_dead_reader_stays_what_leads() -> None:
    for fault, at in (("device-silent", "4"), ("conductor-open", "2"), ("pair-shorted", "2")):
        assert _hunt(fault, at, "4").subject == (), fault


def test_a_reader_that_lives_on_the_bus_is_told_first() -> None:
    hunt = Hunt("sim:demo")
    hunt.take("4")
    hunt.hear(listened(faults.apply(scenario.load("demo"), "healthy", {}), 1))
    hunt.also([Answer("terminators", "one"), Answer("end-boxes", "one")])
    assert hunt.state.leader is Cause.TERMINATOR_MISSING_ONE
    assert _told(hunt, "RESULT").startswith("A reader at address 4 is told to be dead, and on the bus it lives")


def test_an_address_that_nobody_asks_is_told_first_whatever_else_is_wrong() -> None:
    hunt = _hunt("device-silent", "4", "77")
    assert hunt.unasked
    assert "nobody asks address 77" in beyond(hunt)
    assert _told(hunt, "RESULT").startswith("Nobody asks address 77")


def test_who_is_dead_is_known_where_it_was_heard_often_enough() -> None:
    hunt = _hunt("device-silent", "4", "4")
    row = heard_dead(hunt.observed, 4)
    assert row is not None
    assert row.answered == 0
    assert heard_dead(hunt.observed, 1) is None
    few = replace(hunt.observed, addresses=(replace(row, requests=2, silent=2),))
    assert heard_dead(few, 4) is None


# Without an address: the reader that one stands before.


def test_without_an_address_it_is_asked_about_the_reader_one_stands_before() -> None:
    hunt, texts = Hunt(listens=False), {}
    while (question := hunt.next_question()) is not None:
        texts[question.name] = question.text
        hunt.take("dark" if question.name == "reader@here" else "")
    assert texts["reader@here"] == "What does the reader that you stand before do when a card is held to it?"
    assert "the reader that you stand before" in texts["supply@here"]
    assert hunt.state.leader is Cause.DEVICE_SILENT


def test_where_a_device_is_heard_to_be_dead_only_the_readers_light_is_asked_of_the_one_stood_before() -> None:
    hunt, asked = _hunt("device-silent", "4", ""), []
    while (question := hunt.next_question()) is not None:
        asked.append(question.name)
        hunt.take("")
    assert "reader@here" in asked
    assert {name for name in asked if name.endswith("@here")} == {"reader@here"}
    assert "ab-idle@4" in asked


def test_what_was_seen_and_measured_there_is_saved_and_taken_up_again() -> None:
    hunt = Hunt(listens=False)
    hunt.also([Answer("reader@here", "dark"), Answer("supply@here", "0.2")])
    [reading] = hunt.observed.by_hand.readings
    assert (reading.address, reading.name) == (None, "supply@here")
    assert Hunt.from_json(hunt.to_json()).shares() == hunt.shares()
    assert "reader@here" in _told(hunt, "WHY")
    assert "No supply arrives at the reader" in _told(hunt, "RESULT")


@pytest.mark.parametrize("name", ["swap-wires@here", "ab-ohms@here", "reader@there"])
def test_what_cannot_be_done_there_is_no_question(name: str) -> None:
    with pytest.raises(HuntError, match="no such question"):
        Hunt().also([Answer(name, "better")])


# Another address than the list's, and an address there twice, are two answers.


def _set(hunt: Hunt, answer: str) -> None:
    hunt.also([Answer("settings@4", answer)])


def test_a_wrong_address_is_no_duplicate_and_is_what_keeps_the_reader_dead() -> None:
    hunt = _hunt("device-silent", "4", "4")
    _set(hunt, "address")
    assert hunt.state.leader is Cause.DEVICE_SILENT
    assert hunt.state.shown[Cause.ADDRESS_DUPLICATE] < 0.02
    question = hunt.next_question()
    assert question is not None
    assert (question.name, question.ask) == ("set-to@4", Ask.VALUE)
    with pytest.raises(HuntError, match="an address"):
        hunt.take("many")
    hunt.take("3")
    said = _told(hunt, "RESULT")
    assert "set to address 3, not to 4" in said
    assert "Address 3 answers on this bus" in said
    assert "Set the reader to address 4" in _told(hunt, "DO")
    assert Hunt.from_json(hunt.to_json()).answers == hunt.answers


def test_a_wrong_address_that_cannot_be_read_names_those_that_answer() -> None:
    hunt = _hunt("device-silent", "4", "4")
    _set(hunt, "address")
    hunt.take("")
    assert "these addresses answer: 1, 2, 3, 5" in _told(hunt, "RESULT")


def test_the_address_that_it_should_have_is_no_other_one() -> None:
    hunt = _hunt("device-silent", "4", "4")
    _set(hunt, "address")
    hunt.take("4")
    said = _told(hunt, "RESULT")
    assert "set to address 4" not in said
    assert "set to another address, not to 4" in said


def test_a_wrong_address_that_nobody_asks_is_said() -> None:
    hunt = _hunt("device-silent", "4", "4")
    _set(hunt, "address")
    hunt.take("77")
    assert "Nobody asks address 77" in _told(hunt, "RESULT")


def test_an_address_that_is_there_twice_is_a_duplicate() -> None:
    hunt = Hunt(listens=False)
    hunt.also([Answer("address", "4"), Answer("settings@4", "twice")])
    assert hunt.state.leader is Cause.ADDRESS_DUPLICATE
    hunt = Hunt(listens=False)
    hunt.also([Answer("address", "4"), Answer("settings@4", "address")])
    assert hunt.state.leader is not Cause.ADDRESS_DUPLICATE


# A controller that is dark.


def _quiet() -> Hunt:
    hunt = Hunt("sim:demo")
    hunt.take("4")
    hunt.hear(Observed(tap="sim:demo", symptoms={"load": 0.0}, octets=0))
    return hunt


def test_where_nothing_is_heard_the_controllers_supply_is_asked_for_and_a_dark_one_ends_the_hunt() -> None:
    hunt, asked = _quiet(), []
    while (question := hunt.next_question()) is not None:
        asked.append(question.name)
        hunt.take("dark" if question.name == "controller-power" else "")
    assert asked == ["controller-power"]
    said = _told(hunt, "RESULT")
    assert "The controller is silent: it has no light, or no supply" in said
    assert "none-of-these" not in said
    assert "fuse" in _told(hunt, "DO")
    assert "an electrician" in _told(hunt, "WHOM TO CALL")
    assert not _told(hunt, "RULED OUT")


def test_a_lit_controller_whose_port_is_dark_polls_nobody() -> None:
    hunt = _quiet()
    hunt.also([Answer("controller", "dark"), Answer("controller-power", "lit")])
    assert "polls nobody" in _told(hunt, "RESULT")
    assert "configuration" in _told(hunt, "DO")


def test_where_octets_came_somebody_polls_whatever_the_lights() -> None:
    hunt = _hunt("device-silent", "4", "4")
    hunt.also([Answer("controller-power", "dark")])
    assert "The controller is silent" not in _told(hunt, "RESULT")
