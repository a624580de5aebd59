"""Pulses as pictures: widths and spacings beside their limits, and where cards may be shown the lines themselves.

In the order sent, with the line of each, pulses are the card, and those of a line, counted, are its ones. So where
numbers are hidden, few widths of each line are drawn. Light, printable, legible without colour: D0 is an open circle,
D1 a full square.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from benchtool.capture.private import create_private, discard_empty
from benchtool.frames.card.read import Pulse
from benchtool.measure.card_analog import CardWaveform
from benchtool.measure.pulse_figures import SPACING_NS, WIDTH_NS
from benchtool.measure.waveform_record import Floats
from benchtool.reports.diagnosis_html import Plot
from benchtool.reports.reads_outcome import Outcome, Taken
from benchtool.reports.svg import DARK, EDGE, plot_style, svg_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WIDTH_IN = 6.7
_MOST_READS = 40
"""Reads drawn together; of more the first."""
_LANES = 3
"""Reads whose lines are drawn."""
_OVERLAID = 24
_OVERLAID_HIDDEN = 4
"""So few that practically every card has them on both lines."""
_BAND = "#eeeeee"
_MARKS = (("o", "none", "D0"), ("s", DARK, "D1"))


def plots(outcome: Outcome, *, show: bool) -> list[tuple[str, Plot]]:
    """Pictures with the ending of their file's name; none where no pulses were seen."""
    with plot_style():
        return [
            (ending, Plot(title, caption, svg_text(figure, f"reads{ending.replace('-', '')}", title)))
            for ending, title, caption, figure in _figures(outcome, show)
        ]


def write_plot(path: str | Path, outcome: Outcome, *, show: bool) -> tuple[Path, ...]:
    """The pictures as files beside each other: `p.png` gives p.png, p-lines.png … as far as there is something to draw.

    The ending says the kind, .png or .svg; ValueError for any other.
    """
    target = Path(path)
    kind = target.suffix.lower().removeprefix(".")
    if kind not in ("png", "svg"):
        raise ValueError(f"'{target.name}' ends in neither .png nor .svg")
    written = []
    with plot_style():
        for ending, _, _, figure in _figures(outcome, show):
            place = target.with_name(f"{target.stem}{ending}{target.suffix}")
            plain: dict[str, Any] = {"metadata": {"Date": None}} if kind == "svg" else {"dpi": 160}
            # With cards shown the order of the pulses is the card.
            try:
                with create_private(place, overwrite=True) if show else place.open("wb") as file:
                    figure.savefig(file, format=kind, **plain)
            except OSError:
                discard_empty(place)
                raise
            written.append(place)
    return tuple(written)


def pictures(path: str | Path, sources: int, *, show: bool) -> tuple[Path, ...]:
    """Every name that `write_plot` may write to, where so many sources are read."""
    target = Path(path)
    endings = ["", *(("-lines",) if show else ()), *map(_levels_ending, range(sources))]
    return tuple(target.with_name(f"{target.stem}{ending}{target.suffix}") for ending in endings)


def _levels_ending(place: int) -> str:
    return "-levels" + (f"-{place + 1}" if place else "")


def _figures(outcome: Outcome, show: bool) -> list[tuple[str, str, str, Figure]]:
    seen = [one for one in outcome.reads if one.read is not None and one.read.pulses]
    found = []
    if seen:
        hidden = "Of widths the least, the quarters and the greatest, so that the card does not show"
        order = "Each pulse a mark, in the order sent" if show else hidden
        many = f" The first {_MOST_READS} of {len(seen)} reads." if len(seen) > _MOST_READS else ""
        caption = (
            f"{order}. Open circle: D0, full square: D1. Grey: the published limits, 20 to 100 us "
            f"wide, 200 us to 20 ms from start to start.{many}"
        )
        found.append(("", "Pulses by width and spacing", caption, _pulses(seen[:_MOST_READS], show)))
        if show:
            title = "The lines, bit by bit"
            caption = f"The first {min(_LANES, len(seen))} reads: low is a pulse; under it its bit."
            found.append(("-lines", title, caption, _lanes(seen[:_LANES])))
    most = _OVERLAID if show else _OVERLAID_HIDDEN
    for place, (where, waveform, _) in enumerate(outcome.waveforms):
        ending = _levels_ending(place)
        figure = _levels(waveform, seen, where, most)
        if figure is not None:
            caption = (
                f"{where}: the first {most} pulses of each line laid over each other from where they fall. Slow "
                "rises, ringing and a low that is not low enough show here."
            )
            found.append((ending, "Pulses as voltages", caption, figure))
    return found


