"""Each fault changes what is wired, set or fitted, nothing else, and takes only its own options."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import pytest

from benchtool.diagnose.finding import Cause
from benchtool.simulate.faults import FAULTS, OPTIONS, Fault, apply
from benchtool.simulate.scenario import Scenario, ScenarioError, load, names

DEMO = load("demo")


def devices(scenario: Scenario, key: str) -> list[Any]:
    return [getattr(device, key) for device in scenario.devices]


def refused(kinds: str | None, options: dict[str, str], scenario: Scenario = DEMO) -> str:
    with pytest.raises(ScenarioError) as caught:
        apply(scenario, kinds, options)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def changed(kind: str, **options: str) -> set[str]:
    """The scenario's fields that a fault changes."""
    told = apply(DEMO, kind, options)
    return {one.name for one in fields(Scenario) if getattr(told, one.name) != getattr(DEMO, one.name)}


def test_every_cause_can_be_simulated() -> None:
    # Issue 3's catalogue; "none of these" is an answer, not a fault.
    causes = {cause.value for cause in Cause if not cause.name.startswith("NONE_")}
    assert set(FAULTS) == causes - {"noise", "terminator-missing"}
    assert len(FAULTS) == 29


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


@pytest.mark.parametrize(
    ("kind", "parts"),
    [
        ("pair-reversed-at-tap", {"tap"}),
        ("pair-reversed-at-device", {"devices"}),
        ("conductor-open", {"breaks"}),
        ("pair-shorted", {"shorts"}),
        ("conductor-to-ground", {"leaks"}),
        ("terminator-missing-one", {"terminators"}),
        ("terminator-missing-both", {"terminators"}),
        ("terminator-excess", {"terminators"}),
        ("terminator-misplaced", {"terminators"}),
        ("bias-missing", {"biases", "line"}),
        ("bias-weak", {"biases", "line"}),
        ("stub-too-long", {"devices"}),
        ("bus-overloaded", {"devices"}),
        ("line-too-long-for-rate", {"devices", "line", "tap", "terminators"}),
        ("ground-offset", {"devices"}),
        ("noise-broadband", {"line"}),
        ("noise-impulsive", {"line"}),
        ("noise-mains", {"line"}),
        ("baud-wrong", {"tap"}),
        ("format-wrong", {"tap"}),
        ("clock-off", {"devices"}),
        ("address-duplicate", {"devices"}),
        ("two-controllers", {"second_controller"}),
        ("device-silent", {"devices"}),
        ("device-slow", {"devices"}),
        ("device-resetting", {"devices"}),
        ("driver-held-late", {"controller"}),
        ("sequence-faults", {"devices"}),
    ],
)
def test_a_fault_changes_its_own_parts(kind: str, parts: set[str]) -> None:
    assert changed(kind) == parts


def test_where_the_other_half_of_a_fault_lies() -> None:
    assert changed("baud-wrong", at="2") == {"devices"}
    assert changed("format-wrong", at="2") == {"devices"}
    assert changed("driver-held-late", which="device") == {"devices"}
    assert changed("driver-held-late", at="2") == {"devices"}
    assert changed("sequence-faults", which="skips") == {"controller"}


@pytest.mark.parametrize(
    ("kind", "options", "key", "sound", "faulty"),
    [
        ("pair-reversed-at-device", {}, "reversed_pair", False, True),
        ("device-silent", {}, "answers", True, False),
        ("stub-too-long", {"metres": "30"}, "stub_m", 0.0, 30.0),
        ("ground-offset", {"level": "-9"}, "ground_v", 0.0, -9.0),
        ("baud-wrong", {}, "baud", None, 19200),
        ("format-wrong", {}, "format", None, "8E1"),
        ("format-wrong", {"which": "8O2"}, "format", None, "8O2"),
        ("clock-off", {"percent": "-3"}, "clock_error", 0.0, -0.03),
        ("device-resetting", {"every": "7"}, "reset_every_s", 0.0, 7.0),
        ("device-resetting", {"which": "load"}, "reset_by_load", False, True),
        ("driver-held-late", {"ms": "2"}, "hold_ms", 0.005, 2.0),
        ("sequence-faults", {"which": "forgets"}, "sequence", "sound", "forgets"),
    ],
)
def test_a_fault_at_one_device(kind: str, options: dict[str, str], key: str, sound: object, faulty: object) -> None:
    told = apply(DEMO, kind, options | {"at": "3"})
    assert devices(told, key) == [sound, sound, faulty, sound, sound]
    if kind not in ("baud-wrong", "format-wrong", "driver-held-late"):
        assert devices(apply(DEMO, kind, options), key) == [sound] * 4 + [faulty]
    assert replace(told, devices=DEMO.devices) == DEMO


