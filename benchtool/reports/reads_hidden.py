"""What of pulses may be shown where cards are hidden: nothing that tells how many of them a line has, or their order.

A pulse of D1 is a one. So the pulses of each line, counted, are the ones of a card: 3 bits of a number of 24. Figures
worked out over so many pulses tell as much: a mean of whole microseconds, 50.92, is of 13 values.
"""

from __future__ import annotations

from collections.abc import Sequence

from benchtool.frames.card.pulses import Oddity
from benchtool.measure.pulse_figures import PulseCheck, Stats


def shown_stats(seen: Stats, fine_ns: int, *, show: bool) -> tuple[float, float, float, float]:
    """Least, median, greatest and standard deviation, in nanoseconds, as far as they may be shown.

    Hidden, the median is one that the record can time (`fine_ns`), and of the deviation one digit is left.
    """
    if show:
        return seen.least, seen.median, seen.greatest, seen.deviation
    return seen.least, seen.median // fine_ns * fine_ns, seen.greatest, float(f"{seen.deviation:.1g}")


def outside_words(check: PulseCheck, *, show: bool) -> str:
    """How many durations of a check are outside its limit: `3 of 13`, or where hidden `none`, `some` or `all`."""
    assert check.stats is not None
    if show:
        return f"{check.outside} of {check.stats.number}"
    return "none" if not check.outside else "all" if check.outside == check.stats.number else "some"


def stats_object(check: PulseCheck, fine_ns: int, *, show: bool) -> dict[str, object]:
    """The figures of a check's durations for `--json`; null what is hidden. Empty for a check that only counts."""
    seen = check.stats
    if seen is None:
        return {}
    least, median, greatest, deviation = shown_stats(seen, fine_ns, show=show)
    return {
        "number": seen.number if show else None,
        "least_ns": least,
        "median_ns": median,
        "greatest_ns": greatest,
        "mean_ns": seen.mean if show else None,
        "deviation_ns": deviation,
    }


def odd_objects(oddities: Sequence[Oddity], *, show: bool) -> list[dict[str, object]]:
    """What is no bit, for `--json`; where hidden, one of each kind: one at each pulse, in order, would be the card."""
    if show:
        return [
            {"kind": o.kind.value, "line": o.line, "t_ns": o.t_ns, "duration_ns": o.duration_ns, "times": o.times}
            for o in oddities
        ]
    made: list[dict[str, object]] = []
    for kind in dict.fromkeys(oddity.kind for oddity in oddities):
        mine = [oddity for oddity in oddities if oddity.kind is kind]
        lines = {oddity.line for oddity in mine}
        made.append(
            {
                "kind": kind.value,
                "line": lines.pop() if len(lines) == 1 else None,
                "t_ns": None,
                "duration_ns": max(oddity.duration_ns for oddity in mine),
                "times": sum(oddity.times for oddity in mine),
            }
        )
    return made
