"""Reads as the objects that `benchtool reads --json` prints, one a line; the keys are documented in docs/reads.md.

Bits, numbers, and what would give them away (which line each pulse is on, and when) only where they may be shown.
"""

from __future__ import annotations

from benchtool.frames.card.read import CardRead
from benchtool.frames.hidden import verdicts_told
from benchtool.reports.reads_hidden import odd_counts, odd_objects, stats_object
from benchtool.reports.reads_outcome import Outcome, Taken


def read_object(one: Taken, *, show: bool) -> dict[str, object]:
    """A read for `--json`; bits, numbers and the line of each pulse only where they may be shown."""
    read: CardRead | None = one.read
    told = [show or tell for tell in verdicts_told(one.readings)]
    made: dict[str, object] = {
        "kind": "read" if read is not None else "burst",
        "read": one.number or None,
        "source": read.source.value if read is not None else None,
        "where": read.where if read is not None else one.source,
        "t_ns": read.t_ns if read is not None else one.burst.begin_ns if one.burst else None,
        "length": one.bits.length,
        "card": one.card or None,
        "sound": one.sound,
        "key": one.key,
        "built": read.built if read is not None else False,
        "bits": one.bits.text if show and read is not None else None,
        "readings": [
            {
                "format": reading.format.name,
                "ok": reading.ok if tell else None,
                "parity_ok": reading.parity_ok if tell else None,
                "site_code": reading.site_code if show else None,
                "card_number": reading.card_number if show else None,
            }
            for reading, tell in zip(one.readings, told, strict=True)
        ],
        "hints": [hint.what for hint in one.hints],
        "printed_agrees": None if one.agreements is None else [agreement.changed for agreement in one.agreements],
    }
    if one.burst is not None:
        pulses = read.pulses if read is not None and read.pulses else ()
        widths = [pulse.width_ns for pulse in pulses]
        # Even in order of size: where the lines' widths differ, so many are of D1.
        made["widths_ns"] = widths if show else None
        made["width_least_ns"], made["width_greatest_ns"] = (min(widths), max(widths)) if widths else (None, None)
        made["lines"] = [pulse.line for pulse in pulses] if show else None
        made["starts_ns"] = [pulse.start_ns for pulse in pulses] if show else None
        made["spacing_ns"] = one.burst.spacing_ns
        made["odd"] = odd_objects(one.burst.oddities, show=show)
    return made


def summary_object(outcome: Outcome, *, show: bool) -> dict[str, object]:
    """The rest for `--json`, without the diagnosis."""
    figures, same = outcome.figures, outcome.same
    made: dict[str, object] = {
        "kind": "summary",
        "stopped_by_user": outcome.stopped_by_user,
        "reads": len(outcome.reads),
        "sound": sum(one.sound for one in outcome.reads),
        "wrong": outcome.wrong,
        "end_of_frame_ns": outcome.timeout_ns,
        "notes": outcome.notes,
    }
    if figures is not None:
        made["pulses"] = {
            "bits": figures.bits,
            "resolution_ns": figures.resolution_ns,
            "jitter_ns": figures.jitter_ns,
            "jitter_peak_ns": figures.jitter_peak_ns,
            "odd": odd_counts(figures.odd, show=show),
            "checks": [
                {
                    "name": check.name,
                    "limit": check.limit,
                    "verdict": check.verdict.value,
                    "outside": check.outside if show or not check.outside else None,
                    "note": check.note,
                    "source": check.source,
                    **stats_object(check, figures.resolution_ns, show=show),
                }
                for check in figures.checks
            ],
        }
    if outcome.waveforms:
        made["levels"] = [
            {"where": where, "lines": [line._asdict() for line in lines]} for where, _, lines in outcome.waveforms
        ]
    if same is not None:
        made["same_card"] = {
            "bits": same.bits.text if same.bits is not None and show else None,
            "length": same.bits.length if same.bits is not None else None,
            "agree": [outcome.reads[place].number for place in same.agree],
            "differ": [{"read": outcome.reads[place].number, "how": how} for place, how in same.differ],
            "how": same.how.value,
        }
    return made