def test_a_reversed_clip_is_at_the_tap_alone() -> None:
    told = apply(DEMO, "pair-reversed-at-tap", {})
    assert told.tap.reversed_pair
    assert replace(told, tap=DEMO.tap) == DEMO


@pytest.mark.parametrize(
    ("options", "place"),
    [
        # The demo's devices lie at 30, 34, 88, 95 and 140 m.
        ({}, 117.5),
        ({"at": "3"}, 61.0),
        ({"at": "1"}, 15.0),
        ({"metres": "99"}, 99.0),
    ],
)
def test_damage_lies_before_the_device_or_where_it_is_said(options: dict[str, str], place: float) -> None:
    assert [row.position_m for row in apply(DEMO, "conductor-open", options).breaks] == [place]
    assert [row.position_m for row in apply(DEMO, "pair-shorted", options).shorts] == [place]
    assert [row.position_m for row in apply(DEMO, "conductor-to-ground", options).leaks] == [place]


def test_which_conductor_and_how_well() -> None:
    assert [row.wire for row in apply(DEMO, "conductor-open", {"which": "both"}).breaks] == ["both"]
    assert [row.ohm for row in apply(DEMO, "pair-shorted", {"ohm": "3"}).shorts] == [3.0]
    (leak,) = apply(DEMO, "conductor-to-ground", {"which": "b", "ohm": "40"}).leaks
    assert (leak.wire, leak.ohm) == ("b", 40.0)


@pytest.mark.parametrize(
    ("kind", "options", "left"),
    [
        ("terminator-missing-one", {}, [0.0]),
        ("terminator-missing-one", {"which": "far"}, [0.0]),
        ("terminator-missing-one", {"which": "near"}, [140.0]),
        ("terminator-missing-both", {}, []),
        ("terminator-misplaced", {}, [0.0, 70.0]),
        ("terminator-misplaced", {"metres": "100"}, [0.0, 100.0]),
        ("terminator-excess", {"count": "1"}, [0.0, 140.0, 140.0]),
        ("terminator-excess", {}, [0.0, 95.0, 140.0, 140.0]),
    ],
)
def test_terminators(kind: str, options: dict[str, str], left: list[float]) -> None:
    mixed = replace(DEMO, terminators=DEMO.terminators[::-1])
    assert sorted(row.position_m for row in apply(mixed, kind, options).terminators) == left


def test_bias() -> None:
    told = apply(DEMO, "bias-missing", {})
    assert told.biases == ()
    assert (told.line.threshold_v, told.line.noise_v) == (0.0, 0.006)
    kept = apply(DEMO, "bias-missing", {"which": "failsafe", "level": "0"})
    assert kept == replace(DEMO, biases=())
    assert [row.pull_ohm for row in apply(DEMO, "bias-weak", {}).biases] == [6800.0]
    assert [row.pull_ohm for row in apply(DEMO, "bias-weak", {"ohm": "4700"}).biases] == [4700.0]


def test_loads_are_spread_over_the_devices() -> None:
    assert devices(apply(DEMO, "bus-overloaded", {"count": "100"}), "unit_loads") == [20.0] * 5


def test_a_stretched_pair_keeps_its_shape() -> None:
    told = apply(apply(DEMO, "conductor-open", {"metres": "70"}), "line-too-long-for-rate", {"metres": "1400"})
    assert told.line.length_m == 1400.0
    assert devices(told, "position_m") == [300.0, 340.0, 880.0, 950.0, 1400.0]
    assert [row.position_m for row in told.terminators] == [0.0, 1400.0]
    assert [row.position_m for row in told.breaks] == [700.0]
    assert told.tap.position_m == 20.0
    # 2.5 times the product rule of sheet 1.3, and never so long that copper alone ends it
    assert apply(DEMO, "line-too-long-for-rate", {}).line.length_m == 3000.0
    assert apply(load("longline"), "line-too-long-for-rate", {}).line.length_m == pytest.approx(2.5e8 / 115200)


