"""A diagnosis as one HTML page that needs nothing else: findings first, raw figures last, made to be printed on A4.

The page's layout is in diagnosis.html beside this file. Everything from outside is escaped. No octets are in it, so no
card numbers or keys.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from importlib.resources import files
from typing import Any, NamedTuple

from benchtool.capture.chunk import LineErrors
from benchtool.diagnose.evidence import Evidence
from benchtool.diagnose.finding import Cause, Diagnosis, Finding, Proof, Step, helps
from benchtool.measure.spread import SpreadFigures
from benchtool.measure.tally import Figures
from benchtool.measure.waveform_limits import Check, quantity
from benchtool.measure.waveform_readings import WORDS, shown, words
from benchtool.reports.diagnosis_text import (
    MOST_NAMED,
    group_text,
    proof_weight,
    proof_words,
    shortened,
    sure,
    two_causes_text,
    undecided,
    undecided_text,
)
from benchtool.reports.frame_text import milliseconds

BRIEF = 0.1
"""Findings less probable than this, other than the first, get one line."""
_FULL_SCALE = 6.0
"""log10 weight that fills a weight's bar."""


class Plot(NamedTuple):
    """A picture for the report."""

    title: str
    caption: str
    svg: str
    """An `<svg>` element; taken as it is, so it must come from our own drawing."""


@dataclass(frozen=True, slots=True)
class WaveformPart:
    """What the report shows of a waveform."""

    plots: tuple[Plot, ...] = ()
    checks: tuple[Check, ...] = ()
    notes: tuple[str, ...] = ()
    """What is to be read first."""


def diagnosis_html(
    diagnosis: Diagnosis,
    evidence: Evidence | None,
    *,
    title: str,
    tap: str,
    made: str = "",
    waveform: WaveformPart | None = None,
    noticed: Sequence[str] = (),
    names: Mapping[int, str] | None = None,
) -> str:
    """The page. `tap` says where it was heard, `made` when; `evidence` is None for a diagnosis taken up again.

    `noticed`: lines on the OSDP traffic, as below the figures of the text. `names`: devices by their addresses.
    """
    from jinja2 import Environment, StrictUndefined

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string(
        files("benchtool.reports").joinpath("diagnosis.html").read_text(encoding="utf-8")
    )
    told = [f for place, f in enumerate(diagnosis.findings) if place == 0 or f.probability >= BRIEF]
    figures = diagnosis.figures
    return template.render(
        title=title,
        tap=tap,
        made=made,
        diagnosis=diagnosis,
        helps=helps,
        findings=told,
        brief=[finding for finding in diagnosis.findings if finding not in told],
        group=group_text(diagnosis, "all are named below"),
        two_causes=two_causes_text(diagnosis, percent),
        undecided=undecided_text(diagnosis) if undecided(diagnosis) else "",
        alike=_alike(diagnosis),
        by_hand=_by_hand(diagnosis),
        scope=_scope(diagnosis),
        plots=[_safe(plot) for plot in _plots(diagnosis, evidence)],
        waveform=None if waveform is None else _waveform(waveform),
        figures=figures,
        totals=[] if figures is None else _totals(figures),
        sure=sure,
        percent=percent,
        where=_where,
        than=_than,
        weight_words=_weight_words,
        proof_words=proof_words,
        scale=_scale,
        signed=_signed,
        meanings=_meanings,
        measured=_measured,
        verdict=_verdict,
        ms=partial(milliseconds, resolution_ns=0 if figures is None else figures.resolution_ns),
        noticed="\n".join(noticed).strip(),
        names=names or {},
    )


def percent(probability: float) -> str:
    """`97 %`; never 100 % or 0 % for what is not certain."""
    if 0.995 <= probability < 1:
        return "over 99 %"
    if 0 < probability < 0.005:
        return "under 1 %"
    return f"{100 * probability:.0f} %"


def _where(finding: Finding) -> str:
    return "" if finding.place in ("bus", "tap") else f", {finding.place}"


def _than(finding: Finding) -> str:
    return (
        "on a sound bus than with a fault" if finding.cause is Cause.HEALTHY else "with this cause than on a sound bus"
    )


def _weight_words(finding: Finding, proof: Proof) -> str:
    """The words of the text report without their end, which is the column's head here."""
    words = proof_weight(proof, healthy=finding.cause is Cause.HEALTHY)
    return words.split(" on a sound bus")[0].split(" with this fault")[0].removesuffix(" than")


def _signed(weight: float) -> str:
    """Two places and a sign; nothing is never shown as `-0.00`."""
    shown = f"{weight:+.2f}"
    return "0.00" if shown in ("-0.00", "+0.00") else shown


def _scale(weight: float) -> object:
    """A bar to the right of the middle for evidence, to the left (hollow) for what speaks against."""
    from markupsafe import Markup

    length = 50 * min(1.0, abs(weight) / _FULL_SCALE)
    left = 50.0 if weight >= 0 else 50 - length
    fill = "#333" if weight >= 0 else "#fff"
    # Numbers of our own only, so nothing needs escaping.
    return Markup(
        '<svg viewBox="0 0 100 12" preserveAspectRatio="none" aria-hidden="true">'
        f'<rect x="{left:.1f}" y="2" width="{length:.1f}" height="8" fill="{fill}" stroke="#333" '
        'vector-effect="non-scaling-stroke"/>'
        '<path d="M50 0V12" stroke="#111" vector-effect="non-scaling-stroke"/></svg>'
    )


def _meanings(step: Step) -> list[tuple[str, str]]:
    """What each result would mean, in two columns."""
    rows = []
    for line in map(shortened, step.expect):
        reading, colon, meaning = line.partition(": ")
        rows.append((reading, meaning) if colon else ("", line))
    return rows


