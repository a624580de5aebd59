"""Whether a missing terminator can show in octets at all, at a given rate and length.

Rule: reflections have died down after three round trips; if that lies before the middle of the bit, where it is
sampled, no octet can be wrong for it (sheet 1.5: an RS-485 handbook's worked example, 2000 ft at 9600, and a
controller maker's length table from the same rule, 0.66 of the speed of light).
"""

from __future__ import annotations

import math

VELOCITY_M_PER_S = 0.66 * 299_792_458
"""Sheet 1.5: v = 0.66 c."""
ROUND_TRIPS = 3
_SHORTEST_M, _LONGEST_M = 20.0, 1200.0
"""Lengths of pairs met in practice, each decade alike (common practice; 1200 m is the usual limit, sheet 1.3)."""
_SHOWS_IF_LONG = 0.5
"""Even on a longer pair, drivers, loads and losses often hide it: a judgement of this project."""


def blind_length_m(baud: int) -> float:
    """Pairs shorter than this (metres) cannot show a missing terminator in octets at that rate."""
    return 0.5 / baud * VELOCITY_M_PER_S / (2 * ROUND_TRIPS)


def share_that_shows(baud: int, length_m: float | None) -> float:
    """Probability that a missing terminator damages octets, 0 to 1; without a length, over the usual lengths."""
    blind = blind_length_m(baud)
    if length_m is not None:
        return _SHOWS_IF_LONG if length_m > blind else 1e-3
    longer = (math.log(_LONGEST_M) - math.log(max(_SHORTEST_M, blind))) / math.log(_LONGEST_M / _SHORTEST_M)
    return max(1e-3, _SHOWS_IF_LONG * longer)
