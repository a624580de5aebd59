"""What is wrong with a worked line: every cause of the catalogue, in every size from invisible to fatal.

Each changes what is wired, set or fitted, or how a station behaves; the line model and the stations do the rest.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from benchtool.diagnose.finding import Cause
from benchtool.simulate.specs import (
    CONTROLLER_SEQUENCES,
    DEVICE_SEQUENCES,
    BiasSpec,
    BreakSpec,
    ControllerSpec,
    DeviceSpec,
    LeakSpec,
    Scenario,
    ShortSpec,
    TerminatorSpec,
)
from benchtool.train.lines import Generator, log_uniform, sound_line

Spoiled = tuple[Scenario, int | None]
"""The line with the fault, and the address of the device that it is at."""

FORMATS = ("8N1", "8E1", "8O1", "7E1")
TAP_RATES = (2400, 4800, 9600, 14400, 19200, 28800, 38400, 57600, 76800, 115200)
_FURTHEST = 5000.0
_REFLECTING = {
    Cause.TERMINATOR_MISSING_ONE,
    Cause.TERMINATOR_MISSING_BOTH,
    Cause.TERMINATOR_MISPLACED,
    Cause.STUB_TOO_LONG,
}
_LONG_AND_FAST = 0.5
"""Share of lines with a cause that reflects which are long and fast, since elsewhere no octet shows it."""
_STARS = 0.3
"""Share of too long stubs that are stars: every device hangs on one."""
_NOISES = {Cause.NOISE_BROADBAND, Cause.NOISE_IMPULSIVE, Cause.NOISE_MAINS}
_FIRM = 0.4
"""Share of noisy lines whose idle level is held firmly, so that noise damages frames without filling the silences."""


def _device(line: Scenario, rng: Generator, **changes: object) -> Spoiled:
    chosen = line.devices[int(rng.integers(len(line.devices)))]
    return _put(line, chosen, replace(chosen, **changes))  # type: ignore[arg-type]


def _put(line: Scenario, old: DeviceSpec, new: DeviceSpec) -> Spoiled:
    devices = tuple(new if device is old else device for device in line.devices)
    return replace(line, devices=devices), new.address


def _tap_reversed(line: Scenario, rng: Generator) -> Spoiled:
    return replace(line, tap=replace(line.tap, reversed_pair=True)), None


def _open(line: Scenario, rng: Generator) -> Spoiled:
    index = int(rng.integers(len(line.devices)))
    device = line.devices[index]
    before = line.devices[index - 1].position_m if index else 0.0
    place = float(rng.uniform(before, device.position_m)) if device.position_m > before else before
    wire = str(rng.choice(["a", "b", "both"], p=[0.4, 0.4, 0.2]))
    return replace(line, breaks=(*line.breaks, BreakSpec(round(place, 3), wire))), device.address


def _anywhere(line: Scenario, rng: Generator) -> float:
    return round(float(rng.choice([0.0, line.line.length_m, rng.uniform(0, line.line.length_m)])), 3)


def _shorted(line: Scenario, rng: Generator) -> Spoiled:
    return replace(line, shorts=(ShortSpec(_anywhere(line, rng), log_uniform(rng, 0.05, 8)),)), None


def _grounded(line: Scenario, rng: Generator) -> Spoiled:
    leak = LeakSpec(_anywhere(line, rng), str(rng.choice(["a", "b"])), log_uniform(rng, 0.1, 30))
    return replace(line, leaks=(*line.leaks, leak)), None


def _one_terminator(line: Scenario, rng: Generator) -> Spoiled:
    ends = sorted(line.terminators, key=lambda one: one.position_m)
    return replace(line, terminators=tuple(ends[1:] if rng.random() < 0.3 else ends[:-1])), None


def _more_terminators(line: Scenario, rng: Generator) -> Spoiled:
    more = rng.choice(len(line.devices), min(len(line.devices), int(rng.choice([1, 1, 1, 2, 3]))), replace=False)
    added = tuple(TerminatorSpec(line.devices[int(index)].position_m, 120.0) for index in more)
    return replace(line, terminators=(*line.terminators, *added)), None


def _moved_terminator(line: Scenario, rng: Generator) -> Spoiled:
    ends = sorted(line.terminators, key=lambda one: one.position_m)
    moved = replace(ends[-1], position_m=round(line.line.length_m * float(rng.uniform(0.1, 0.8)), 2))
    return replace(line, terminators=(*ends[:-1], moved)), None


def _weak_bias(line: Scenario, rng: Generator) -> Spoiled:
    """Less than 200 mV with both terminators fitted: from 720 ohm at 5 V (sheet 1.7)."""
    weak = tuple(
        BiasSpec(bias.position_m, log_uniform(rng, 160 * bias.supply_v, 20_000), bias.supply_v) for bias in line.biases
    )
    return replace(line, biases=weak), None


def _stub(line: Scenario, rng: Generator) -> Spoiled:
    limit = 0.1 * line.line.rise_ns * 1e-9 * line.line.velocity * 3e8
    low = max(3.0, 4 * limit)
    if rng.random() < _STARS:
        longer = {device: round(log_uniform(rng, max(low, 30), 300), 1) for device in line.devices}
        return replace(line, devices=tuple(replace(device, stub_m=longer[device]) for device in line.devices)), None
    return _device(line, rng, stub_m=round(log_uniform(rng, low, 300), 1))


def _overloaded(line: Scenario, rng: Generator) -> Spoiled:
    total = log_uniform(rng, 50, 500)
    each = total / len(line.devices)
    return replace(line, devices=tuple(replace(device, unit_loads=each) for device in line.devices)), None


def _too_long(line: Scenario, rng: Generator) -> Spoiled:
    length = round(min(_FURTHEST, max(line.line.length_m, 1e8 / line.line.baud) * float(rng.uniform(1.6, 6))), 1)
    grown = length / line.line.length_m
    return (
        replace(
            line,
            line=replace(line.line, length_m=length),
            devices=tuple(
                replace(device, position_m=min(length, device.position_m * grown)) for device in line.devices
            ),
            terminators=tuple(replace(one, position_m=min(length, one.position_m * grown)) for one in line.terminators),
            tap=replace(line.tap, position_m=min(length, line.tap.position_m * grown)),
        ),
        None,
    )


def _offset(line: Scenario, rng: Generator) -> Spoiled:
    # From what a receiver may no longer bear (sheet 1.1) on.
    volts = float(rng.uniform(7, 15) if rng.random() < 0.5 else rng.uniform(15, 40)) * (1 if rng.random() < 0.5 else -1)
    return _device(line, rng, ground_v=round(volts, 1))


def _broadband(line: Scenario, rng: Generator) -> Spoiled:
    return replace(line, line=replace(line.line, noise_v=log_uniform(rng, 0.12, 1.5))), None


def _impulsive(line: Scenario, rng: Generator) -> Spoiled:
    noisy = replace(
        line.line,
        impulses_per_s=log_uniform(rng, 0.3, 40),
        impulse_v=float(rng.uniform(2, 10)),
        impulse_us=log_uniform(rng, 15, 3000),
    )
    return replace(line, line=noisy), None


def _mains(line: Scenario, rng: Generator) -> Spoiled:
    noisy = replace(
        line.line,
        mains_hz=float(rng.choice([50.0, 60.0])),
        mains_v=float(rng.uniform(2, 8)),
        mains_us=log_uniform(rng, 50, 2500),
    )
    return replace(line, line=noisy), None


def _rate(line: Scenario, rng: Generator) -> Spoiled:
    others = [rate for rate in TAP_RATES if rate != line.line.baud]
    return replace(line, tap=replace(line.tap, baud=int(rng.choice(others)))), None


def _format(line: Scenario, rng: Generator) -> Spoiled:
    others = [one for one in FORMATS if one != line.line.format and (line.line.format, one) != ("8N2", "8N1")]
    return replace(line, tap=replace(line.tap, format=str(rng.choice(others)))), None


def _clock(line: Scenario, rng: Generator) -> Spoiled:
    return _device(line, rng, clock_error=float(rng.uniform(0.03, 0.09)) * (1 if rng.random() < 0.5 else -1))


def _duplicate(line: Scenario, rng: Generator) -> Spoiled:
    first = line.devices[int(rng.integers(len(line.devices)))]
    reply_ms = first.reply_ms * float(rng.choice([rng.uniform(0.95, 1.05), rng.uniform(0.4, 2.5)]))
    second = replace(
        first, name="second of its address", position_m=_anywhere(line, rng), reply_ms=reply_ms, cards=(), keys=()
    )
    return replace(line, devices=(*line.devices, second)), first.address


def _second(line: Scenario, rng: Generator) -> Spoiled:
    second = ControllerSpec(
        "second controller",
        _anywhere(line, rng),
        line.controller.protocol,
        poll_gap_ms=line.controller.poll_gap_ms * float(rng.choice([1.0, rng.uniform(0.3, 3)])),
        check=line.controller.check,
        starts_s=float(rng.uniform(0, 0.5)),
    )
    return replace(line, second_controller=second), None


def _slow(line: Scenario, rng: Generator) -> Spoiled:
    limits = (120, 450) if line.controller.protocol == "osdp" else (300, 2500)
    return _device(line, rng, reply_ms=log_uniform(rng, *limits))


def _resetting(line: Scenario, rng: Generator) -> Spoiled:
    every = log_uniform(rng, 1.5, 12)
    return _device(line, rng, reset_every_s=every, reset_s=every * float(rng.uniform(0.1, 0.6)))


def _held(line: Scenario, rng: Generator) -> Spoiled:
    char_ms = line.line.settings.char_ns / 1e6
    over = float(rng.uniform(0.3, 12)) * char_ms
    if rng.random() < 0.35:
        soonest = min(device.reply_ms for device in line.devices)
        return replace(line, controller=replace(line.controller, hold_ms=soonest + over)), None
    return _device(line, rng, hold_ms=line.controller.poll_gap_ms + over)


def _sequence(line: Scenario, rng: Generator) -> Spoiled:
    every = int(log_uniform(rng, 2, 20))
    if rng.random() < 0.5:
        sequence = str(rng.choice(DEVICE_SEQUENCES[1:]))
        return _device(line, rng, sequence=sequence, sequence_every=every)
    sequence = str(rng.choice(CONTROLLER_SEQUENCES[1:]))
    return replace(line, controller=replace(line.controller, sequence=sequence, sequence_every=every)), None


SPOILS: dict[Cause, Callable[[Scenario, Generator], Spoiled]] = {
    Cause.LINE_TOO_LONG: _too_long,
    Cause.REVERSED_AT_TAP: _tap_reversed,
    Cause.REVERSED_AT_DEVICE: lambda line, rng: _device(line, rng, reversed_pair=True),
    Cause.CONDUCTOR_OPEN: _open,
    Cause.PAIR_SHORTED: _shorted,
    Cause.CONDUCTOR_TO_GROUND: _grounded,
    Cause.TERMINATOR_MISSING_ONE: _one_terminator,
    Cause.TERMINATOR_MISSING_BOTH: lambda line, rng: (replace(line, terminators=()), None),
    Cause.TERMINATOR_EXCESS: _more_terminators,
    Cause.TERMINATOR_MISPLACED: _moved_terminator,
    Cause.BIAS_MISSING: lambda line, rng: (replace(line, biases=()), None),
    Cause.BIAS_WEAK: _weak_bias,
    Cause.STUB_TOO_LONG: _stub,
    Cause.BUS_OVERLOADED: _overloaded,
    Cause.GROUND_OFFSET: _offset,
    Cause.NOISE_BROADBAND: _broadband,
    Cause.NOISE_IMPULSIVE: _impulsive,
    Cause.NOISE_MAINS: _mains,
    Cause.BAUD_WRONG: _rate,
    Cause.FORMAT_WRONG: _format,
    Cause.CLOCK_OFF: _clock,
    Cause.ADDRESS_DUPLICATE: _duplicate,
    Cause.TWO_CONTROLLERS: _second,
    Cause.DEVICE_SILENT: lambda line, rng: _device(line, rng, answers=False),
    Cause.DEVICE_SLOW: _slow,
    Cause.DEVICE_RESETTING: _resetting,
    Cause.DRIVER_HELD_LATE: _held,
    Cause.SEQUENCE_FAULTS: _sequence,
}
"""In the order in which two are applied; `none-of-these` is no fault of a line (`train.strange`)."""


def worked_line(causes: Sequence[Cause], rng: Generator, *, fast: bool = False) -> Spoiled:
    """A random bus with these causes; the address is that of the last one that has a place.

    `fast`: where a cause reflects, surely a long and fast line.
    """
    protocol = "osdp" if Cause.SEQUENCE_FAULTS in causes else None
    if Cause.LINE_TOO_LONG in causes:
        line = sound_line(rng, least_baud=38_400, protocol=protocol)
    elif _REFLECTING.intersection(causes) and (fast or rng.random() < _LONG_AND_FAST):
        line = sound_line(rng, least_baud=57_600, least_share=0.4, stretch=1.4, protocol=protocol)
    else:
        line = sound_line(rng, protocol=protocol)
    address = None
    for cause, spoil in SPOILS.items():
        if cause in causes:
            line, place = spoil(line, rng)
            address = place if place is not None else address
    return line, address


def as_heard(line: Scenario, causes: Sequence[Cause], rng: Generator) -> Scenario:
    """The line that octets are taken from: the one that readings are from, but some noisy ones are firmly biased.

    Logs of other making often leave stray octets out, and some adapters swallow them.
    """
    if not _NOISES.intersection(causes) or rng.random() > _FIRM:
        return line
    firm = tuple(replace(bias, pull_ohm=log_uniform(rng, 25, 90), supply_v=5.0) for bias in line.biases)
    return replace(line, biases=firm)


def rng_for(seed: int, index: int) -> Generator:
    """One generator a worked line: they do not depend on each other or on the order in which they are made."""
    return np.random.Generator(np.random.PCG64([seed, index]))
