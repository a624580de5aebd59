"""What a scope shows on a worked line, at the tap: the controller asks, a device answers; measured as any CSV is."""

from __future__ import annotations

import numpy as np

from benchtool.measure.waveform import Waveform, WaveformError, measure_waveform
from benchtool.measure.waveform_readings import CORE
from benchtool.simulate.scenario import TAP
from benchtool.simulate.specs import Scenario
from benchtool.train.lines import Generator
from benchtool.wire.pair import Pair
from benchtool.wire.uart import encode

_POINTS = 12_000
_IDLE_BITS = 25


def scope_readings(pair: Pair, line: Scenario, rng: Generator) -> dict[str, float]:
    """The figures of one shot; none where nothing could be measured."""
    try:
        found = measure_waveform(shot(pair, line, rng), line.line.baud, velocity=line.line.velocity).as_readings()
    except WaveformError:
        return {}
    return {name: value for name, value in found.items() if name in CORE}


def shot(pair: Pair, line: Scenario, rng: Generator) -> Waveform:
    """One question and its answer, both wires against the tap's ground, with the scope's own noise and steps."""
    settings = line.line.settings
    device = line.devices[int(rng.integers(len(line.devices)))]
    talkers = [line.controller.name] + ([device.name] if device.answers and not device.reversed_pair else [])
    bit_s = 1.0 / settings.baud
    idle = pair.levels({})[TAP]
    parts: list[tuple[str, float, float]] = []
    now = _IDLE_BITS * bit_s
    signals = {}
    for talker in talkers:
        signals[talker] = encode(rng.bytes(int(rng.integers(3, 7))), settings)
        parts.append((talker, now, signals[talker].duration_s))
        now += signals[talker].duration_s + _IDLE_BITS * bit_s
    times = np.linspace(0, now, _POINTS)
    difference = np.full(_POINTS, idle.difference_v)
    common = np.full(_POINTS, idle.common_v)
    margin = _IDLE_BITS / 2 * bit_s
    for talker, start, lasts in parts:
        chosen = (times >= start - margin) & (times < start + lasts + margin)
        volts = pair.volts(talker, TAP, signals[talker], times[chosen] - start)
        difference[chosen] = volts
        common[chosen] = pair.common_volts(talker, TAP, signals[talker], times[chosen] - start, volts)
    difference = difference + rng.normal(0, line.line.noise_v, _POINTS) + _bursts(line, times, rng)
    step = 10 / 256 if rng.random() < 0.6 else 1e-4
    return Waveform.of(times, np.round(difference / step) * step, np.round(common / step) * step)


def _bursts(
    line: Scenario, times: np.ndarray[tuple[int], np.dtype[np.float64]], rng: Generator
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
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
