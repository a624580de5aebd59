"""What an oscilloscope at the tap records of a simulated bus: one question and its answer, by the travelling waves."""

from __future__ import annotations

import random
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchtool.simulate.build import build_pair
from benchtool.simulate.scenario import TAP
from benchtool.simulate.specs import DeviceSpec, Scenario
from benchtool.wire.uart import encode

_POINTS = 16_000
_IDLE_BITS = 25
_OCTETS = 8
"""The shortest question of OSDP with a CRC, and of Modbus RTU for registers (sheet 5.1, 3.1). Of fewer chance octets
not rarely both ways round make characters, so that a talker seems reversed where the idle level does not tell."""
_STEP_V = 10 / 256
"""An 8-bit scope at 10 V full scale (common practice)."""

Floats = NDArray[np.float64]


class Shot(NamedTuple):
    """One record: seconds, and volts of both wires against the tap's 0 V; shape (points,) each."""

    times_s: Floats
    a_v: Floats
    b_v: Floats

    def csv(self) -> str:
        """As scopes save it: a line of names, then one line a point."""
        rows = zip(self.times_s.tolist(), self.a_v.tolist(), self.b_v.tolist(), strict=True)
        return "time_s,a_v,b_v\n" + "".join(f"{t:.9f},{a:.4f},{b:.4f}\n" for t, a, b in rows)


def shot(line: Scenario, address: int, seed: int) -> Shot:
    """The controller asks the device at `address`, which answers if it can; ScenarioError if it is not there."""
    device = line.device_at(address)
    rng = np.random.Generator(np.random.PCG64([seed, 7, address]))
    settings = line.line.settings
    bit_s = 1 / settings.baud
    idle_s = _IDLE_BITS * bit_s
    pair = build_pair(line)
    idle = pair.levels({})[TAP]
    question = encode(rng.bytes(_OCTETS), settings, clock_error=line.controller.clock_error)
    answer = encode(rng.bytes(_OCTETS), settings, clock_error=device.clock_error)
    second_s = idle_s + question.duration_s + min(device.reply_ms / 1e3, idle_s)
    said = [(line.controller.name, idle_s, question)]
    if _answers(line, device):
        said.append((device.name, second_s, answer))
    last_s = max(start + signal.duration_s for _, start, signal in said)
    times = np.linspace(0, last_s + idle_s, _POINTS)
    difference, common = np.full(_POINTS, idle.difference_v), np.full(_POINTS, idle.common_v)
    for name, start, signal in said:
        chosen = (times >= start - idle_s / 2) & (times < start + signal.duration_s + idle_s / 2)
        volts = pair.volts(name, TAP, signal, times[chosen] - start)
        difference[chosen] = difference[chosen] + volts - idle.difference_v
        common[chosen] += pair.common_volts(name, TAP, signal, times[chosen] - start, volts) - idle.common_v
    difference = difference + rng.normal(0, line.line.noise_v, _POINTS) + _bursts(line, times, seed)
    both = (common + difference / 2, common - difference / 2)
    a_v, b_v = (np.round(one / _STEP_V) * _STEP_V for one in both)
    return Shot(times, a_v, b_v)


def _answers(line: Scenario, device: DeviceSpec) -> bool:
    """A reversed device, or one set otherwise, understands nothing."""
    other = device.baud not in (None, line.line.baud) or device.format not in (None, line.line.format)
    return device.answers and not device.reversed_pair and not other


def _bursts(line: Scenario, times: Floats, seed: int) -> Floats:
    """Bursts by chance and with the mains, volts."""
    draw = random.Random(f"{seed} bursts")
    spec, ends = line.line, float(times[-1])
    volts = np.zeros(len(times))
    found: list[tuple[float, float, float]] = []
    if spec.impulses_per_s:
        at = draw.expovariate(spec.impulses_per_s)
        while at < ends:
            found.append((at, spec.impulse_us, spec.impulse_v))
            at += draw.expovariate(spec.impulses_per_s)
    if spec.mains_hz:
        first = draw.uniform(0, 0.5 / spec.mains_hz)
        found += [(float(at), spec.mains_us, spec.mains_v) for at in np.arange(first, ends, 0.5 / spec.mains_hz)]
    for at, lasts_us, height in found:
        volts[(times >= at) & (times < at + lasts_us * 1e-6)] += draw.choice((-height, height))
    return volts