def _alike(diagnosis: Diagnosis) -> str:
    """All that cannot be told apart, where the sentence at the top names only some of it."""
    names = [] if diagnosis.group is None else [cause.value for cause in diagnosis.group.causes]
    return ", ".join(names) if len(names) > MOST_NAMED else ""


def _scope(diagnosis: Diagnosis) -> list[tuple[str, str]]:
    """The figures of a waveform that were weighed, in words."""
    return [(words(name), shown(name, value)) for name, value in diagnosis.by_hand.scope.items() if name in WORDS]


def _by_hand(diagnosis: Diagnosis) -> list[str]:
    hand = diagnosis.by_hand
    lines = [reading.text() for reading in hand.readings]
    lines += [f"{tried.name}: it got {'better' if tried.better else 'no better'}" for tried in hand.tried]
    return lines


def _safe(plot: Plot) -> dict[str, Any]:
    from markupsafe import Markup

    return {"title": plot.title, "caption": plot.caption, "svg": Markup(plot.svg)}


def _waveform(part: WaveformPart) -> dict[str, Any]:
    return {
        "plots": [_safe(plot) for plot in part.plots],
        "checks": part.checks,
        "unseen": [check.name for check in part.checks if check.value is None],
        "notes": part.notes,
    }


def _plots(diagnosis: Diagnosis, evidence: Evidence | None) -> list[Plot]:
    """The pictures for which there is something to draw."""
    from benchtool.reports import diagnosis_plots as draw

    found = []
    timeline = None if evidence is None else evidence.timeline
    if timeline is not None and timeline.sound:
        caption = "No damage was seen."
        if any(timeline.damaged):
            caption = "Frames that were sound, and frames or spans that were not. Each half has a scale of its own."
        if evidence is not None and evidence.strays:
            caption += f" Not drawn: {evidence.strays} stray octets that belong to no frame."
        found.append(
            Plot(
                "Damage over time",
                caption,
                draw.timeline_svg(timeline.sound, timeline.damaged, timeline.slot_ns / 1e9),
            )
        )
    bits = None if evidence is None else evidence.bits
    if bits is not None and any(bits.places):
        found.append(
            Plot(
                "Where errors fall",
                "Counted where the true octets are known, from a sound copy or a repair that the check value confirms.",
                draw.places_svg(bits.places, bits.by_bit),
            )
        )
    figures = diagnosis.figures
    if figures is None:
        return found
    asked = [row for row in figures.addresses if row.requests]
    rows = draw.most_troubled(figures.addresses)
    if not rows:
        return found
    some = f" The {len(rows)} of {len(asked)} addresses with most trouble." if len(rows) < len(asked) else ""
    found.append(
        Plot(
            "Answers by address", f"Plain: answered. Hatched: damaged. Black: no answer.{some}", draw.answers_svg(rows)
        )
    )
    if any(row.latency.count for row in rows):
        coarse = ""
        if figures.resolution_ns >= 1_000_000:
            coarse = f" Times are no finer than {figures.resolution_ns / 1e6:g} ms at this tap."
        caption = f"Line: least to greatest. Bar: up to 99 %. Mark: median.{coarse}{some}"
        found.append(Plot("Reply time by address", caption, draw.latency_svg(rows)))
    return found


def _totals(figures: Figures) -> list[tuple[str, str]]:
    """The tallies of the whole bus, named and in words."""
    blind = figures.line_errors is LineErrors.UNAVAILABLE
    marks = ", ".join(f"{count} {name}" for name, count in figures.marks.items() if count) or "none"
    rows = [
        ("listened", f"{figures.elapsed_ns / 1e9:.1f} s"),
        ("not heard (adapter gone)", f"{figures.deaf_ns / 1e9:.1f} s in {figures.gaps} gaps"),
        ("octets", str(figures.octets)),
        ("octets in no frame", str(figures.unknown_octets)),
        ("bus load", f"{100 * figures.bus_load:.1f} %"),
        ("sound frames", _counts({protocol.value: count for protocol, count in figures.proved.items()})),
        *([("frames that nothing proves sound", f"{figures.unproved} table")] if figures.unproved else []),
        ("damaged frames and spans", _counts({reason.value: count for reason, count in figures.frames_bad.items()})),
        ("came back after damage", f"{figures.resynchronisations} times"),
        ("line errors", "cannot be seen at this tap: none shown proves nothing" if blind else marks),
        ("time resolution", f"{figures.resolution_ns / 1e6:g} ms" if figures.resolution_ns else "exact"),
        ("silence, median and 99 %", _spread(figures.silence, figures.resolution_ns)),
        ("turnaround, median and 99 %", _spread(figures.turnaround, figures.resolution_ns)),
        *((name.replace("_", " "), str(count)) for name, count in figures.decoder_counters.items()),
    ]
    return rows if figures.gaps else [row for row in rows if not row[0].startswith("not heard")]


def _counts(counts: dict[str, int]) -> str:
    return ", ".join(f"{count} {name}" for name, count in counts.items()) or "none"


def _spread(spread: SpreadFigures, resolution_ns: int) -> str:
    if not spread.count:
        return "none"
    return ", ".join(f"{milliseconds(value, resolution_ns)} ms" for value in (spread.median_ns, spread.p99_ns))


def _measured(check: Check) -> str:
    if check.value is None or not math.isfinite(check.value):
        return "-"
    return quantity(check.value, check.unit)


def _verdict(check: Check) -> str:
    """In words, since a printed page may have no colours."""
    if not check.limit:
        return ""
    return {"pass": "pass", "fail": "FAIL", "unknown": "unknown"}[check.verdict.value]
