"""Each fault changes what is wired, set or fitted, nothing else, and takes only its own options."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchtool.simulate.faults import FAULTS, OPTIONS, Fault, apply
from benchtool.simulate.scenario import Scenario, ScenarioError, load, names

DEMO = load("demo")


def devices(scenario: Scenario, key: str) -> list[bool]:
    return [getattr(device, key) for device in scenario.devices]


def refused(kinds: str | None, options: dict[str, str], scenario: Scenario = DEMO) -> str:
    with pytest.raises(ScenarioError) as caught:
        apply(scenario, kinds, options)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_healthy_changes_nothing() -> None:
    assert apply(DEMO, "healthy", {}) == DEMO


def test_without_a_word_the_scenario_has_its_own_fault() -> None:
    # The demo's slipway reader, address 5, never answers.
    told = apply(DEMO, None, {})
    assert devices(told, "answers") == [True, True, True, True, False]
    assert devices(apply(DEMO, None, {"at": "2"}), "answers") == [True, False, True, True, True]
    assert apply(replace(DEMO, fault=None), None, {}) == replace(DEMO, fault=None)


@pytest.mark.parametrize("name", names())
def test_the_own_fault_of_every_shipped_scenario_can_be_applied(name: str) -> None:
    told = load(name)
    assert (apply(told, None, {}) == told) == (told.fault is None)


def test_a_reversed_clip_is_at_the_tap_alone() -> None:
    told = apply(DEMO, "pair-reversed-at-tap", {})
    assert told.tap.reversed_pair
    assert replace(told, tap=DEMO.tap) == DEMO


@pytest.mark.parametrize(("kind", "key"), [("pair-reversed-at-device", "reversed_pair"), ("device-silent", "answers")])
def test_a_fault_at_one_device(kind: str, key: str) -> None:
    sound = getattr(DEMO.devices[0], key)
    told = apply(DEMO, kind, {"at": "3"})
    assert devices(told, key) == [sound, sound, not sound, sound, sound]
    assert devices(apply(DEMO, kind, {}), key) == [sound] * 4 + [not sound]
    assert replace(told, devices=DEMO.devices) == DEMO


@pytest.mark.parametrize(("which", "left"), [("near", [140.0]), ("far", [0.0]), ("both", []), (None, [])])
def test_terminators_taken_off(which: str | None, left: list[float]) -> None:
    mixed = replace(DEMO, terminators=DEMO.terminators[::-1])
    told = apply(mixed, "terminator-missing", {} if which is None else {"which": which})
    assert [row.position_m for row in told.terminators] == left


@pytest.mark.parametrize(("options", "volts"), [({}, 0.6), ({"level": "0.25"}, 0.25), ({"level": "0"}, 0.0)])
def test_noise(options: dict[str, str], volts: float) -> None:
    told = apply(DEMO, "noise", options)
    assert told.line.noise_v == volts
    assert replace(told, line=DEMO.line) == DEMO


def test_a_wrong_rate_is_the_receivers_twice_the_bus_or_what_was_asked_for() -> None:
    assert apply(DEMO, "baud-wrong", {}).tap.baud == 19200
    asked = replace(DEMO, tap=replace(DEMO.tap, baud=38400))
    assert apply(asked, "baud-wrong", {}).tap.baud == 38400
    same = replace(DEMO, tap=replace(DEMO.tap, baud=9600))
    assert apply(same, "baud-wrong", {}).tap.baud == 19200


def test_faults_can_be_combined() -> None:
    told = apply(DEMO, "noise, device-silent", {"at": "1", "level": "0.2"})
    assert told.line.noise_v == 0.2
    assert devices(told, "answers") == [False, True, True, True, True]


@pytest.mark.parametrize(
    ("kinds", "options", "line"),
    [
        ("lightning", {}, "no fault 'lightning'; there are: healthy, pair-reversed-at-tap"),
        ("", {}, "no fault ''; there are"),
        ("noise,", {}, "no fault ''; there are"),
        (
            "healthy",
            {"at": "1"},
            "fault=healthy does not take 'at'; it goes with fault=pair-reversed-at-device or device-",
        ),
        ("noise", {"which": "far"}, "fault=noise does not take 'which'; it goes with fault=terminator-missing"),
        ("noise", {"colour": "1"}, "fault=noise does not take 'colour'; known are at, level, which"),
        (None, {"level": "1"}, "fault=device-silent does not take 'level'; it goes with fault=noise"),
        ("device-silent", {"at": "nine"}, "at=nine: a number is wanted"),
        ("device-silent", {"at": "2.5"}, "at=2.5: a device address is a whole number"),
        ("device-silent", {"at": "nan"}, "at=nan: a device address is a whole number"),
        ("device-silent", {"at": "inf"}, "at=inf: a device address is a whole number"),
        ("device-silent", {"at": "9"}, "no device at address 9 in this scenario; there are 1, 2, 3, 4, 5"),
        ("pair-reversed-at-device", {"at": "-1"}, "no device at address -1 in this scenario"),
        ("noise", {"level": "loud"}, "level=loud: a number is wanted"),
        ("noise", {"level": "-1"}, "level=-1: volts rms, 0 to 100, are wanted"),
        ("noise", {"level": "nan"}, "level=nan: volts rms, 0 to 100, are wanted"),
        ("noise", {"level": "101"}, "level=101: volts rms, 0 to 100, are wanted"),
        ("terminator-missing", {"which": "middle"}, "which=middle: near, far or both is wanted"),
    ],
)
def test_wrong_options_are_one_line(kinds: str | None, options: dict[str, str], line: str) -> None:
    assert line in refused(kinds, options)


def test_what_is_not_fitted_cannot_be_missing() -> None:
    bare = replace(DEMO, terminators=())
    assert refused("terminator-missing", {}, bare) == "this scenario has no terminator that could be missing"


@pytest.mark.parametrize(("name", "fault"), FAULTS.items())
def test_every_fault_says_what_it_is_and_takes(name: str, fault: Fault) -> None:
    assert fault.about
    for option in OPTIONS:
        assert (f"{option}=" in fault.about) == (option in fault.takes)
