"""Readings that visits noted, each beside the band that was computed for its place: `install/visit_readings.py`."""

from __future__ import annotations

from benchtool.install.closing_bands import Unknown
from benchtool.install.view import View
from benchtool.install.visit_readings import VisitReading, visit_readings
from benchtool.reports.site_tables import Cell, Part, Table


def measured_table(view: View) -> Table:
    """What was measured, visit by visit, with its band and whether it lies in it."""
    rows = tuple((one.date, one.name, one.text, *_judged(one)) for one in visit_readings(view))
    return Table(("Day", "What was measured", "Reading", "Band here", "State"), (Part(rows),), (14, 25, 15, 26, 20))


def _judged(one: VisitReading) -> tuple[Cell, Cell]:
    """The band of a reading, and a word on it."""
    if one.band is None:
        return "-", "no band for this"
    if isinstance(one.band, Unknown):
        return f"cannot be told: {one.band.why}", "not compared"
    if one.value is None:
        return str(one.band), f"not compared: no figure in {one.unit}"
    everywhere: Cell = (
        (str(one.band), "anywhere on the pair") if "anywhere on the pair" in one.band.basis else str(one.band)
    )
    return everywhere, "OUTSIDE" if one.outside else "within"
