"""Rules of what was measured and noted at visits: readings within their bands, days as days."""

from __future__ import annotations

from collections.abc import Iterable

from benchtool.install.closing_bands import Band, Unknown
from benchtool.install.rule import KEPT, Rule, Said, Severity, unknown
from benchtool.install.view import View
from benchtool.install.visit_readings import is_day, last_readings
from benchtool.install.worked import Figure


def _readings(view: View) -> Iterable[Said]:
    for one in last_readings(view):
        said = f"{one.text} on {one.date} for {one.name}"
        if isinstance(one.band, Unknown):
            yield unknown(one.path, f"whether {said} is right: {one.band.why}")
        elif one.value is None:
            yield unknown(one.path, f"{said} is no reading in {one.unit}, or has no unit")
        elif isinstance(one.band, Band) and one.outside:
            low = one.value < one.band.low
            yield Said(
                one.path,
                f"{said}: by the record it is {one.band}",
                Figure("read", one.value, one.unit),
                Figure("least" if low else "most", one.band.low if low else one.band.high, one.unit),
            )
        else:
            yield KEPT


def _days(view: View) -> Iterable[Said]:
    for place, visit in enumerate(view.record.visit):
        written = f"the day of a visit is written as 2026-03-14, not {visit.date}"
        yield KEPT if is_day(visit.date) else Said(("visit", place, "date"), written)


RULES = (
    Rule(
        "readings-in-band",
        Severity.WARNING,
        "What was last measured lies within the band computed for this bus.",
        "the pair's circuit as recorded (site close); its tolerances are common practice",
        "Measure again as benchtool site close says; then look for an end-of-line resistor, a bias or a cable that is"
        " not as recorded.",
        _readings,
    ),
    Rule(
        "visit-dated",
        Severity.NOTE,
        "The day of every visit is written as 2026-03-14.",
        "ISO 8601; visits are put in order by it",
        "Write year, month and day, with hyphens.",
        _days,
    ),
)
"""In the order in which they are told."""
