"""The hunt: questions, answers, going back, saving; sights as evidence. Likelihoods are this project's judgements."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.diagnose.conclude import conclude
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.hunt import Hunt, understood
from benchtool.diagnose.hunt_card import CardHunt
from benchtool.diagnose.hunt_end import CALLS, CONFIGURES, beyond, ending, harmless, learned, odd, weighed
from benchtool.diagnose.hunt_question import Answer, Ask, HuntError, Question
from benchtool.diagnose.hunt_which import ADDRESS
from benchtool.diagnose.model import INDEX, all_sets
from benchtool.diagnose.observed import Observed, from_json, to_json
from benchtool.diagnose.readings import ByHand, Reading, Seen
from benchtool.diagnose.sights import Sight
from benchtool.diagnose.sights_known import SIGHTS, sight_of
from benchtool.diagnose.sights_weigh import chances, log_likelihood
from benchtool.diagnose.state import state_of
from benchtool.diagnose.weigh import that_counts
from benchtool.simulate import faults, scenario
from benchtool.train.hunts import listened


@pytest.mark.parametrize("sight", SIGHTS, ids=lambda sight: sight.name)
def test_answers_of_a_sight_are_probabilities_under_every_cause(sight: object) -> None:
    known = sight_of(getattr(sight, "name"))  # noqa: B009 - typed as object for the test's id
    for row in (known.usual, *known.rows.values()):
        assert len(row) == len(known.answers)
        assert math.isclose(sum(row), 1.0)
    table = chances(known, 4 if known.at_device else None, {})
    assert table.shape == (len(all_sets().members), len(known.answers))
    assert np.allclose(table.sum(axis=1), 1.0)
    assert (table > 0).all()


@pytest.mark.parametrize("sight", SIGHTS, ids=lambda sight: sight.name)
def test_the_page_prints_what_is_weighed(sight: Sight) -> None:
    def told(row: tuple[float, ...]) -> str:
        return ", ".join(f"{word} {share:g}" for word, share in zip(sight.words(), row, strict=True))

    page = (Path(__file__).parent.parent.parent / "docs" / "hunt.md").read_text(encoding="utf-8")
    begin = page.index(f"| `{sight.name}` |")
    part = page[begin : page.find("\n| `", begin)]
    assert f"| usual | {told(sight.usual)} |" in part
    for cause, row in sight.rows.items():
        rows = [line for line in part.splitlines() if line.startswith("|")]
        [line] = [line for line in rows if cause.value in line.split("|")[3].replace(",", " ").split()]
        assert line.endswith(f"| {told(row)} |")


def test_a_sight_weighs_as_its_table_says() -> None:
    logs = log_likelihood([Seen("controllers", "more")], {})
    two = all_sets().index([Cause.TWO_CONTROLLERS])
    row = sight_of("controllers").rows[Cause.TWO_CONTROLLERS]
    assert math.isclose(logs[two] - logs[0], math.log(row[1] / sight_of("controllers").usual[1]))


def test_a_cause_at_another_device_does_not_change_what_this_one_does() -> None:
    at = {Cause.DEVICE_SILENT: {4: 1.0, 5: 0.0}}
    here, elsewhere = (chances(sight_of("reader@"), address, at) for address in (4, 5))
    silent = 1 + INDEX[Cause.DEVICE_SILENT]
    assert here[silent][0] > 10 * elsewhere[silent][0]


def test_what_octets_tell_as_well_counts_only_where_none_came() -> None:
    hand = ByHand(seen=(Seen("who-is-dead", "one"), Seen("controllers", "one")))
    assert [one.sight for one in that_counts(hand, {"load": 0.1, "damage": 0.2}).seen] == ["controllers"]
    assert that_counts(hand, {"load": 0}).seen == hand.seen
    assert that_counts(hand, None).seen == hand.seen


def test_evidence_of_what_was_seen_adds_up_with_the_rest() -> None:
    seen = Seen("terminators", "none")
    found = conclude(Observed(by_hand=ByHand((Reading("ab-ohms", 3000.0),), seen=(seen,))))
    leader = found.findings[0]
    assert leader.cause is Cause.TERMINATOR_MISSING_BOTH
    [told] = [one for one in leader.evidence if one.text.startswith("seen: terminators")]
    alone = log_likelihood([seen], {})
    row = all_sets().index([Cause.TERMINATOR_MISSING_BOTH])
    assert math.isclose(told.weight, (alone[row] - alone[0]) / math.log(10), abs_tol=0.01)


def test_what_was_seen_is_saved_with_a_diagnosis() -> None:
    held = Observed(by_hand=ByHand(seen=(Seen("reader@", "dark", 4),)))
    assert from_json(to_json(held)).by_hand == held.by_hand


def _answer(hunt: Hunt, **answers: str) -> None:
    """Answer until nothing is asked; what is not given cannot be told."""
    while (question := hunt.next_question()) is not None:
        hunt.take(answers.get(question.name.replace("-", "_").replace("@", "_at_"), ""))


def test_the_dead_readers_address_comes_first_and_without_a_tap_nobody_listens() -> None:
    hunt = Hunt(listens=False)
    assert hunt.next_question() == ADDRESS
    names = []
    while (question := hunt.next_question()) is not None:
        names.append(question.name)
        hunt.take("")
    assert "listen" not in names
    assert len(set(names)) == len(names)
    assert any(sight_of(name).name == name for name in names if name in {one.name for one in SIGHTS})


def test_a_meter_alone_finds_missing_terminators() -> None:
    # Sheet 1.4: two terminators read about 60 ohm, none leaves kilohms; idle volts rise without their load.
    hunt = Hunt(listens=False)
    _answer(hunt, ab_ohms="12k", ab_idle="3.0", terminators="none", ab_ohms_far="12k")
    end = ending(hunt)
    assert end.causes[0][0] is Cause.TERMINATOR_MISSING_BOTH
    assert end.found
    assert Cause.PAIR_SHORTED in end.ruled_out
    assert end.call == (CALLS[Cause.TERMINATOR_MISSING_BOTH],)


def test_going_back_takes_the_last_answer_away() -> None:
    hunt = Hunt(listens=False)
    hunt.take("4")
    before, question = hunt.shares(), hunt.next_question()
    assert question is not None
    hunt.take("1")
    last = hunt.back()
    assert last is not None
    assert last.name == question.name
    assert hunt.shares() == before
    assert hunt.next_question() == question


def test_a_hunt_left_goes_on_where_it_was() -> None:
    hunt = Hunt("", listens=False)
    for text in ("4", "1", ""):
        hunt.take(text)
    again = Hunt.from_json(hunt.to_json())
    assert again.answers == hunt.answers
    assert again.shares() == hunt.shares()
    assert again.next_question() == hunt.next_question()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "no JSON"),
        ('{"benchtool-hunt": 1, "tap": "sim:demo", "ans', "cut short"),
        ("[]", "another kind of file"),
        ("{}", "another kind of file"),
        ('{"benchtool-hunt": 2, "tap": "", "answers": [], "heard": null}', "another version"),
        ('{"benchtool-hunt": 1, "answers": [], "heard": null}', "which tap"),
        ('{"benchtool-hunt": 1, "tap": ""}', "answers"),
        ('{"benchtool-hunt": 1, "tap": "", "answers": [["ab-ohms"]]}', "answers"),
        ('{"benchtool-hunt": 1, "tap": "", "answers": [], "heard": {"octets": 3}}', "heard"),
        ('{"benchtool-hunt": 1, "tap": "", "answers": [["ab-ohms", "many"]], "heard": null}', "its answer to ab-ohms"),
        ('{"benchtool-hunt": 1, "tap": "", "answers": [["listen", "heard"]], "heard": null}', "heard is missing"),
        ('{"benchtool-hunt": 1, "tap": "", "answers": [["reader@999", "dark"]], "heard": null}', "reader@999"),
        ('{"benchtool-hunt": 1, "tap": "", "answers": [["nothing", "1"]], "heard": null}', "nothing"),
    ],
)
def test_what_is_no_saved_hunt_is_said_in_a_line(text: str, says: str) -> None:
    with pytest.raises(HuntError, match=says) as error:
        Hunt.from_json(text)
    assert "\n" not in str(error.value)
    assert "Error" not in str(error.value)


@given(st.text(max_size=60))
@settings(max_examples=60, deadline=None)
def test_whatever_is_typed_is_taken_or_refused_in_a_line(text: str) -> None:
    for question in (
        ADDRESS,
        Question("ab-ohms", Ask.VALUE, "", unit="ohm"),
        Question("length", Ask.VALUE, "", unit="m"),
        Question("controllers", Ask.CHOICE, "", sight_of("controllers").answers),
    ):
        said = ""
        try:
            kept = understood(question, text)
        except HuntError as error:
            kept, said = "", str(error)
        assert "\n" not in said
        assert kept == "" or understood(question, kept) == kept


def test_a_dangerous_voltage_stops_the_hunt_before_anything_else() -> None:
    with pytest.raises(HuntError, match="STOP"):
        understood(Question("ab-idle", Ask.VALUE, "", unit="V"), "230")


def test_what_an_answer_taught_names_the_most_moved_first() -> None:
    assert learned({"x": 0.1, "y": 0.5, "z": 0.4}, {"x": 0.7, "y": 0.1, "z": 0.2})[0] == ("x", 0.1, 0.7)
    assert learned({"x": 0.5}, {"y": 0.9})[0] == ("y", 0.0, 0.9)


def test_a_hunt_at_data_lines_goes_by_meter_and_keeps_no_card() -> None:
    hunt = CardHunt("sim:card", listens=True)
    question = hunt.next_question()
    assert question is not None
    assert question.ask is Ask.LISTEN
    hunt.take("")
    while (question := hunt.next_question()) is not None:
        hunt.take({"d0-idle": "0.02", "d0-ground-ohms": "0.5"}.get(question.name, ""))
    assert hunt.diagnosis().findings[0].cause.value == "d0-stuck-low"
    held = json.loads(hunt.to_json())
    assert set(held) == {"benchtool-card-hunt", "tap", "answers"}
    assert CardHunt.from_json(hunt.to_json()).evidence.readings == hunt.evidence.readings


@lru_cache(maxsize=1)
def _sound() -> Observed:
    """What is heard of a sound bus."""
    return listened(scenario.load("bench"), 1)


def _with_damage(address: int, damaged: int) -> Observed:
    """The same with some replies of one address damaged; what its octets say besides stays as it was."""
    rows = [
        replace(one, damaged=damaged, answered=one.answered - damaged) if one.address == address else one
        for one in _sound().addresses
    ]
    return replace(_sound(), addresses=tuple(rows))


def _to_the_end(hunt: Hunt) -> int:
    """How many questions somebody at a sound bus is asked."""
    sound = {"ab-idle": "0.28", "ab-ohms": "61", "branches": "chain", "terminators": "ends", "end-boxes": "both"}
    before = len(hunt.answers)
    while (question := hunt.next_question()) is not None:
        hunt.take(sound.get(question.name, ""))
    return len(hunt.answers) - before


def test_a_reader_told_to_be_dead_where_all_sounds_well_is_looked_into_and_not_called_sound() -> None:
    told, quiet, row = Hunt("sim:"), Hunt("sim:"), _sound().addresses[-1]
    for hunt, address in ((told, str(row.address)), (quiet, "")):
        hunt.hear(_sound())
        hunt.take(address)
    assert told.unexplained
    assert not quiet.unexplained
    assert _to_the_end(told) > _to_the_end(quiet)
    assert told.state.leader is quiet.state.leader is Cause.HEALTHY
    assert f"{row.answered} of {row.requests} requests to it were answered" in beyond(told)
    assert ending(told).call == (CONFIGURES,)
    assert not beyond(quiet)


def test_an_address_that_nobody_asks_is_said() -> None:
    hunt = Hunt("sim:")
    hunt.hear(_sound())
    hunt.take("77")
    assert "nobody asks address 77" in beyond(hunt)
    row = replace(_sound().addresses[0], requests=5, answered=5)
    hunt.hear(replace(_sound(), addresses=(row,)))
    assert not beyond(hunt)  # too little was heard to say that


def test_a_fault_at_another_address_than_the_one_told_is_said() -> None:
    hunt = Hunt("sim:")
    hunt.hear(listened(faults.apply(scenario.load("demo"), "device-silent", {"at": "5"}), 1))
    hunt.take("4")
    assert hunt.state.leader is Cause.DEVICE_SILENT
    assert "address 4 that was told to be dead" in beyond(hunt)
    hunt.back()
    hunt.take("5")
    assert not beyond(hunt)


def test_no_bus_is_sound_on_which_one_address_is_mostly_damaged() -> None:
    row = _sound().addresses[-1]
    most, few = row.requests - 2, 2
    assert state_of(_with_damage(row.address, most)).shown[Cause.HEALTHY] < 1e-6
    assert state_of(_with_damage(row.address, few)).shown[Cause.HEALTHY] > 0.1
    leader = conclude(_with_damage(row.address, most)).findings[0]
    assert any(f"{most} of {row.requests} replies are damaged" in proof.text for proof in leader.evidence)


def test_a_fault_that_was_seen_and_does_no_harm_is_told_as_that() -> None:
    hunt = Hunt("sim:")
    hunt.hear(_sound())
    assert not harmless(hunt)
    hunt.also([Answer("terminators", "elsewhere"), Answer("end-boxes", "one")])
    assert hunt.state.leader in (Cause.TERMINATOR_MISPLACED, Cause.TERMINATOR_MISSING_ONE)
    assert "no harm" in harmless(hunt)


def test_a_reading_that_no_cause_gives_is_doubted_and_others_are_not() -> None:
    # Sheet 1.4: two 120 ohm terminators read 60 ohm, one 120, none kilohms; no fault leaves 9 V on an idle 5 V pair.
    for name, text, doubtful in (("ab-ohms", "60", False), ("ab-ohms", "120", False), ("ab-idle", "9.2", True)):
        hunt = Hunt(listens=False)
        hunt.also([Answer(name, text)])
        assert odd(hunt) == ((name,) if doubtful else ())


def test_the_answer_that_a_cause_rests_on_is_told() -> None:
    hunt = Hunt(listens=False)
    hunt.also([Answer("ab-ohms", "12k"), Answer("how-many", "few")])
    cause = Cause.TERMINATOR_MISSING_BOTH.value
    [told, *_] = weighed(hunt, [cause])[cause]
    assert told.answer == Answer("ab-ohms", "12k")
    assert told.without == pytest.approx(hunt.without(told.answer)[cause])
    assert told.leader != cause


@pytest.mark.parametrize(("text", "kept"), [("2", "mute"), ("Mute", "mute"), ("be", "beeps"), ("d", "dark")])
def test_a_choice_is_taken_by_number_word_or_its_beginning(text: str, kept: str) -> None:
    assert understood(Question("reader@4", Ask.CHOICE, "", sight_of("reader@").answers), text) == kept


def test_a_choice_that_is_none_gets_the_answers_told() -> None:
    with pytest.raises(HuntError, match="1 dark, 2 mute, 3 beeps, 4 restarts"):
        understood(Question("reader@4", Ask.CHOICE, "", sight_of("reader@").answers), "blinks")
