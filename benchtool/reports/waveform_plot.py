"""A waveform as pictures: the record, one burst with its octets, the mean edge with its echoes, the eye.

Light, printable, legible without colour: what matters is labelled. Octets that may be card data or keys are dots unless
asked for, and the burst that is drawn in detail is one without any, or ends before them.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from benchtool.frames.explain import explain
from benchtool.frames.frame import Frame
from benchtool.frames.hidden import hidden_octets
from benchtool.measure.waveform import find_eye
from benchtool.measure.waveform_eye import Eye
from benchtool.measure.waveform_figures import WaveformFigures
from benchtool.measure.waveform_limits import RECEIVER_V, quantity
from benchtool.measure.waveform_record import Floats, Waveform
from benchtool.reports.diagnosis_html import Plot, WaveformPart
from benchtool.reports.svg import DARK, EDGE, plot_style, svg_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WIDTH_IN = 6.7
_MOST_POINTS = 700
_MOST_OCTETS = 14
_LABELLED = 3
_BEFORE_BITS, _AFTER_BITS = 6.0, 8.0
_GREY = "#8a8a8a"
_TIME_UNITS = ((1.0, "s"), (1e-3, "ms"), (1e-6, "us"), (1e-9, "ns"))


def waveform_part(
    waveform: Waveform, figures: WaveformFigures, *, notes: Sequence[str] = (), show_secrets: bool = False
) -> WaveformPart:
    """What the report of a diagnosis shows of a waveform: notes, its pictures, its figures beside their limits."""
    plots = [Plot("The record", _record_caption(figures), record_svg(waveform, figures, show_secrets=show_secrets))]
    if figures.shape is not None:
        plots.append(Plot("The mean edge", _edge_caption(figures), edge_svg(figures)))
    eye = find_eye(waveform, figures)
    if eye is not None:
        plots.append(Plot("The eye", _eye_caption(eye, figures), eye_svg(eye)))
    return WaveformPart(tuple(plots), figures.checks(), (*notes, *figures.notes))


def record_svg(waveform: Waveform, figures: WaveformFigures, *, show_secrets: bool = False) -> str:
    """The whole record, one burst with its octets, and both wires where they were recorded; SVG text."""
    with plot_style():
        about = "Voltage between the wires over time, with the octets read from it"
        return svg_text(_record(waveform, figures, show_secrets), "waveform", about)


def edge_svg(figures: WaveformFigures) -> str:
    """The mean edge with its echoes; SVG text. ValueError where no edge was found."""
    with plot_style():
        return svg_text(_edge(figures), "edge", "Mean edge of the main talker, with what comes back along the cable")


def eye_svg(eye: Eye) -> str:
    """The eye; SVG text."""
    with plot_style():
        return svg_text(_eye(eye), "eye", "All bits laid over each other")


def write_picture(
    path: str | Path, waveform: Waveform, figures: WaveformFigures, *, show_secrets: bool = False
) -> tuple[Path, ...]:
    """The pictures as files beside each other: `scope.png` gives scope.png, scope-edge.png and scope-eye.png.

    The ending says the kind: .png or .svg; ValueError for any other. Answers what was written.
    """
    target = Path(path)
    kind = target.suffix.lower().removeprefix(".")
    if kind not in ("png", "svg"):
        raise ValueError(f"'{target.name}' ends in neither .png nor .svg")
    with plot_style():
        drawn = [("", _record(waveform, figures, show_secrets))]
        if figures.shape is not None:
            drawn.append(("-edge", _edge(figures)))
        eye = find_eye(waveform, figures)
        if eye is not None:
            drawn.append(("-eye", _eye(eye)))
        written = []
        for ending, figure in drawn:
            place = target.with_name(f"{target.stem}{ending}{target.suffix}")
            plain: dict[str, Any] = {"metadata": {"Date": None}} if kind == "svg" else {"dpi": 160}
            figure.savefig(place, format=kind, **plain)
            written.append(place)
    return tuple(written)


# ---- the record


def _record(waveform: Waveform, figures: WaveformFigures, show_secrets: bool) -> Figure:
    from matplotlib.figure import Figure

    span = _burst(figures, show_secrets)
    wires = waveform.wires_v
    rows = 1 + (span is not None) + (wires is not None)
    figure = Figure(figsize=(_WIDTH_IN, 1.0 + 1.35 * rows), layout="constrained")
    panels = list(figure.subplots(rows, 1, squeeze=False)[:, 0])
    top = panels.pop(0)
    whole = float(waveform.time_s[0]), float(waveform.time_s[-1])
    unit = _draw(top, waveform.time_s, waveform.difference_v, whole)
    top.set_ylabel("A - B, V")
    top.set_xlabel(f"whole record, {unit[1]}")
    _undefined(top)
    if span is None:
        span = whole
    else:
        top.axvspan(span[0] / unit[0], span[1] / unit[0], fill=False, hatch="////", edgecolor="#bbbbbb", linewidth=0)
        detail = panels.pop(0)
        scale = _draw(detail, waveform.time_s, waveform.difference_v, span)
        detail.set_ylabel("A - B, V")
        detail.set_xlabel(f"hatched part of the above, with its octets, {scale[1]}")
        _undefined(detail)
        _octets(detail, figures, span, scale[0], show_secrets)
    if wires is not None:
        both = panels.pop(0)
        scale = _draw(both, waveform.time_s, wires[0], span)
        _draw(both, waveform.time_s, wires[1], span, style="--", colour=_GREY)
        both.set_ylabel("against ground, V")
        both.set_xlabel(f"A full line, B broken line, the same part, {scale[1]}")
    return figure


def _draw(
    axes: Axes, time: Floats, volts: Floats, span: tuple[float, float], style: str = "-", colour: str = DARK
) -> tuple[float, str]:
    """A part of a trace; where there are too many samples their extremes. Answers the unit of time."""
    low, high = np.searchsorted(time, span)
    low, high = max(0, int(low) - 1), min(len(time), int(high) + 1)
    unit = next((one for one in _TIME_UNITS if max(abs(span[0]), abs(span[1])) >= one[0]), _TIME_UNITS[-1])
    part, level = time[low:high], volts[low:high]
    if len(part) > 2 * _MOST_POINTS:
        part, level = _extremes(part, level)
    axes.plot(part / unit[0], level, style, color=colour, linewidth=0.7)
    axes.set_xlim(span[0] / unit[0], span[1] / unit[0])
    return unit


def _extremes(time: Floats, volts: Floats) -> tuple[Floats, Floats]:
    """Least and greatest of each of many equal stretches of time: spikes stay, uneven samples do no harm."""
    cuts = np.unique(np.searchsorted(time, np.linspace(time[0], time[-1], _MOST_POINTS, endpoint=False)))
    ends = np.append(cuts[1:], len(time)) - 1
    highs, lows = np.maximum.reduceat(volts, cuts), np.minimum.reduceat(volts, cuts)
    # In each stretch: where it begins, its extremes, where it ends.
    instants = np.stack((time[cuts], time[cuts], time[ends], time[ends]), axis=1).ravel()
    return instants, np.stack((volts[cuts], lows, highs, volts[ends]), axis=1).ravel()


def _undefined(axes: Axes) -> None:
    """The 400 mV in which a receiver need not know what it sees."""
    axes.axhspan(-RECEIVER_V, RECEIVER_V, facecolor="#eeeeee", edgecolor="#cccccc", linewidth=0.4, zorder=0)


def _burst(figures: WaveformFigures, show_secrets: bool) -> tuple[float, float] | None:
    """Which part is drawn in detail: the first sound frame without secrets; else octets up to the first secret."""
    if not figures.octets or figures.bit_s is None:
        return None
    chosen = next((frame for frame in figures.frames if frame.ok and _secret_from(frame) is None), None)
    if chosen is None:
        chosen = next((frame for frame in figures.frames if frame.ok), None) or figures.frames[0]
    starts = [octet.start_s for octet in figures.octets]
    first = int(np.searchsorted(starts, figures.start_s + chosen.t_ns * 1e-9 - figures.bit_s))
    count = len(chosen.octets)
    if not show_secrets:
        secret_from = _secret_from(chosen)
        count = count if secret_from is None else secret_from
    last = min(len(starts), first + max(1, min(count, _MOST_OCTETS))) - 1
    end = figures.octets[last].end_s
    following = starts[last + 1] if last + 1 < len(starts) else np.inf
    after = min(end + _AFTER_BITS * figures.bit_s, max(end, following))
    return max(figures.start_s, starts[first] - _BEFORE_BITS * figures.bit_s), float(after)


def _secret_from(frame: Frame) -> int | None:
    """Where the first octet lies that is hidden unless asked for; None where there is none."""
    return min(hidden_octets(frame, explain(frame)), default=None)


def _hidden(figures: WaveformFigures) -> set[int]:
    """Times (nanoseconds from the start) of the octets that are hidden, by their place in `figures.octets`."""
    hidden: set[int] = set()
    starts = np.array([octet.start_s for octet in figures.octets])
    for frame in figures.frames:
        begun = figures.start_s + frame.t_ns * 1e-9
        first = int(np.searchsorted(starts, begun - 1e-9 - (figures.bit_s or 0.0) / 4))
        hidden |= {first + place for place in hidden_octets(frame, explain(frame))}
    return hidden


def _octets(axes: Axes, figures: WaveformFigures, span: tuple[float, float], unit: float, show_secrets: bool) -> None:
    hidden = set() if show_secrets else _hidden(figures)
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + 0.22 * (high - low))
    for place, octet in enumerate(figures.octets):
        if octet.end_s < span[0] or octet.end_s > span[1] + (figures.bit_s or 0.0):
            continue
        text = "\u2022\u2022" if place in hidden else f"{octet.value:02X}"
        middle = (octet.start_s + octet.end_s) / 2 / unit
        axes.text(middle, high + 0.08 * (high - low), text + ("!" if octet.marks else ""), ha="center", fontsize=8)
        axes.axvline(octet.start_s / unit, color=_GREY, linewidth=0.4, linestyle=":")


def _record_caption(figures: WaveformFigures) -> str:
    if figures.baud is None:
        return "No characters were found. Grey: the 400 mV in which a receiver need not know what it sees."
    turned = {"reversed": "; mark is negative here", "mixed": "; some talkers have mark negative"}
    return (
        f"{len(figures.octets)} octets at {figures.baud:.0f} bit/s, {figures.format}"
        f"{turned.get(figures.polarity.value, '')}. Grey: the 400 mV in which a receiver need not know what it sees. "
        "An exclamation mark: the octet has a line error."
    )


# ---- the edge


def _edge(figures: WaveformFigures) -> Figure:
    from matplotlib.figure import Figure

    shape = figures.shape
    if shape is None:
        raise ValueError("no edge was found in this waveform")
    # As far as something happens.
    end = max([shape.settle_s, 3 * shape.edge_s, *(echo.delay_s for echo in shape.echoes)]) * 1.4
    shown = shape.time_s <= max(end, 20 * float(shape.time_s[1] - shape.time_s[0]))
    time, level = shape.time_s[shown], shape.level[shown] * 100
    figure = Figure(figsize=(_WIDTH_IN, 2.2), layout="constrained")
    axes = figure.subplots()
    unit = next((one for one in _TIME_UNITS if float(time[-1]) >= one[0]), _TIME_UNITS[-1])
    axes.plot(time / unit[0], level, color=DARK, linewidth=0.9)
    axes.axhline(100, color=_GREY, linewidth=0.5, linestyle="--")
    axes.axhline(0, color=_GREY, linewidth=0.5, linestyle="--")
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + 0.18 * (high - low))
    for number, echo in enumerate(shape.echoes[:_LABELLED]):
        axes.axvline(echo.delay_s / unit[0], color=EDGE, linewidth=0.5, linestyle=":")
        words = f"{echo.share:+.0%}" + (f", {figures.metres(echo.delay_s):.3g} m" if number == 0 else "")
        # One below the other: echoes may come close together.
        axes.text(echo.delay_s / unit[0], high + (0.1 - 0.09 * number) * (high - low), f" {words}", fontsize=7.5)
    axes.set_xlim(float(time[0]) / unit[0], float(time[-1]) / unit[0])
    axes.set_xlabel(f"{unit[1]} after the edge")
    axes.set_ylabel("% of the swing")
    return figure


def _edge_caption(figures: WaveformFigures) -> str:
    shape = figures.shape
    assert shape is not None
    words = [f"10 to 90 % in {quantity(shape.edge_s, 's')}" + (" or less" if shape.limited else "")]
    if shape.echoes:
        words.append(
            f"the first echo comes {quantity(shape.echoes[0].delay_s, 's')} later, from a mismatch "
            f"{figures.metres(shape.echoes[0].delay_s):.3g} m away at {figures.velocity:g} of the speed of light"
        )
    else:
        words.append("no echo stands out")
    return "Edges of the main talker laid over each other: " + "; ".join(words) + "."


# ---- the eye


def _eye(eye: Eye) -> Figure:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(_WIDTH_IN, 2.6), layout="constrained")
    axes = figure.subplots()
    shade = np.log1p(eye.counts.astype(np.float64))
    axes.imshow(
        shade,
        cmap="Greys",
        aspect="auto",
        origin="lower",
        interpolation="nearest",
        extent=(float(eye.phase[0]), float(eye.phase[-1]), float(eye.volts[0]), float(eye.volts[-1])),
        vmin=0,
        vmax=float(shade.max()) or 1.0,
    )
    for level in (-RECEIVER_V, RECEIVER_V):
        axes.axhline(level, color=EDGE, linewidth=0.6, linestyle="--")
    axes.plot(eye.bit_phase, eye.lowest_mark_v, color=DARK, linewidth=0.8)
    axes.plot(eye.bit_phase, eye.highest_space_v, color=DARK, linewidth=0.8)
    axes.axvline(0.5, color=EDGE, linewidth=0.5, linestyle=":")
    axes.set_xlim(-0.5, 1.5)
    axes.set_ylim(float(eye.volts[0]), float(eye.volts[-1]))
    axes.set_xlabel("bits; a receiver looks at 0.5")
    axes.set_ylabel("V, mark up")
    return figure


def _eye_caption(eye: Eye, figures: WaveformFigures) -> str:
    height = "nothing" if figures.eye_v is None or figures.eye_v <= 0 else quantity(figures.eye_v, "V")
    return (
        f"{eye.bits} bits laid over each other; darker is more often. Full lines: lowest mark and highest space. "
        f"Broken lines: 200 mV either way. Open in mid-bit: {height}; beyond 200 mV for {eye.width:.0%} of the bit."
    )