def _pulses(seen: list[Taken], show: bool) -> Figure:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(_WIDTH_IN, 4.4), layout="constrained")
    upper, lower = figure.subplots(2, 1)
    all_widths: list[float] = []
    all_steps: list[float] = []
    for line, (mark, fill, name) in enumerate(_MARKS):
        xs: list[float] = []
        ys: list[float] = []
        for one in seen:
            pulses = _of(one)
            mine = [(place, pulse.width_ns / 1e3) for place, pulse in enumerate(pulses, 1) if pulse.line == line]
            xs += [place for place, _ in mine]
            ys += [width for _, width in mine]
        if not show and ys:
            ys = _quarters(ys)
            xs = [0, 25, 50, 75, 100]
        all_widths += ys
        style: dict[str, Any] = {"marker": mark, "markerfacecolor": fill, "markeredgecolor": DARK, "linestyle": "none"}
        upper.plot(xs, ys, markersize=4 if line == 0 else 3, markeredgewidth=0.7, label=name, **style)
    xs, ys = [], []
    for one in seen:
        steps = [after.start_ns - before.start_ns for before, after in pairwise(_of(one))]
        xs += range(2, len(steps) + 2)
        ys += [max(step, 1) / 1e6 for step in steps]
    if not show:
        ys.sort()
        xs = list(range(1, len(ys) + 1))
    all_steps += ys
    lower.plot(xs, ys, marker="_", color=DARK, linestyle="none", markersize=5)
    _limits(upper, WIDTH_NS[0] / 1e3, WIDTH_NS[1] / 1e3, all_widths, logarithmic=False)
    _limits(lower, SPACING_NS[0] / 1e6, SPACING_NS[1] / 1e6, all_steps, logarithmic=True)
    upper.set_ylabel("width, us")
    lower.set_ylabel("spacing, ms")
    what = "place of the bit in its frame"
    upper.set_xlabel(what if show else "share of the line's pulses that are no wider, %")
    lower.set_xlabel(what if show else "spacings, ordered by size")
    upper.legend(loc="upper right", frameon=False, ncols=2)
    return figure


def _quarters(values: list[float]) -> list[float]:
    """Least, quarters and greatest, each a value that is there: more points would tell how many pulses a line has."""
    return [float(value) for value in np.quantile(values, (0, 0.25, 0.5, 0.75, 1), method="nearest")]


def _limits(axes: Axes, low: float, high: float, values: list[float], *, logarithmic: bool) -> None:
    axes.axhspan(low, high, facecolor=_BAND, edgecolor="#bbbbbb", linewidth=0.5, zorder=0)
    if logarithmic:
        axes.set_yscale("log")
        axes.set_ylim(min([low, *values]) / 1.6, max([high, *values]) * 1.6)
        axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    else:
        axes.set_ylim(0, max([high, *values]) * 1.2)


def _of(one: Taken) -> tuple[Pulse, ...]:
    pulses = one.read.pulses if one.read is not None else None
    return pulses or ()


def _lanes(seen: list[Taken]) -> Figure:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(_WIDTH_IN, 0.5 + 1.3 * len(seen)), layout="constrained")
    panels = figure.subplots(len(seen), 1, squeeze=False)[:, 0]
    for one, axes in zip(seen, panels, strict=True):
        pulses = _of(one)
        begin = pulses[0].start_ns
        end = (pulses[-1].start_ns + pulses[-1].width_ns - begin) / 1e6
        margin = max(0.5, 0.03 * end)
        for line in (0, 1):
            xs, ys, high = [-margin], [1.0], 1.4 * (1 - line)
            for pulse in pulses:
                if pulse.line == line:
                    start = (pulse.start_ns - begin) / 1e6
                    stop = start + pulse.width_ns / 1e6
                    xs += [start, start, stop, stop]
                    ys += [1.0, 0.0, 0.0, 1.0]
            xs.append(end + margin)
            ys.append(1.0)
            axes.plot(xs, [y + high for y in ys], color=DARK, linewidth=0.8)
        for number, pulse in enumerate(pulses, 1):
            at = (pulse.start_ns - begin) / 1e6
            axes.text(at, -0.45, str(pulse.line), ha="center", fontsize=7)
            if number == 1 or number % 5 == 0:
                axes.text(at, 2.6, str(number), ha="center", fontsize=6, color=EDGE)
        axes.set_yticks([0.5, 1.9], ["D1", "D0"])
        axes.set_ylim(-0.7, 3.0)
        axes.set_xlim(-margin, end + margin)
        axes.set_title(f"read {one.number}, {one.bits.length} bits")
    panels[-1].set_xlabel("ms from the first bit")
    return figure


def _levels(waveform: CardWaveform, seen: list[Taken], where: str, most: int) -> Figure | None:
    """Pulses of both lines laid over each other; None where none of this record was read."""
    from matplotlib.figure import Figure

    time_ns = waveform.time_s * 1e9
    mine = [pulse for one in seen if one.source == where for pulse in _of(one)]
    mine = [pulse for pulse in mine if time_ns[0] <= pulse.start_ns <= time_ns[-1]]
    if not mine:
        return None
    span = 3.0 * float(np.median([pulse.width_ns for pulse in mine]))
    figure = Figure(figsize=(_WIDTH_IN, 2.4), layout="constrained")
    axes = figure.subplots(1, 2, sharey=True)
    for line in (0, 1):
        volts = waveform.line(line)
        for pulse in [pulse for pulse in mine if pulse.line == line][:most]:
            x, y = _cut(time_ns, volts, pulse.start_ns - span / 6, pulse.start_ns + span)
            axes[line].plot((x - pulse.start_ns) / 1e3, y, color=DARK, linewidth=0.6, alpha=0.5)
        axes[line].set_title(f"D{line}")
        axes[line].set_xlabel("us from where it falls")
    axes[0].set_ylabel("V")
    return figure


def _cut(time_ns: Floats, volts: Floats, begin: float, end: float) -> tuple[Floats, Floats]:
    low, high = np.searchsorted(time_ns, (begin, end))
    return time_ns[low:high], volts[low:high]
