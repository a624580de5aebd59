"""A receiver's comparator: voltages to mark and space, with hysteresis.

One real threshold inside the window that the standard leaves open (sheet section 1.1).
"""

from __future__ import annotations

import numpy as np

from benchtool.wire.parts import Node, Receiver
from benchtool.wire.response import Floats
from benchtool.wire.signal import Bools


def compare(volts: Floats, receiver: Receiver, before: bool) -> Bools:
    """The comparator's output (True is mark) for voltages in order of time; inside the hysteresis it keeps its state.

    `before` is its state before the first.
    """
    half = receiver.hysteresis_v / 2
    high = volts > receiver.threshold_v + half
    clear = high | (volts < receiver.threshold_v - half)
    if clear.all():
        return high
    places = np.where(clear, np.arange(len(volts)), -1)
    np.maximum.accumulate(places, out=places)
    return np.asarray(np.where(places < 0, before, high[places]))


def least_change_v(volts: Floats, marks: Bools, receiver: Receiver, before: bool) -> float:
    """The smallest voltage that would change any of the comparator's answers; there is at least one."""
    half = receiver.hysteresis_v / 2
    low, high = receiver.threshold_v - half, receiver.threshold_v + half
    stay = np.where(marks, volts - low, high - volts)
    changed = np.concatenate(([marks[0] != before], marks[1:] != marks[:-1]))
    turn = np.where(marks, volts - high, low - volts)
    return float(np.min(np.where(changed, turn, stay)))


def rests_at_mark(volts: float, node: Node) -> bool:
    """The state on a steady voltage, after mark on the wires."""
    half = node.receiver.hysteresis_v / 2
    if volts > node.receiver.threshold_v + half:
        return True
    return volts >= node.receiver.threshold_v - half and not node.reversed_pair
