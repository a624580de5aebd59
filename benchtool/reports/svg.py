"""A matplotlib figure as SVG text that can stand inside an HTML page: small, the same every time, ids of its own.

Text stays text, so that it can be searched and read aloud. Nothing is fetched and no date is written.
"""

from __future__ import annotations

import io
import re
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_STYLE: dict[Any, Any] = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans", "Arial", "Helvetica", "sans-serif"],
    "font.size": 8.0,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 8.0,
    "axes.titlelocation": "left",
    "axes.labelsize": 8.0,
    "xtick.labelsize": 7.5,
    "ytick.labelsize": 7.5,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "hatch.linewidth": 0.5,
    "patch.linewidth": 0.6,
    "svg.fonttype": "none",
    "svg.hashsalt": "benchtool",
}
DARK, LIGHT, EDGE = "#222222", "#dddddd", "#444444"
"""Fills differ in lightness, and in hatching where two stand side by side."""

_ID = re.compile(r'(\bid="|url\(#|href="#)')


def plot_style() -> AbstractContextManager[None]:
    """matplotlib's settings for all plots, while it is entered: light, thin, legible in black and white."""
    import matplotlib as mpl

    return mpl.rc_context(_STYLE)


def svg_text(figure: Figure, name: str, about: str) -> str:
    """The `<svg>` element of a figure; `name` (letters and digits) sets its ids apart, `about` says it in words."""
    out = io.StringIO()
    with plot_style():
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    return embedded(out.getvalue(), name, about)


def embedded(document: str, name: str, about: str) -> str:
    """An SVG document as an element for a page: no prologue, scaled by the page, ids prefixed with `name`."""
    element = document[document.index("<svg") :].strip()
    element = re.sub(r"<metadata>.*?</metadata>\s*", "", element, count=1, flags=re.DOTALL)
    element = _ID.sub(lambda found: f"{found[1]}{name}-", element)
    opening, rest = element.split(">", 1)
    width = re.search(r'width="([\d.]+)pt"', opening)
    opening = re.sub(r'\s(width|height)="[^"]*"', "", opening)
    limit = f' style="max-width: {float(width[1]):.0f}pt"' if width else ""
    return f'{opening} role="img" aria-label="{_escaped(about)}"{limit}>{rest}'


def _escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace('"', "&quot;")
