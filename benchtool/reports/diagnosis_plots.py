"""The plots of a diagnosis report, each as SVG text: damage over time, its place in the frame, answers and latency.

Drawn to be read in black and white: what two fills mean is said by hatching and by a label, never by colour alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from benchtool.frames.frame import Protocol
from benchtool.measure.exchange import REPLY_LIMIT_NS
from benchtool.measure.tally import AddressFigures
from benchtool.reports.svg import DARK, EDGE, LIGHT, plot_style, svg_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_ADDRESSES = 32
"""Rows of a plot by address; with more, those with most trouble are drawn."""
_WIDTH_IN = 6.7
_ROW_IN = 0.2
_LINEAR_UP_TO = 30.0
"""Reply times that lie farther apart than by this factor are drawn on a logarithmic scale."""


def timeline_svg(sound: Sequence[int], damaged: Sequence[int], slot_s: float) -> str:
    """Sound frames above, damaged frames and spans (if any) below, each on its own scale, over seconds of listening."""
    from matplotlib.figure import Figure
    from matplotlib.ticker import MaxNLocator

    places = [(slot + 0.5) * slot_s for slot in range(len(sound))]
    rows = [("sound", LIGHT, sound)]
    if any(damaged):
        rows.append(("damaged", DARK, damaged))
    with plot_style():
        figure = Figure(figsize=(_WIDTH_IN, 0.5 + 0.9 * len(rows)), layout="constrained")
        panels = figure.subplots(len(rows), 1, sharex=True, squeeze=False)[:, 0]
        for axes, (label, fill, counts) in zip(panels, rows, strict=True):
            axes.bar(places, counts, slot_s * 0.92, color=fill, edgecolor=EDGE)
            axes.set_ylabel(label)
            axes.set_ylim(0, max(1, *counts) * 1.1)
            axes.yaxis.set_major_locator(MaxNLocator(3, integer=True))
        panels[-1].set_xlim(0, max(slot_s, len(sound) * slot_s))
        panels[-1].set_xlabel(f"seconds of listening (a bar is {_seconds(slot_s)})")
        return svg_text(figure, "timeline", "Sound and damaged frames over time")


def places_svg(places: Sequence[int], by_bit: Sequence[int]) -> str:
    """Octets read wrong in each part of a frame, first to last, and bits read wrong by their place in the octet."""
    from matplotlib.figure import Figure
    from matplotlib.ticker import MaxNLocator

    with plot_style():
        figure = Figure(figsize=(_WIDTH_IN, 1.8), layout="constrained")
        left, right = figure.subplots(1, 2, width_ratios=(2, 1))
        for axes, counts in ((left, places), (right, by_bit)):
            axes.bar([place + 0.5 for place in range(len(counts))], counts, 0.9, color=DARK, edgecolor=DARK)
            axes.set_xlim(0, len(counts))
            axes.set_ylim(0, max(1, *counts) * 1.1)
            axes.yaxis.set_major_locator(MaxNLocator(4, integer=True))
        left.set_xticks([0, len(places) / 2, len(places)], ["first octet", "middle", "last octet"])
        for label, side in zip(left.get_xticklabels(), ("left", "center", "right"), strict=True):
            label.set_horizontalalignment(side)
        left.set_ylabel("wrong octets")
        left.set_xlabel("where in the frame")
        right.set_xticks([bit + 0.5 for bit in range(len(by_bit))], [str(bit) for bit in range(len(by_bit))])
        right.set_ylabel("wrong bits")
        right.set_xlabel("bit of the octet, as sent")
        return svg_text(figure, "places", "Where in a frame and in an octet errors fall")


def answers_svg(rows: Sequence[AddressFigures]) -> str:
    """What came of the requests to each address: answered, damaged, silent, as shares."""
    kinds = (
        ("answered", LIGHT, "", [row.answered for row in rows]),
        ("damaged", "white", "////", [row.damaged for row in rows]),
        ("no answer", DARK, "", [row.silent for row in rows]),
    )
    totals = [max(1, sum(counts[index] for *_, counts in kinds)) for index in range(len(rows))]
    with plot_style():
        figure, axes = _by_address(rows)
        left = [0.0] * len(rows)
        for label, fill, hatch, counts in kinds:
            shares = [100 * count / total for count, total in zip(counts, totals, strict=True)]
            axes.barh(range(len(rows)), shares, 0.7, left, color=fill, edgecolor=EDGE, hatch=hatch, label=label)
            left = [before + share for before, share in zip(left, shares, strict=True)]
        axes.set_xlim(0, 100)
        axes.set_xlabel("% of requests")
        figure.legend(loc="outside upper right", ncols=3, frameon=False, fontsize=7.5)
        return svg_text(figure, "answers", "What came of the requests to each address")


def latency_svg(rows: Sequence[AddressFigures]) -> str:
    """Reply times of each address: a line from least to greatest, a bar up to 99 %, a mark at the median."""
    rows = [row for row in rows if row.latency.median_ns is not None]
    with plot_style():
        figure, axes = _by_address(rows)
        reach: list[float] = []
        for place, row in enumerate(rows):
            least, median, high, greatest = (
                max(0.01, (value or 0) / 1e6)
                for value in (
                    row.latency.least_ns,
                    row.latency.median_ns,
                    row.latency.p99_ns,
                    row.latency.greatest_ns,
                )
            )
            reach += (least, greatest)
            axes.plot([least, greatest], [place, place], color=EDGE, linewidth=0.8)
            axes.barh(place, high - least, 0.45, least, color=LIGHT, edgecolor=EDGE)
            axes.plot([median], [place], marker="D", markersize=4, color=DARK)
            axes.annotate(
                f"{median:.1f} ms", (greatest, place), (5, 0), textcoords="offset points", va="center", size=7
            )
        limit_ms = REPLY_LIMIT_NS[Protocol.OSDP] / 1e6
        low, high = min(reach), max(reach)
        spread = high / low > _LINEAR_UP_TO
        if any(row.protocol is Protocol.OSDP for row in rows) and high > limit_ms / 4:
            high = max(high, limit_ms)
            axes.axvline(limit_ms, color=EDGE, linestyle="--", linewidth=0.8)
            axes.set_title(f"dashed: {limit_ms:.0f} ms, the latest that an OSDP device may answer")
        if spread:
            axes.set_xscale("log")
            axes.xaxis.set_major_formatter(lambda value, _: f"{value:g}")
            axes.set_xlim(low / 1.3, high * 2.5)
        else:
            axes.set_xlim(0, high * 1.15)
        axes.set_xlabel("ms from the end of the request to the reply" + (" (logarithmic)" if spread else ""))
        return svg_text(figure, "latency", "Reply times of each address")


def most_troubled(rows: Sequence[AddressFigures]) -> list[AddressFigures]:
    """At most `MOST_ADDRESSES` rows in their order: those with the greatest share of requests gone wrong."""
    asked = [row for row in rows if row.requests]
    by_trouble = sorted(asked, key=lambda row: row.answered / row.requests)[:MOST_ADDRESSES]
    chosen = {(row.protocol, row.address) for row in by_trouble}
    return [row for row in asked if (row.protocol, row.address) in chosen]


def _by_address(rows: Sequence[AddressFigures]) -> tuple[Figure, Axes]:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(_WIDTH_IN, 0.75 + _ROW_IN * max(1, len(rows))), layout="constrained")
    axes = figure.subplots()
    several = len({row.protocol for row in rows}) > 1
    names = [f"{row.protocol.value} {row.address}" if several else str(row.address) for row in rows]
    axes.set_yticks(range(len(rows)), names)
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_ylabel("address")
    axes.tick_params(axis="y", length=0)
    return figure, axes


def _seconds(seconds: float) -> str:
    return f"{seconds:g} s" if seconds >= 1 else f"{seconds * 1000:g} ms"