@pytest.mark.parametrize(
    ("kind", "options", "wanted"),
    [
        ("noise-broadband", {}, {"noise_v": 0.6}),
        ("noise-broadband", {"level": "0.25"}, {"noise_v": 0.25}),
        ("noise-impulsive", {}, {"impulse_v": 6.0, "impulses_per_s": 8.0, "impulse_us": 300.0}),
        ("noise-impulsive", {"count": "2", "us": "9"}, {"impulse_v": 6.0, "impulses_per_s": 2.0, "impulse_us": 9.0}),
        ("noise-mains", {}, {"mains_v": 4.0, "mains_hz": 50.0, "mains_us": 60.0}),
        ("noise-mains", {"hz": "60", "level": "3"}, {"mains_v": 3.0, "mains_hz": 60.0, "mains_us": 60.0}),
    ],
)
def test_noise(kind: str, options: dict[str, str], wanted: dict[str, float]) -> None:
    told = apply(DEMO, kind, options)
    assert {key: getattr(told.line, key) for key in wanted} == wanted
    assert replace(told, line=DEMO.line) == DEMO


def test_a_wrong_rate_is_the_receivers_twice_the_bus_or_what_was_asked_for() -> None:
    assert apply(DEMO, "baud-wrong", {}).tap.baud == 19200
    asked = replace(DEMO, tap=replace(DEMO.tap, baud=38400))
    assert apply(asked, "baud-wrong", {}).tap.baud == 38400
    same = replace(DEMO, tap=replace(DEMO.tap, baud=9600))
    assert apply(same, "baud-wrong", {}).tap.baud == 19200


def test_a_wrong_format_is_the_receivers_other_parity_or_what_was_asked_for() -> None:
    assert apply(DEMO, "format-wrong", {}).tap.format == "8E1"
    assert apply(load("modbus"), "format-wrong", {}).tap.format == "8N1"
    assert apply(DEMO, "format-wrong", {"which": "7E1"}).tap.format == "7E1"
    asked = replace(DEMO, tap=replace(DEMO.tap, format="8N2"))
    assert apply(asked, "format-wrong", {}).tap.format == "8N2"
    assert apply(asked, "format-wrong", {"which": "8O1"}).tap.format == "8O1"


def test_a_twin_has_the_address_and_another_place() -> None:
    told = apply(DEMO, "address-duplicate", {"at": "2", "metres": "50", "ms": "1.5"})
    one, twin = told.devices[1], told.devices[5]
    assert (twin.address, twin.position_m, twin.reply_ms) == (2, 50.0, one.reply_ms + 1.5)
    assert twin.name != one.name
    assert told.devices[:5] == DEMO.devices


def test_a_second_controller() -> None:
    second = apply(DEMO, "two-controllers", {"metres": "33", "ms": "21"}).second_controller
    assert second is not None
    assert (second.position_m, second.poll_gap_ms, second.protocol) == (33.0, 21.0, "osdp")
    assert second.name != DEMO.controller.name


def test_how_long_a_driver_is_held_if_nobody_says() -> None:
    # Three characters of 1.04 ms into what comes next: the command after 40 ms, the reply after 2.5 ms.
    device = apply(DEMO, "driver-held-late", {"which": "device"}).devices[-1]
    assert device.hold_ms == pytest.approx(40 + 3.125, abs=0.01)
    controller = apply(DEMO, "driver-held-late", {}).controller
    assert controller.hold_ms == pytest.approx(2.5 + 3.125, abs=0.01)


def test_faults_can_be_combined() -> None:
    told = apply(DEMO, "noise-broadband, device-silent", {"at": "1", "level": "0.2"})
    assert told.line.noise_v == 0.2
    assert devices(told, "answers") == [False, True, True, True, True]


