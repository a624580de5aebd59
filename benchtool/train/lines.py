"""Random worked lines with nothing wrong: invented buses of every size, rate and length.

Ranges are wide on purpose, so that the tables hold for buses nobody thought of. Where the sheet gives limits (length
against rate, bias, terminators, sections 1.3 to 1.7) a sound line keeps them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from benchtool.capture.chunk import LineErrors
from benchtool.capture.rates import OSDP_RATES
from benchtool.simulate.specs import (
    BiasSpec,
    CardEvent,
    ControllerSpec,
    DeviceSpec,
    InputEvent,
    KeyEvent,
    LineSpec,
    Scenario,
    TapSpec,
    TerminatorSpec,
)

Generator = np.random.Generator

_LOOP_OHM_PER_M = (0.1059, 0.1684, 0.2678)
"""AWG 22, 24, 26 (sheet 1.6)."""
_RATES = {
    "osdp": OSDP_RATES,
    "modbus-rtu": (4800, 9600, 19200, 38400, 57600, 115200),
}
_LOADS = (1.0, 0.5, 0.25, 0.125)
"""Unit loads of a receiver: the standard's 12 kilohm, and parts of 1/2, 1/4 and 1/8, 96 kilohm (sheet 1.2)."""
_LOAD_SHARES = (0.4, 0.15, 0.2, 0.25)
"""How often each is met (judgement): old parts load a whole one, most of today's an eighth or a quarter."""
_MIXED = 0.3
"""Share of buses whose devices have receivers of several sorts."""
_RATE_SHARES = {"osdp": (0.42, 0.1, 0.15, 0.1, 0.18, 0.05), "modbus-rtu": (0.05, 0.35, 0.3, 0.1, 0.1, 0.1)}


@dataclass(frozen=True, slots=True)
class Hearing:
    """How the tap hears: what a real adapter, a capture or a pasted log would give."""

    line_errors: LineErrors
    lump_ms: float
    seconds: float


def log_uniform(rng: Generator, low: float, high: float) -> float:
    """Each decade alike."""
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def sound_line(
    rng: Generator, *, least_baud: int = 0, least_share: float = 0.0, stretch: float = 1.0, protocol: str | None = None
) -> Scenario:
    """An invented bus with nothing wrong; `protocol` None: either.

    `least_share`: of the longest that the rate allows; `stretch`: how much longer than that it may be.
    """
    protocol = protocol or ("osdp" if rng.random() < 0.65 else "modbus-rtu")
    rates = np.array(_RATES[protocol])
    shares = np.array(_RATE_SHARES[protocol]) * (rates >= least_baud)
    baud = int(rng.choice(rates, p=shares / shares.sum()))
    char_format = (
        "8N1" if protocol == "osdp" or rng.random() < 0.4 else str(rng.choice(["8E1", "8N2", "8O1"], p=[0.7, 0.2, 0.1]))
    )
    # sheet 1.3: 1e8 / rate, at most 1200 m
    longest = min(stretch * 1e8 / baud, 1200.0)
    length = round(log_uniform(rng, max(5.0, least_share * longest), longest), 1)
    count = int(rng.integers(1, 9))
    near = 0.0
    places = np.sort(rng.uniform(0.02, 1.0, count))
    places[-1] = 1.0
    low, high = (0, 31) if protocol == "osdp" else (1, 40)
    if rng.random() < 0.6:
        first = int(rng.integers(low, 4))
        addresses = list(range(first, first + count))
    else:
        addresses = [int(one) for one in np.sort(rng.choice(np.arange(low, high), count, replace=False))]
    reply_ms = log_uniform(rng, 0.8, 25)
    rise_ns = log_uniform(rng, 10, min(1500.0, 0.25e9 / baud))
    devices = tuple(
        DeviceSpec(
            f"device {index}",
            address,
            round(float(place) * length, 2),
            kind=str(rng.choice(["reader", "keypad", "interface"], p=[0.6, 0.15, 0.25])),
            reply_ms=round(reply_ms * float(rng.uniform(0.7, 1.4)), 3),
        )
        for index, (address, place) in enumerate(zip(addresses, places, strict=True))
    )
    devices = _loading(rng.spawn(1)[0], devices)
    terminator = float(rng.uniform(114, 126))
    supply = 5.0 if rng.random() < 0.7 else 3.3
    pull = float(rng.uniform(360, 620) if supply == 5 else rng.uniform(230, 390))
    return Scenario(
        title="worked line",
        about="",
        controller=ControllerSpec(
            "controller",
            near,
            protocol,
            poll_gap_ms=round(log_uniform(rng, 2, 150), 2),
            check="crc" if rng.random() < 0.8 else "checksum",
        ),
        devices=_busy(rng, devices, protocol),
        line=LineSpec(
            baud=baud,
            format=char_format,
            length_m=length,
            loop_ohm_per_m=float(rng.choice(_LOOP_OHM_PER_M)) * float(rng.uniform(0.95, 1.15)),
            velocity=float(rng.uniform(0.58, 0.8)),
            driver_ohm=float(rng.uniform(25, 65)),
            noise_v=float(log_uniform(rng, 0.002, 0.03)),
            rise_ns=rise_ns,
            threshold_v=float(rng.choice([-0.125, rng.uniform(-0.05, 0.05)], p=[0.6, 0.4])),
        ),
        terminators=(TerminatorSpec(0.0, terminator), TerminatorSpec(length, terminator)),
        biases=(BiasSpec(0.0, pull, supply),),
        tap=TapSpec(round(float(rng.choice([0.0, length, rng.uniform(0, length)], p=[0.5, 0.2, 0.3])), 2)),
    )


