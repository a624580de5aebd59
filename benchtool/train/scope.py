"""What a scope shows on a worked line, at the tap: the controller asks, a device answers; measured as any CSV is."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchtool.diagnose.finding import Cause
from benchtool.measure.waveform import Waveform, WaveformError, measure_waveform
from benchtool.measure.waveform_readings import CORE
from benchtool.simulate.scenario import TAP
from benchtool.simulate.specs import Scenario
from benchtool.train.lines import Generator
from benchtool.wire.pair import Pair
from benchtool.wire.signal import Signal
from benchtool.wire.uart import encode

_POINTS = 12_000
_IDLE_BITS = 25
_SUSPECT = 0.7
"""Share of shots that show the device at fault: people look at what they suspect."""
_TALKS_UNASKED = 0.4
"""Share of devices with reversed wires that are heard all the same: some talk unasked (judgement)."""
_MOST_REPLY_S = 0.03
"""Longer waits are cut out of the picture, unless they are what is wrong."""

Volts = NDArray[np.floating[Any]]


class _Said(NamedTuple):
    """One transmission."""

    name: str
    start_s: float
    signal: Signal
    end_s: float
    """When its driver lets go."""

    def state(self, times_s: Volts, lead_s: float) -> NDArray[np.int8]:
        """0 off, 1 mark, 2 space, at any instants."""
        on = (times_s >= self.start_s - lead_s) & (times_s < self.end_s)
        return np.where(on, np.where(self.signal.marks_at(times_s - self.start_s), 1, 2), 0).astype(np.int8)


def scope_readings(
    pair: Pair, line: Scenario, causes: Sequence[Cause], address: int | None, rng: Generator
) -> dict[str, float]:
    """The figures of one shot; none where nothing could be measured."""
    try:
        found = measure_waveform(
            shot(pair, line, causes, address, rng), line.line.baud, velocity=line.line.velocity
        ).as_readings()
    except WaveformError:
        return {}
    return {name: value for name, value in found.items() if name in CORE}


def shot(pair: Pair, line: Scenario, causes: Sequence[Cause], address: int | None, rng: Generator) -> Waveform:
    """One question and its answer, both wires against the tap's ground, with the scope's own noise and steps."""
    said = _conversation(pair, line, causes, address, rng)
    bit_s = 1.0 / line.line.settings.baud
    idle = pair.levels({})[TAP]
    times = np.linspace(0, max(one.end_s for one in said) + _IDLE_BITS * bit_s, _POINTS)
    difference = np.full(_POINTS, idle.difference_v)
    common = np.full(_POINTS, idle.common_v)
    margin = _IDLE_BITS / 2 * bit_s
    states = np.array([one.state(times, pair.node(one.name).driver.lead_s) for one in said])
    for one, state in zip(said, states, strict=True):
        alone = (states > 0).sum(axis=0) == (state > 0)
        chosen = (times >= one.start_s - margin) & (times < one.end_s + margin) & alone
        volts = pair.volts(one.name, TAP, one.signal, times[chosen] - one.start_s)
        difference[chosen] = volts
        common[chosen] = pair.common_volts(one.name, TAP, one.signal, times[chosen] - one.start_s, volts)
    _clash(pair, said, states, difference, common)
    difference = difference + rng.normal(0, line.line.noise_v, _POINTS) + _bursts(line, times, rng)
    step = 10 / 256 if rng.random() < 0.6 else 1e-4
    return Waveform.of(times, np.round(difference / step) * step, np.round(common / step) * step)


def _conversation(
    pair: Pair, line: Scenario, causes: Sequence[Cause], address: int | None, rng: Generator
) -> list[_Said]:
    """Who says what, and when."""
    settings = line.line.settings
    idle_s = _IDLE_BITS / settings.baud
    suspects = [device for device in line.devices if device.address == address]
    device = suspects[0] if suspects and rng.random() < _SUSPECT else line.devices[int(rng.integers(len(line.devices)))]

    def say(name: str, start_s: float, clock_error: float = 0.0) -> _Said:
        signal = encode(rng.bytes(int(rng.integers(3, 7))), settings, clock_error=clock_error)
        return _Said(name, start_s, signal, start_s + signal.duration_s + pair.node(name).driver.hold_s)

    question = say(line.controller.name, idle_s)
    said = [question]
    if line.second_controller is not None and rng.random() < 0.3:
        said.append(say(line.second_controller.name, float(rng.uniform(idle_s, question.end_s))))
    asked_s = question.start_s + question.signal.duration_s
    held = Cause.DRIVER_HELD_LATE in causes
    twins = [one for one in line.devices if one.address == device.address]
    for one in twins:
        if one.answers and (not one.reversed_pair or rng.random() < _TALKS_UNASKED):
            wait = one.reply_ms / 1e3 if held or len(twins) > 1 else min(one.reply_ms / 1e3, _MOST_REPLY_S, idle_s)
            said.append(say(one.name, asked_s + wait, one.clock_error))
    if held and len(said) > 1:
        last = said[-1].start_s + said[-1].signal.duration_s
        said.append(say(line.controller.name, last + min(line.controller.poll_gap_ms / 1e3, 2 * _MOST_REPLY_S)))
    return said


def _clash(pair: Pair, said: Sequence[_Said], states: NDArray[np.int8], difference: Volts, common: Volts) -> None:
    """Where several drive at once, the steady levels of what they drive; reflections are left out there."""
    several = np.flatnonzero((states > 0).sum(axis=0) > 1)
    for wanted in product((0, 1, 2), repeat=len(said)) if len(several) else ():
        at = several[(states[:, several] == np.array(wanted)[:, None]).all(axis=0)]
        if len(at):
            driving = {one.name: state == 1 for one, state in zip(said, wanted, strict=True) if state}
            level = pair.levels(driving)[TAP]
            difference[at], common[at] = level.difference_v, level.common_v


def _bursts(line: Scenario, times: Volts, rng: Generator) -> Volts:
    """Bursts of noise, by chance and with the mains."""
    spec = line.line
    volts = np.zeros(len(times))
    ends = float(times[-1])
    starts = [
        (float(at), spec.impulse_us, spec.impulse_v)
        for at in rng.uniform(0, ends, rng.poisson(spec.impulses_per_s * ends))
    ]
    if spec.mains_hz:
        first = float(rng.uniform(0, 0.5 / spec.mains_hz))
        starts += [(at, spec.mains_us, spec.mains_v) for at in np.arange(first, ends, 0.5 / spec.mains_hz)]
    for at, lasts_us, height in starts:
        chosen = (times >= at) & (times < at + lasts_us * 1e-6)
        volts[chosen] += height if rng.random() < 0.5 else -height
    return volts
