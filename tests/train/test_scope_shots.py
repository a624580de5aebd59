"""What a scope is shown of a worked line: clocks, drivers held on, and two who drive at once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchtool.diagnose.finding import Cause
from benchtool.measure.waveform import measure_waveform
from benchtool.simulate.build import build_pair
from benchtool.simulate.scenario import TAP
from benchtool.simulate.specs import Scenario
from benchtool.train.lines import sound_line
from benchtool.train.scope import shot
from benchtool.train.spoil import rng_for


def line_of(index: int) -> Scenario:
    """A short sound bus at 9600, tapped at the controller."""
    line = sound_line(rng_for(31, index), protocol="osdp")
    devices = tuple(replace(device, position_m=20.0) for device in line.devices)
    line = replace(line, devices=devices, terminators=tuple(replace(one, position_m=0.0) for one in line.terminators))
    return replace(
        line, line=replace(line.line, baud=9600, noise_v=0.003, length_m=20.0), tap=replace(line.tap, position_m=0.0)
    )


def test_a_clock_that_is_off_shows_in_the_rates_of_the_talkers() -> None:
    found = []
    for index in range(8):
        line = line_of(index)
        device = replace(line.devices[0], clock_error=0.06)
        line = replace(line, devices=(device,))
        figures = measure_waveform(
            shot(build_pair(line), line, (Cause.CLOCK_OFF,), device.address, rng_for(1, index)), 9600
        ).as_readings()
        if "scope-baud-spread" in figures:
            found.append(figures["scope-baud-spread"])
    assert found
    assert np.median(found) == pytest.approx(0.06, abs=0.01)


def test_a_driver_held_on_against_the_next_talker_leaves_the_pair_between_the_states() -> None:
    line = line_of(2)
    device = replace(line.devices[0], reply_ms=3.0)
    held = replace(line, controller=replace(line.controller, hold_ms=20.0), devices=(device,))
    pair = build_pair(held)
    wave = shot(pair, held, (Cause.DRIVER_HELD_LATE,), None, rng_for(1, 3))
    both = pair.levels({held.controller.name: True, device.name: False})[TAP].difference_v
    sound = abs(pair.levels({device.name: False})[TAP].difference_v)
    assert abs(both) < 0.3 * sound
    free = replace(line, devices=(device,))
    quiet = shot(build_pair(free), free, (), None, rng_for(1, 3))
    answered = quiet.time_s[(quiet.time_s > 0.0087) & (quiet.difference_v < -0.9 * sound)]
    assert len(answered) > 100
    # Two equal drivers against each other leave about 0 V (wire/levels.py): the answer's spaces do not get down.
    assert np.interp(answered, wave.time_s, wave.difference_v).min() > -0.3 * sound
