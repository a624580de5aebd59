"""Faults of the pair itself: conductors, terminators, bias, loads, length, ground, noise.

Each changes what is wired or fitted; what it does to octets is the line model's. Several leave no mark in the octets of
a short pair at a low rate: docs/scenarios.md.
"""

from __future__ import annotations

from dataclasses import replace

from benchtool.simulate.fault_options import (
    MOST_METRES,
    Fault,
    Options,
    at_metres,
    device,
    number,
    segment_m,
    whole,
    with_device,
    word,
)
from benchtool.simulate.specs import (
    BreakSpec,
    LeakSpec,
    LineSpec,
    Scenario,
    ScenarioError,
    ShortSpec,
    TerminatorSpec,
)

_MOST_VOLTS = 100.0
_MOST_OHM = 1_000_000.0
_LONG_M = 3_000.0
"""The far end of so much AWG24 pair, with noise, is at its limit at any rate: copper alone."""
_LONG_METRES_BITS = 2.5e8
"""Metres times bits a second at which edges are too slow in this model; 2.5 times the rule of sheet 1.3."""
_PLAIN_V, _PLAIN_HYSTERESIS_V = 0.0, 0.05
"""A receiver that needs bias, against one that reads an idle pair as mark by itself (sheet 1.7)."""


def _reversed_at_tap(scenario: Scenario, options: Options) -> Scenario:
    return replace(scenario, tap=replace(scenario.tap, reversed_pair=not scenario.tap.reversed_pair))


def _reversed_at_device(scenario: Scenario, options: Options) -> Scenario:
    there = device(scenario, options)
    return with_device(scenario, replace(there, reversed_pair=not there.reversed_pair))


def _open(scenario: Scenario, options: Options) -> Scenario:
    wire = word(options, "which", ("a", "b", "both"), "a")
    return replace(scenario, breaks=(*scenario.breaks, BreakSpec(segment_m(scenario, options), wire)))


def _shorted(scenario: Scenario, options: Options) -> Scenario:
    ohm = number(options, "ohm", 1.0, 0.001, _MOST_OHM, "ohms")
    return replace(scenario, shorts=(*scenario.shorts, ShortSpec(segment_m(scenario, options), ohm)))


def _to_ground(scenario: Scenario, options: Options) -> Scenario:
    wire = word(options, "which", ("a", "b"), "a")
    ohm = number(options, "ohm", 1.0, 0.001, _MOST_OHM, "ohms")
    return replace(scenario, leaks=(*scenario.leaks, LeakSpec(segment_m(scenario, options), wire, ohm)))


def _terminators(scenario: Scenario) -> list[TerminatorSpec]:
    if not scenario.terminators:
        raise ScenarioError("this scenario has no terminator that could be missing")
    return sorted(scenario.terminators, key=lambda row: row.position_m)


def _one_missing(scenario: Scenario, options: Options) -> Scenario:
    ordered = _terminators(scenario)
    which = word(options, "which", ("near", "far"), "far")
    return replace(scenario, terminators=tuple(ordered[1:] if which == "near" else ordered[:-1]))


def _both_missing(scenario: Scenario, options: Options) -> Scenario:
    _terminators(scenario)
    return replace(scenario, terminators=())


def _excess(scenario: Scenario, options: Options) -> Scenario:
    count = whole(options, "count", 2, 1, 50, "terminators")
    places = [one.position_m for one in scenario.devices[::-1]]
    extra = tuple(TerminatorSpec(places[index % len(places)]) for index in range(count))
    return replace(scenario, terminators=(*scenario.terminators, *extra))


def _misplaced(scenario: Scenario, options: Options) -> Scenario:
    place = at_metres(scenario, options, scenario.line.length_m / 2)
    *rest, last = _terminators(scenario)
    return replace(scenario, terminators=(*rest, replace(last, position_m=place)))


def _quiet_line(scenario: Scenario, options: Options, level: float) -> LineSpec:
    """The line with receivers that need bias, and the little that every pair picks up, without which nothing shows."""
    volts = number(options, "level", level, 0, _MOST_VOLTS, "volts rms")
    line = replace(scenario.line, noise_v=max(scenario.line.noise_v, volts))
    plain = word(options, "which", ("plain", "failsafe"), "plain") == "plain"
    return replace(line, threshold_v=_PLAIN_V, hysteresis_v=_PLAIN_HYSTERESIS_V) if plain else line


def _bias_missing(scenario: Scenario, options: Options) -> Scenario:
    if not scenario.biases:
        raise ScenarioError("this scenario has no bias that could be missing")
    return replace(scenario, biases=(), line=_quiet_line(scenario, options, 0.006))


def _bias_weak(scenario: Scenario, options: Options) -> Scenario:
    if not scenario.biases:
        raise ScenarioError("this scenario has no bias that could be weak")
    ohm = number(options, "ohm", 6_800.0, 1, _MOST_OHM, "ohms")
    biases = tuple(replace(row, pull_ohm=ohm) for row in scenario.biases)
    return replace(scenario, biases=biases, line=_quiet_line(scenario, options, 0.02))


def _stub(scenario: Scenario, options: Options) -> Scenario:
    metres = number(options, "metres", 60.0, 0, 1_000, "metres of stub")
    return with_device(scenario, replace(device(scenario, options), stub_m=metres))


def _overloaded(scenario: Scenario, options: Options) -> Scenario:
    total = number(options, "count", 400.0, 1, 10_000, "unit loads")
    each = total / len(scenario.devices)
    return replace(scenario, devices=tuple(replace(one, unit_loads=each) for one in scenario.devices))


