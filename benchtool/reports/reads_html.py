"""Reads as one HTML page that needs nothing else: what is wrong first, then pulses, pictures, every read; for A4.

The page's layout is in reads.html beside this file, its looks are those of the diagnosis page. Everything from outside
is escaped. Bits and card numbers stand in it only where they were asked for, and then the page says so.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from importlib.resources import files
from typing import Any

from benchtool.diagnose.card_finding import CardCause, CardFinding, Proof
from benchtool.reports.diagnosis_html import percent
from benchtool.reports.diagnosis_text import proof_words, sure
from benchtool.reports.reads_finding import group_words, shown_findings, weight_words
from benchtool.reports.reads_hidden import odd_told, odd_words, outside_words, shown_stats
from benchtool.reports.reads_outcome import Outcome, Taken
from benchtool.reports.reads_plot import plots
from benchtool.reports.reads_text import VERDICTS, analog_lines, duration, same_lines, taken_lines, what

_MOST_READS = 500
"""Reads listed; more would make no page that anybody reads."""


def reads_html(outcome: Outcome, *, sources: Sequence[str], show: bool) -> str:
    """The page."""
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string(_file("reads.html"))
    diagnosis = outcome.diagnosis
    # Our own drawings and style sheet; everything else is escaped.
    drawn = [
        {"title": plot.title, "caption": plot.caption, "svg": Markup(plot.svg)} for _, plot in plots(outcome, show=show)
    ]
    found = [] if diagnosis is None else shown_findings(diagnosis)
    return template.render(
        style=Markup(_style()),
        sources=", ".join(sources),
        show=show,
        outcome=outcome,
        diagnosis=diagnosis,
        group="" if diagnosis is None else group_words(diagnosis),
        findings=[finding for finding, brief in found if not brief],
        brief=[finding for finding, brief in found if brief],
        reads=outcome.reads,
        sound=sum(one.sound for one in outcome.reads),
        listed=[_row(one, show) for one in outcome.taken[:_MOST_READS]],
        left_out=max(0, len(outcome.taken) - _MOST_READS),
        checks=_checks(outcome, show),
        odd=_odd(outcome, show),
        levels=[analog_lines(where, lines) for where, _, lines in outcome.waveforms],
        same=same_lines(outcome, show=show)[1:],
        plots=drawn,
        percent=percent,
        sure=sure,
        proof_words=proof_words,
        weighed=_weighed,
        meanings=_meanings,
    )


def _file(name: str) -> str:
    return files("benchtool.reports").joinpath(name).read_text(encoding="utf-8")


def _style() -> str:
    found = re.search(r"<style>\n(.*?)</style>", _file("diagnosis.html"), re.DOTALL)
    return found[1] if found else ""


def _row(one: Taken, show: bool) -> dict[str, Any]:
    line = taken_lines(one, show=show)[0].strip()
    said = line.split("  ", 3)[-1] if one.read is None else what(one, show=show)
    pulses = one.read.pulses if one.read is not None else None
    widths = [pulse.width_ns for pulse in pulses or ()]
    t_ns = one.read.t_ns if one.read is not None else one.burst.begin_ns if one.burst is not None else None
    return {
        "number": one.number or "-",
        "time": "-" if t_ns is None else f"{t_ns / 1e9:.6f}",
        "length": one.bits.length or "-",
        "card": one.card or "-",
        "said": said.strip(),
        "widths": f"{duration(min(widths))} to {duration(max(widths))}" if widths else "-",
        "odd": odd_words(one.burst, show=show, lines=False) if one.burst is not None else "",
        "bits": one.bits.text if show and one.read is not None else "",
        "numbers": "; ".join(
            dict.fromkeys(
                (f"site {reading.site_code} " if reading.site_code is not None else "")
                + f"number {reading.card_number}"
                for reading in one.readings
            )
        )
        if show
        else "",
    }


def _checks(outcome: Outcome, show: bool) -> list[dict[str, str]]:
    figures = outcome.figures
    if figures is None:
        return []
    rows = []
    for check in figures.checks:
        seen = check.stats
        shown = shown_stats(seen, figures.resolution_ns, show=show) if seen is not None else ()
        cells = [duration(value) for value in shown] or ["-"] * 4
        rows.append(
            {
                "name": check.name,
                "least": cells[0],
                "median": cells[1],
                "greatest": cells[2],
                "sd": cells[3],
                "limit": check.limit,
                "outside": outside_words(check, show=show),
                "verdict": VERDICTS[check.verdict],
                "note": check.note,
            }
        )
    return rows


def _odd(outcome: Outcome, show: bool) -> list[str]:
    figures = outcome.figures
    if figures is None:
        return []
    rows = odd_told(figures.odd, show=show)
    if figures.jitter_ns is not None and figures.jitter_peak_ns is not None:
        rows.append(
            f"jitter of spacing {duration(figures.jitter_ns)} rms, {duration(figures.jitter_peak_ns)} from least to "
            "greatest within a frame; no published limit"
        )
    rows.append(f"times are fine to {duration(figures.resolution_ns)}; limits: {figures.checks[0].source}")
    rows.append(f"a frame ended after {duration(outcome.timeout_ns)} without a pulse")
    return rows


def _weighed(finding: CardFinding, proof: Proof) -> str:
    return weight_words(proof.weight, healthy=finding.cause is CardCause.HEALTHY)


def _meanings(expect: Sequence[str]) -> list[tuple[str, str]]:
    return [(reading.partition(": ")[0], reading.partition(": ")[2]) for reading in expect]
