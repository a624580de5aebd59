"""A hunt goes on at the right clip, rate or format once ours is found wrong. Heard on simulated buses, 9600 8N1."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.hunt import Hunt
from benchtool.diagnose.hunt_question import Answer, Ask, HuntError
from benchtool.diagnose.hunt_retune import (
    FORMAT,
    RATE,
    TURNED,
    Setting,
    is_setting,
    listen_again,
    mended,
    read_over,
    wanted,
)
from benchtool.diagnose.observed import Observed
from benchtool.reports.hunt_text import result
from benchtool.simulate import faults, scenario
from benchtool.train.hunts import listened

_DEAD = faults.apply(scenario.load("demo"), "device-silent", {"at": "4"})


def _heard(fault: str) -> Observed:
    return listened(faults.apply(_DEAD, fault, {}), 1)


def _begun(fault: str, *, retunes: bool = True) -> Hunt:
    hunt = Hunt("sim:demo", retunes=retunes)
    hunt.take("4")
    hunt.hear(_heard(fault))
    return hunt


@pytest.mark.parametrize(
    ("fault", "name", "setting", "kept"),
    [
        ("pair-reversed-at-tap", TURNED, Setting(turned=True), "heard"),
        ("baud-wrong", RATE, Setting(baud=9600), "9600 8N1"),
        ("format-wrong", FORMAT, Setting(format="8N1"), "9600 8N1"),
    ],
)
def test_the_hunt_goes_on_with_our_own_setting_put_right(fault: str, name: str, setting: Setting, kept: str) -> None:
    hunt = _begun(fault)
    question = hunt.next_question()
    assert question is not None
    assert (question.name, question.ask, hunt.setting) == (name, Ask.LISTEN, setting)
    hunt.hear(listened(_DEAD, 1))
    assert hunt.answers[-1] == Answer(name, kept)
    assert hunt.state.leader is Cause.DEVICE_SILENT
    again = Hunt.from_json(hunt.to_json())
    again.retunes = True
    assert again.shares() == hunt.shares()
    assert again.next_question() == hunt.next_question()
    hunt.also([Answer("reader@4", "dark")])
    [said] = [" ".join(part.lines) for part in result(hunt) if part.title == "RESULT"]
    assert "device-silent at address 4" in said
    assert "On the way our" in said
    hunt.back()
    hunt.back()
    assert hunt.state.leader.value == fault
    assert hunt.next_question() == question


def test_where_it_cannot_be_listened_again_the_hunt_ends_there() -> None:
    left_out, recording = _begun("baud-wrong"), _begun("baud-wrong", retunes=False)
    left_out.take("")
    for hunt in (left_out, recording):
        assert hunt.next_question() is None
        assert hunt.state.leader is Cause.BAUD_WRONG


def test_a_clip_and_a_rate_that_are_both_wrong_are_put_right_one_after_the_other() -> None:
    hunt = _begun("pair-reversed-at-tap,baud-wrong")
    names: list[str] = []
    left = {TURNED: "baud-wrong", RATE: "pair-reversed-at-tap"}
    for _ in left:
        question = hunt.next_question()
        assert question is not None
        hunt.hear(listened(_DEAD, 1) if names else _heard(left[question.name]))
        names.append(question.name)
    assert set(names) == {TURNED, RATE}
    assert hunt.setting.turned
    assert hunt.setting.baud == 9600
    assert hunt.state.leader is Cause.DEVICE_SILENT


def test_what_was_measured_by_the_other_lead_is_read_over_and_what_was_told_of_the_setting_is_void() -> None:
    before = [
        Answer("ab-idle", "-0.25"),
        Answer("a-idle", "1.2"),
        Answer("b-ground-ohms", "47k"),
        Answer("swap-clip", "same"),
    ]
    assert read_over([*before, Answer(TURNED, "heard"), Answer("ab-idle", "0.3")]) == (
        Answer("ab-idle", "0.25"),
        Answer("b-idle", "1.2"),
        Answer("a-ground-ohms", "47k"),
        Answer(TURNED, "heard"),
        Answer("ab-idle", "0.3"),
    )
    assert read_over([Answer("ab-idle", "240m"), Answer(TURNED, "heard")])[0].text == "-240m"
    assert read_over([Answer("rate-set", "rate"), Answer(RATE, "9600 8N1")]) == (Answer(RATE, "9600 8N1"),)
    assert read_over([Answer("rate-set", "rate"), Answer(RATE, "")])[0].name == "rate-set"


def test_a_rate_or_format_that_octets_do_not_prove_is_to_be_found_by_listening() -> None:
    unproven = replace(_heard("baud-wrong"), sender_baud=None, told={})
    question = listen_again(Cause.BAUD_WRONG, unproven, ())
    assert question is not None
    assert "find it" in question.text
    assert wanted(RATE, unproven, ()).find
    assert wanted(FORMAT, unproven, ()).find
    assert wanted("listen", unproven, (Answer(RATE, "19200 8E1"),)) == Setting(baud=19200, format="8E1")
    assert listen_again(Cause.NOISE_MAINS, unproven, ()) is None
    assert mended([Answer(RATE, "")]) == ""


@pytest.mark.parametrize(
    ("answers", "again", "says"),
    [
        ('[["listen", "heard"], ["listen-rate", "fast"]]', "{}", "listen-rate"),
        ('[["listen-turned", "heard"]]', "{}", "heard is missing"),
        ("[]", '{"listen-often": {}}', "cannot be read"),
        ("[]", '{"listen-rate": {"octets": 3}}', "cannot be read"),
        ("[]", "[]", "cannot be read"),
    ],
)
def test_a_saved_hunt_that_is_broken_there_is_said_in_a_line(answers: str, again: str, says: str) -> None:
    text = f'{{"benchtool-hunt": 1, "tap": "sim:demo", "answers": {answers}, "heard": null, "heard-again": {again}}}'
    with pytest.raises(HuntError, match=says) as error:
        Hunt.from_json(text)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize("text", ["9600 9Z9", "9600 ²", "9600 8", "9600 8N1 x", "0 8N1", "² 8N1", "8N1", ""])
def test_a_setting_that_is_none_is_not_taken_up_again(text: str) -> None:
    assert is_setting("19200 8E1")
    assert not is_setting(text)