def _too_long(scenario: Scenario, options: Options) -> Scenario:
    """Everything on the pair moves apart; the rate stays. Without a little noise the far end hears all or nothing."""
    line = scenario.line
    usual = max(line.length_m, min(_LONG_M, _LONG_METRES_BITS / line.baud))
    metres = number(options, "metres", usual, 1, MOST_METRES, "metres of pair")
    noise = number(options, "level", 0.05, 0, _MOST_VOLTS, "volts rms")
    stretch = metres / line.length_m if line.length_m else 1.0

    def moved(position_m: float) -> float:
        return min(metres, position_m * stretch)

    second = scenario.second_controller
    return replace(
        scenario,
        line=replace(line, length_m=metres, noise_v=max(line.noise_v, noise)),
        controller=replace(scenario.controller, position_m=moved(scenario.controller.position_m)),
        second_controller=None if second is None else replace(second, position_m=moved(second.position_m)),
        devices=tuple(replace(row, position_m=moved(row.position_m)) for row in scenario.devices),
        terminators=tuple(replace(row, position_m=moved(row.position_m)) for row in scenario.terminators),
        biases=tuple(replace(row, position_m=moved(row.position_m)) for row in scenario.biases),
        breaks=tuple(replace(row, position_m=moved(row.position_m)) for row in scenario.breaks),
        shorts=tuple(replace(row, position_m=moved(row.position_m)) for row in scenario.shorts),
        leaks=tuple(replace(row, position_m=moved(row.position_m)) for row in scenario.leaks),
        tap=replace(scenario.tap, position_m=moved(scenario.tap.position_m)),
    )


def _ground(scenario: Scenario, options: Options) -> Scenario:
    volts = number(options, "level", 14.0, -_MOST_VOLTS, _MOST_VOLTS, "volts")
    return with_device(scenario, replace(device(scenario, options), ground_v=volts))


def _broadband(scenario: Scenario, options: Options) -> Scenario:
    level = number(options, "level", 0.6, 0, _MOST_VOLTS, "volts rms")
    return replace(scenario, line=replace(scenario.line, noise_v=level))


def _impulsive(scenario: Scenario, options: Options) -> Scenario:
    line = replace(
        scenario.line,
        impulse_v=number(options, "level", 6.0, 0, _MOST_VOLTS, "volts"),
        impulses_per_s=number(options, "count", 8.0, 0, 10_000, "bursts a second"),
        impulse_us=number(options, "us", 300.0, 0, 100_000, "microseconds"),
    )
    return replace(scenario, line=line)


def _mains(scenario: Scenario, options: Options) -> Scenario:
    line = replace(
        scenario.line,
        mains_v=number(options, "level", 4.0, 0, _MOST_VOLTS, "volts"),
        mains_hz=number(options, "hz", 50.0, 1, 400, "hertz"),
        mains_us=number(options, "us", 60.0, 0, 10_000, "microseconds"),
    )
    return replace(scenario, line=line)


LINE_FAULTS: dict[str, Fault] = {
    "pair-reversed-at-tap": Fault(_reversed_at_tap, "our own clip's two leads are swapped"),
    "pair-reversed-at-device": Fault(_reversed_at_device, "the pair is swapped at one device; at=ADDRESS", ("at",)),
    "conductor-open": Fault(
        _open,
        "a conductor is open before a device; at=ADDRESS or metres=PLACE; which=a, b or both",
        ("at", "metres", "which"),
    ),
    "pair-shorted": Fault(
        _shorted,
        "the two conductors touch before a device; at=ADDRESS or metres=PLACE; ohm=OHMS",
        ("at", "metres", "ohm"),
    ),
    "conductor-to-ground": Fault(
        _to_ground,
        "a conductor touches ground before a device; at=ADDRESS or metres=PLACE; which=a or b; ohm=OHMS",
        ("at", "metres", "which", "ohm"),
    ),
    "terminator-missing-one": Fault(_one_missing, "one terminator is taken off; which=near or far", ("which",)),
    "terminator-missing-both": Fault(_both_missing, "all terminators are taken off"),
    "terminator-excess": Fault(_excess, "there are more terminators, at devices; count=HOW MANY more", ("count",)),
    "terminator-misplaced": Fault(_misplaced, "the far terminator is not at the end; metres=PLACE", ("metres",)),
    "bias-missing": Fault(
        _bias_missing,
        "the bias is taken off; which=plain (receivers need bias) or failsafe; level=VOLTS rms that the pair picks up",
        ("which", "level"),
    ),
    "bias-weak": Fault(
        _bias_weak,
        "the bias resistors are too high; ohm=OHMS each; which=plain or failsafe; level=VOLTS rms of pick-up",
        ("ohm", "which", "level"),
    ),
    "stub-too-long": Fault(_stub, "one device hangs on a stub; at=ADDRESS; metres=LENGTH", ("at", "metres")),
    "bus-overloaded": Fault(_overloaded, "the devices load the pair; count=UNIT LOADS in all", ("count",)),
    "line-too-long-for-rate": Fault(
        _too_long, "the pair is stretched; metres=LENGTH; level=VOLTS rms", ("metres", "level")
    ),
    "ground-offset": Fault(_ground, "one device's ground is off; at=ADDRESS; level=VOLTS", ("at", "level")),
    "noise-broadband": Fault(_broadband, "noise between the wires; level=VOLTS rms", ("level",)),
    "noise-impulsive": Fault(
        _impulsive,
        "bursts at random times; level=VOLTS; count=BURSTS a second; us=MICROSECONDS each",
        ("level", "count", "us"),
    ),
    "noise-mains": Fault(
        _mains,
        "bursts locked to the mains; level=VOLTS; hz=MAINS; us=MICROSECONDS each",
        ("level", "hz", "us"),
    ),
}
"""By identifier."""
