"""The hand-over page of an installation: one HTML file that needs nothing else and is made to be printed.

The page's layout is in site.html beside this file. Everything that was typed is escaped. No card number and no key is
in it; `sharing` takes out serial numbers, hardware addresses and people's names as well.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any

from benchtool.install.checks import Checked
from benchtool.install.closing import points_of
from benchtool.install.record import Record
from benchtool.install.rule import Finding
from benchtool.install.view import View
from benchtool.install.worked import Figure
from benchtool.reports import site_power_tables
from benchtool.reports import site_tables as tables
from benchtool.reports import site_values as values
from benchtool.reports.site_closing import closing_part
from benchtool.reports.site_heard import Heard, heard_part
from benchtool.reports.site_measured import measured_table
from benchtool.reports.site_words import HIDDEN, Free, hushed, several, taken_out, visible

_LEAST_KNOWN = 4
"""Shorter serial numbers and names are taken out where they stand by themselves, not wherever the letters occur."""
PAPERS = {"a4": "A4", "letter": "Letter"}


@dataclass(frozen=True, slots=True)
class Wanted:
    """How the page is to be."""

    made: str
    """Its day."""
    source: str
    """The record's file and what tells it from an older one, in words."""
    paper: str = "a4"
    """A key of `PAPERS`."""
    secrets: bool = False
    """Show in notes what looks like a card number or a code. What looks like a key is never shown."""
    sharing: bool = False
    """Hide serial numbers, hardware addresses and people's names."""


def site_html(view: View, checked: Checked, heard: Sequence[Heard], wanted: Wanted) -> str:
    """The page."""
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    said = _said(view.record, wanted)
    noted = _said(view.record, wanted, free=True)
    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_finalized(said, noted),
    )
    environment.filters["free"] = Free
    page = files("benchtool.reports").joinpath("site.html").read_text(encoding="utf-8")
    record, sharing = view.record, wanted.sharing
    connectors, bare = tables.connectors_table(view, sharing=sharing)
    points = points_of(view)
    parts = [values.bus_part(view, trunk, said) for trunk in view.trunks]
    return environment.from_string(page).render(
        record=record,
        wanted=wanted,
        paper=PAPERS[wanted.paper],
        # Nothing in it can end the style sheet: all but letters and digits is written as its number.
        footer=Markup(_css_text(said(record.site.name))),
        state=values.state(checked),
        counts=_counts(record),
        cautions=values.cautions(view),
        # Our own drawing, in which everything is escaped.
        buses=[(part, [[Markup(row.svg) for row in chain.rows] for chain in part.chains]) for part in parts],
        devices=[tables.devices_table(view, trunk, sharing=sharing) for trunk in view.trunks],
        doors=tables.doors_table(view),
        controllers=tables.controllers_table(view, sharing=sharing),
        connectors=connectors,
        bare=bare,
        cables=tables.cables_table(view),
        supplies=site_power_tables.supplies_table(view),
        voltages=site_power_tables.voltages_table(view),
        celsius=40.0 if record.site.warmest_c is None else record.site.warmest_c,
        checked=checked,
        findings=values.told(checked.findings),
        unchecked=values.unchecked_told(checked),
        figures=_figures,
        readings=measured_table(view),
        heard=[heard_part(view, one) for one in heard],
        visits=values.visits_in_order(record),
        open=values.open_items(record),
        closing=closing_part(view, points, sharing=sharing),
        who=lambda name: _who(name, sharing=sharing),
        place=_place,
    )


def _said(record: Record, wanted: Wanted, *, free: bool = False) -> Callable[[str], str]:
    """What is done to every text before it is shown; `free`: to every note."""
    private: list[str] = []
    if wanted.sharing:
        for controller in record.controller:
            private += [controller.serial or "", controller.network_address or ""]
        private += [reader.serial or "" for reader in record.reader]
        private += [device.serial or "" for bus in record.bus for device in bus.device]
        private += [visit.by or "" for visit in record.visit]
        private += [tick.by or "" for tick in record.tick]
    known = [visible(one.strip()) for one in private if len(one.strip()) >= _LEAST_KNOWN]
    without = taken_out(known)
    # Names come again and again.
    return lru_cache(maxsize=1 << 16)(lambda text: hushed(without(visible(text)), show=wanted.secrets, free=free))


def _finalized(said: Callable[[str], str], noted: Callable[[str], str]) -> Callable[[Any], Any]:
    from markupsafe import Markup

    def shown(value: Any) -> Any:
        if not isinstance(value, str) or isinstance(value, Markup):
            return value
        return noted(value) if isinstance(value, Free) else said(value)

    return shown


def _css_text(text: str) -> str:
    """A text inside the quotes of a style sheet."""
    return "".join(one if one.isascii() and one.isalnum() else f"\\{ord(one):x} " for one in text[:80])


def _counts(record: Record) -> list[str]:
    devices = [device for bus in record.bus for device in bus.device if device.kind not in ("controller", "junction")]
    return [
        several(len(record.door), "door"),
        several(len(record.controller), "controller"),
        several(len(record.bus), "bus", "buses"),
        several(len(devices), "bus device"),
        several(len(record.reader), "reader"),
        several(len(record.lock), "lock"),
        several(len(record.sensor), "contact or button", "contacts and buttons"),
        several(len(record.supply), "supply", "supplies"),
        several(len(record.visit), "visit"),
    ]


def _figures(finding: Finding) -> str:
    """`length = 900 m; most = 600 m`."""
    shown: list[Figure] = [one for one in (finding.said.figure, finding.said.limit) if one is not None]
    return "; ".join(map(str, shown))


def _place(finding: Finding) -> str:
    return f" (line {finding.line})" if finding.line is not None else ""


def _who(name: str | None, *, sharing: bool) -> str:
    return "name not noted" if not name else HIDDEN if sharing else name