def test_each_of_two_faults_takes_its_own_options() -> None:
    told = apply(DEMO, "noise-broadband,conductor-open", {"level": "0.2", "which": "b"})
    assert told.line.noise_v == 0.2
    assert told.breaks[0].wire == "b"
    twice = apply(apply(DEMO, "ground-offset", {"level": "9", "at": "1"}), "noise-broadband", {"level": "0.1"})
    assert (twice.devices[0].ground_v, twice.line.noise_v) == (9.0, 0.1)


@pytest.mark.parametrize(
    ("kinds", "options", "line"),
    [
        ("lightning", {}, "no fault 'lightning'; there are: healthy, pair-reversed-at-tap"),
        ("", {}, "no fault ''; there are"),
        ("noise-mains,", {}, "no fault ''; there are"),
        ("healthy", {"at": "1"}, "fault=healthy does not take 'at'; it goes with fault=pair-reversed-at-device or "),
        ("noise-mains", {"which": "far"}, "fault=noise-mains does not take 'which'; it goes with fault=conductor-open"),
        ("noise-mains", {"colour": "1"}, "fault=noise-mains does not take 'colour'; known are at, which, level"),
        (None, {"level": "1"}, "fault=device-silent does not take 'level'; it goes with fault=bias-missing"),
        ("device-silent", {"at": "nine"}, "at=nine: a number is wanted"),
        ("device-silent", {"at": "2.5"}, "at=2.5: a device address is a whole number"),
        ("device-silent", {"at": "nan"}, "at=nan: a device address is a whole number"),
        ("device-silent", {"at": "inf"}, "at=inf: a device address is a whole number"),
        ("device-silent", {"at": "9"}, "no device at address 9 in this scenario; there are 1, 2, 3, 4, 5"),
        ("pair-reversed-at-device", {"at": "-1"}, "no device at address -1 in this scenario"),
        ("noise-broadband", {"level": "loud"}, "level=loud: a number is wanted"),
        ("noise-broadband", {"level": "-1"}, "level=-1: volts rms, 0 to 100, are wanted"),
        ("noise-broadband", {"level": "nan"}, "level=nan: volts rms, 0 to 100, are wanted"),
        ("noise-broadband", {"level": "101"}, "level=101: volts rms, 0 to 100, are wanted"),
        ("terminator-missing-one", {"which": "middle"}, "which=middle: near or far is wanted"),
        ("terminator-excess", {"count": "1.5"}, "count=1.5: a whole number is wanted"),
        ("terminator-misplaced", {"metres": "141"}, "metres=141: metres along the pair, 0 to 140, are wanted"),
        ("conductor-open", {"which": "c"}, "which=c: a, b or both is wanted"),
        ("format-wrong", {"which": "9X9"}, "which=9X9: '9X9' is not a character format"),
    ],
)
def test_wrong_options_are_one_line(kinds: str | None, options: dict[str, str], line: str) -> None:
    assert line in refused(kinds, options)


@pytest.mark.parametrize(
    ("kind", "without", "line"),
    [
        ("terminator-missing-one", {"terminators": ()}, "this scenario has no terminator that could be missing"),
        ("terminator-missing-both", {"terminators": ()}, "this scenario has no terminator that could be missing"),
        ("bias-missing", {"biases": ()}, "this scenario has no bias that could be missing"),
        ("bias-weak", {"biases": ()}, "this scenario has no bias that could be weak"),
    ],
)
def test_what_is_not_fitted_cannot_be_missing(kind: str, without: dict[str, Any], line: str) -> None:
    assert refused(kind, {}, replace(DEMO, **without)) == line


@pytest.mark.parametrize(("kind", "options"), [("sequence-faults", {}), ("device-resetting", {"which": "load"})])
def test_what_only_osdp_has(kind: str, options: dict[str, str]) -> None:
    assert refused(kind, options, load("modbus")).endswith("needs a scenario with OSDP; this one speaks modbus-rtu")


@pytest.mark.parametrize(("name", "fault"), FAULTS.items())
def test_every_fault_says_what_it_is_and_takes(name: str, fault: Fault) -> None:
    assert fault.about
    for option in OPTIONS:
        assert (f"{option}=" in fault.about) == (option in fault.takes)
