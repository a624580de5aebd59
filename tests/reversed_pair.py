"""What a receiver behind a reversed pair sees of a transmission, for tests that need no more of the wire than that."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from benchtool.wire.signal import Bools, Signal, Times


def sampler(signal: Signal, *, inverted: bool) -> Callable[[Times], Bools]:
    """The comparator's output at any instants: reversed, the idle state reads as space."""
    return (lambda times_s: np.logical_not(signal.marks_at(times_s))) if inverted else signal.marks_at
