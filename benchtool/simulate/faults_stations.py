"""Faults of how stations are set and behave: rate, format, clock, address, silence, restarts, drivers, numbers."""

from __future__ import annotations

from dataclasses import replace

from benchtool.capture.settings import CharFormat
from benchtool.simulate.fault_options import Fault, Options, at_metres, device, number, whole, with_device, word
from benchtool.simulate.specs import Scenario, ScenarioError

_MOST_BAUD = 20_000_000
_MOST_MS = 10_000.0


def _baud_wrong(scenario: Scenario, options: Options) -> Scenario:
    twice = min(_MOST_BAUD, scenario.line.baud * 2)
    if "at" in options:
        return with_device(scenario, replace(device(scenario, options), baud=twice))
    if scenario.tap.baud is not None and scenario.tap.baud != scenario.line.baud:
        return scenario
    return replace(scenario, tap=replace(scenario.tap, baud=twice))


def _format_wrong(scenario: Scenario, options: Options) -> Scenario:
    other = "8E1" if scenario.line.format == "8N1" else "8N1"
    form = options.get("which", other)
    try:
        CharFormat.parse(form)
    except ValueError as error:
        raise ScenarioError(f"which={form}: {error}") from None
    if "at" in options:
        return with_device(scenario, replace(device(scenario, options), format=form))
    if "which" not in options and scenario.tap.format not in (None, scenario.line.format):
        return scenario
    return replace(scenario, tap=replace(scenario.tap, format=form))


def _clock_off(scenario: Scenario, options: Options) -> Scenario:
    percent = number(options, "percent", 4.6, -20, 20, "per cent")
    return with_device(scenario, replace(device(scenario, options), clock_error=percent / 100))


def _duplicate(scenario: Scenario, options: Options) -> Scenario:
    one = device(scenario, options)
    later = number(options, "ms", 0.4, 0, _MOST_MS, "milliseconds")
    place = at_metres(scenario, options, scenario.line.length_m / 2)
    twin = replace(
        one,
        name=f"{one.name[:60]} (twin)",
        position_m=place,
        reply_ms=min(_MOST_MS, one.reply_ms + later),
        cards=(),
        keys=(),
        inputs=(),
    )
    return replace(scenario, devices=(*scenario.devices, twin))


def _two_controllers(scenario: Scenario, options: Options) -> Scenario:
    first = scenario.controller
    gap = number(options, "ms", 0.9 * first.poll_gap_ms, 0, _MOST_MS, "milliseconds from a reply to the next command")
    place = at_metres(scenario, options, scenario.line.length_m / 2)
    second = replace(
        first, name=f"{first.name[:60]} (second)", position_m=place, poll_gap_ms=gap, starts_s=first.starts_s + 0.037
    )
    return replace(scenario, second_controller=second)


def _silent(scenario: Scenario, options: Options) -> Scenario:
    return with_device(scenario, replace(device(scenario, options), answers=False))


def _slow(scenario: Scenario, options: Options) -> Scenario:
    wait = number(options, "ms", 240.0, 0, _MOST_MS, "milliseconds")
    return with_device(scenario, replace(device(scenario, options), reply_ms=wait))


def _resetting(scenario: Scenario, options: Options) -> Scenario:
    one = device(scenario, options)
    out_s = number(options, "ms", 1_500.0, 1, 1_000_000, "milliseconds out") / 1000
    if word(options, "which", ("time", "load"), "time") == "load":
        _needs_osdp(scenario, "which=load")
        return with_device(scenario, replace(one, reset_by_load=True, reset_s=out_s))
    every_s = number(options, "every", 4.0, 0.1, 1_000_000, "seconds")
    return with_device(scenario, replace(one, reset_every_s=every_s, reset_s=out_s))


def _held_late(scenario: Scenario, options: Options) -> Scenario:
    character_ms = scenario.line.settings.char_ns / 1e6
    usually = "device" if "at" in options else "controller"
    if word(options, "which", ("device", "controller"), usually) == "controller":
        usual = min(one.reply_ms for one in scenario.devices) + 3 * character_ms
        hold = number(options, "ms", usual, 0, _MOST_MS, "milliseconds")
        return replace(scenario, controller=replace(scenario.controller, hold_ms=hold))
    usual = scenario.controller.poll_gap_ms + 3 * character_ms
    hold = number(options, "ms", usual, 0, _MOST_MS, "milliseconds")
    return with_device(scenario, replace(device(scenario, options), hold_ms=hold))


_SEQUENCES = {
    "stale": ("device", "stale"),
    "forgets": ("device", "forgets"),
    "zero": ("device", "zero"),
    "skips": ("controller", "skips"),
    "repeats": ("controller", "repeats"),
    "only-zero": ("controller", "zero"),
}


def _sequence(scenario: Scenario, options: Options) -> Scenario:
    _needs_osdp(scenario, "fault=sequence-faults")
    who, how = _SEQUENCES[word(options, "which", tuple(_SEQUENCES), "stale")]
    every = whole(options, "every", 8, 1, 1_000_000, "replies")
    if who == "controller":
        return replace(scenario, controller=replace(scenario.controller, sequence=how, sequence_every=every))
    return with_device(scenario, replace(device(scenario, options), sequence=how, sequence_every=every))


def _needs_osdp(scenario: Scenario, what: str) -> None:
    if scenario.controller.protocol != "osdp":
        raise ScenarioError(f"{what} needs a scenario with OSDP; this one speaks {scenario.controller.protocol}")


STATION_FAULTS: dict[str, Fault] = {
    "baud-wrong": Fault(
        _baud_wrong,
        "our receiver set to twice the bus's rate, unless --baud says otherwise; at=ADDRESS: that device instead",
        ("at",),
    ),
    "format-wrong": Fault(
        _format_wrong,
        "our receiver set to another parity, unless --format tells it; which=FORMAT; at=ADDRESS: that device instead",
        ("which", "at"),
    ),
    "clock-off": Fault(_clock_off, "one device's clock is off; at=ADDRESS; percent=PER CENT", ("at", "percent")),
    "address-duplicate": Fault(
        _duplicate,
        "a second device has the address of one; at=ADDRESS; metres=PLACE; ms=HOW MUCH later it answers",
        ("at", "metres", "ms"),
    ),
    "two-controllers": Fault(
        _two_controllers,
        "a second controller polls the same devices; metres=PLACE; ms=MILLISECONDS between its polls",
        ("metres", "ms"),
    ),
    "device-silent": Fault(_silent, "one device hears but never answers; at=ADDRESS", ("at",)),
    "device-slow": Fault(_slow, "one device answers late; at=ADDRESS; ms=MILLISECONDS", ("at", "ms")),
    "device-resetting": Fault(
        _resetting,
        "one device restarts again and again; at=ADDRESS; which=time or load; every=SECONDS; ms=MILLISECONDS out",
        ("at", "which", "every", "ms"),
    ),
    "driver-held-late": Fault(
        _held_late,
        "the controller's driver lets go late, or a device's; which=controller or device; at=ADDRESS; ms=MILLISECONDS",
        ("which", "at", "ms"),
    ),
    "sequence-faults": Fault(
        _sequence,
        f"OSDP sequence numbers go wrong; which={', '.join(_SEQUENCES)}; at=ADDRESS; every=HOW MANY replies",
        ("which", "at", "every"),
    ),
}
"""By identifier."""
