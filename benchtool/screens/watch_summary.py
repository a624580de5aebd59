"""What the screen leaves behind in the terminal: each part of the listening by itself, readings, notes, recordings.

A part ends where another rate is set, a fault put in, or counting begun anew: its figures and its finding are its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from benchtool.measure.osdp_watch import WatchFigures
from benchtool.measure.tally import Figures
from benchtool.reports import frame_text, osdp_text
from benchtool.screens.watch_diagnosis import Found
from benchtool.screens.watch_snapshot import Note
from benchtool.screens.watch_words import finding_sentence, wrapped

if TYPE_CHECKING:
    from benchtool.screens.watch_pump import Pump


class Part(NamedTuple):
    """A part that has ended."""

    until: str
    """When, and why."""
    figures: Figures
    noticed: WatchFigures
    found: Found | None
    trouble: str
    """The fault that was plain to see at its end; empty where none was."""


def summary_lines(pump: Pump, width: int) -> list[str]:
    """All of it."""
    model = pump.model
    lines = [frame_text.tap_line(model.info)]
    for part in pump.past:
        lines += ["", f"{part.until}:", *_part_lines(part, width)]
    if pump.past:
        lines += ["", "after that:"]
    last = Part("", model.figures(), model.noticed_figures(), model.found, model.trouble())
    lines += _part_lines(last, width)
    if model.found is not None:
        lines.append("benchtool diagnose tells the evidence")
    lines += [*_moments("readings", model.readings), *_moments("notes", model.notes)]
    return lines + [file.text() for file in pump.recorded]


def _part_lines(part: Part, width: int) -> list[str]:
    """The figures of a part as `listen` prints them, what was noticed in it, and its finding."""
    lines = [*frame_text.figures_text(part.figures, width), *osdp_text.figures_text(part.noticed)]
    if part.found is not None:
        lines += ["", *wrapped([finding_sentence(part.found.diagnosis, part.trouble)], width)]
    return lines


def _moments(title: str, notes: Sequence[Note]) -> list[str]:
    """Things written down, each with its time; nothing where there is none."""
    return ["", f"{title}:", *(f"{note.t_ns / 1e9:9.4f}  {note.text}" for note in notes)] if notes else []