def _loading(rng: Generator, devices: tuple[DeviceSpec, ...]) -> tuple[DeviceSpec, ...]:
    """How much each receiver loads the pair; `rng` a generator of its own, so that nothing else of the line changes."""
    sorts = rng.choice(_LOADS, len(devices), p=_LOAD_SHARES)
    if rng.random() >= _MIXED:
        sorts[:] = sorts[0]
    return tuple(replace(device, unit_loads=float(load)) for device, load in zip(devices, sorts, strict=True))


def _busy(rng: Generator, devices: tuple[DeviceSpec, ...], protocol: str) -> tuple[DeviceSpec, ...]:
    """Some cards, keys and inputs, so that frames of all sorts come."""
    if rng.random() < 0.4:
        return devices
    busy = []
    for device in devices:
        times = sorted(float(at) for at in rng.uniform(0.5, 30, int(rng.integers(0, 3))))
        if protocol != "osdp":
            changed = tuple(InputEvent(at, (int(rng.integers(0, 2)), 1)) for at in times)
            busy.append(replace(device, inputs=changed))
        elif device.kind == "keypad":
            busy.append(replace(device, keys=tuple(KeyEvent(at, "0519#") for at in times)))
        elif device.kind == "interface":
            busy.append(replace(device, inputs=tuple(InputEvent(at, (int(rng.integers(0, 2)), 1)) for at in times)))
        else:
            cards = tuple(
                CardEvent(
                    at, "26-bit", int(rng.integers(1, 60_000)), int(rng.integers(0, 250)), bool(rng.random() < 0.7)
                )
                for at in times
            )
            busy.append(replace(device, cards=cards))
    return tuple(busy)


def hearing(rng: Generator, scenario: Scenario) -> Hearing:
    """A tap that marks line errors, counts them or is blind, with exact times or in lumps, for seconds to a minute."""
    errors = LineErrors.UNAVAILABLE
    share = rng.random()
    if share < 0.45:
        errors = LineErrors.MARKED
    elif share < 0.52:
        errors = LineErrors.COUNTED
    lump_ms = float(rng.choice([0.0, 1.0, 4.0, 16.0], p=[0.6, 0.1, 0.05, 0.25]))
    char_s = scenario.line.settings.char_ns / 1e9
    one = 16 * char_s + (scenario.controller.poll_gap_ms + scenario.devices[0].reply_ms) / 1e3
    wanted = log_uniform(rng, 50, 320) if rng.random() < 0.85 else log_uniform(rng, 4, 50)
    return Hearing(errors, lump_ms, float(min(60.0, max(0.4, wanted * one))))
