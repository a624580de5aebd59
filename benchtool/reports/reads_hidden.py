"""What of pulses may be shown where cards are hidden: nothing that tells how many of them a line has, or their order.

A pulse of D1 is a one. So the pulses of each line, counted, are the ones of a card: 3 bits of a number of 24. Figures
worked out over so many pulses tell as much: a mean of whole microseconds, 50.92, is of 13 values.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from benchtool.frames.card.pulses import Burst, Odd, Oddity
from benchtool.measure.pulse_figures import PulseCheck, Stats

PLURALS = {
    Odd.GLITCH: "glitches (pulses too short to be a bit)",
    Odd.CROSSTALK: "short pulses at an edge of the other line",
    Odd.RINGING: "crossings too many within pulses (ringing)",
    Odd.OVERLAP: "times both lines low at once",
    Odd.STUCK_LOW: "times a line low for longer than any pulse",
    Odd.LOW_AT_BEGIN: "times a line low already when the record begins",
    Odd.LOW_AT_END: "times a line still low when the record ends",
    Odd.MISSING: "pulses missing, by pauses of whole spacings",
    Odd.LOST_EDGE: "edges missing from the record",
}
"""Each kind with a count before it."""


def shown_stats(seen: Stats, fine_ns: int, *, show: bool) -> tuple[float, float, float, float]:
    """Least, median, greatest and standard deviation, in nanoseconds, as far as they may be shown.

    Hidden, the median is one that the record can time (`fine_ns`), and of the deviation one digit is left.
    """
    if show:
        return seen.least, seen.median, seen.greatest, seen.deviation
    return seen.least, seen.median // fine_ns * fine_ns, seen.greatest, float(f"{seen.deviation:.1g}")


def outside_words(check: PulseCheck, *, show: bool) -> str:
    """How many durations of a check are outside its limit: `3 of 13`, or where hidden `none`, `some` or `all`.

    Of a check that only counts, `3 times` or `seen`.
    """
    if check.stats is None:
        return f"{check.outside} times" if show or not check.outside else "seen"
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


def kinds_shown(kinds: Iterable[Odd], *, show: bool) -> list[Odd]:
    """Each kind once: as they came, or hidden in the order of `Odd`: what comes first may be of a first one."""
    seen = dict.fromkeys(kinds)
    return list(seen) if show else [kind for kind in Odd if kind in seen]


def odd_objects(oddities: Sequence[Oddity], *, show: bool) -> list[dict[str, object]]:
    """What is no bit, for `--json`; where hidden only that a kind occurs, and how long at most.

    One at each pulse, in order, would be the card; their number on a line its ones; a pause how many of them in a row.
    """
    if show:
        return [
            {"kind": o.kind.value, "line": o.line, "t_ns": o.t_ns, "duration_ns": o.duration_ns, "times": o.times}
            for o in oddities
        ]
    return [
        {
            "kind": kind.value,
            "line": None,
            "t_ns": None,
            "duration_ns": None
            if kind is Odd.MISSING
            else max(oddity.duration_ns for oddity in oddities if oddity.kind is kind),
            "times": None,
        }
        for kind in kinds_shown((oddity.kind for oddity in oddities), show=False)
    ]


def odd_words(burst: Burst, *, show: bool, lines: bool = True) -> str:
    """What is odd in a burst: `13 ringing on D1, stuck low on D0`; where hidden `ringing, stuck low`."""
    said = []
    for kind in kinds_shown((oddity.kind for oddity in burst.oddities), show=show):
        on = sorted({o.line for o in burst.oddities if o.kind is kind and o.line is not None}) if show and lines else []
        at = f" on {' and '.join(f'D{line}' for line in on)}" if on else ""
        count = f"{burst.count(kind)} " if show and kind is not Odd.STUCK_LOW else ""
        said.append(f"{count}{kind.value}{at}")
    return ", ".join(said)


def odd_counts(odd: Mapping[Odd, int], *, show: bool) -> dict[str, int | None]:
    """How often each kind was seen, for `--json`; null where hidden."""
    return {kind.value: odd[kind] if show else None for kind in kinds_shown(odd, show=show)}


def odd_told(odd: Mapping[Odd, int], *, show: bool) -> list[str]:
    """The same in words, one line a kind."""
    return [
        f"{odd[kind]} {PLURALS[kind]}" if show else f"seen: {PLURALS[kind].removeprefix('times ')}"
        for kind in kinds_shown(odd, show=show)
    ]
