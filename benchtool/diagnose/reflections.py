"""Whether a missing terminator can show in octets at all, at a given rate and length.

Rule: reflections have died down after three round trips; if that lies before the middle of the bit, where it is
sampled, no octet can be wrong for it (sheet 1.5: an RS-485 handbook's worked example, 2000 ft at 9600, and a
controller maker's length table from the same rule, 0.66 of the speed of light).
"""

from __future__ import annotations

VELOCITY_M_PER_S = 0.66 * 299_792_458
"""Sheet 1.5: v = 0.66 c."""
ROUND_TRIPS = 3


def blind_length_m(baud: int) -> float:
    """Pairs shorter than this (metres) cannot show a missing terminator in octets at that rate."""
    return 0.5 / baud * VELOCITY_M_PER_S / (2 * ROUND_TRIPS)


LENGTH_TIMES_RATE = 1e8
"""Metres times bit/s that a pair carries by the published rule (sheet 1.3)."""
LONGEST_M = 1200.0
"""And its cap, however slow the rate: the resistance of the wires (sheet 1.3)."""


def times_too_long(length_m: float, baud: int) -> float:
    """The pair's length over the longest that the rate allows by that rule."""
    return length_m / min(LENGTH_TIMES_RATE / baud, LONGEST_M)
