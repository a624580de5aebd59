"""Reads as text: one line each as they come, then pulses beside their limits, reads compared, what was left out.

Card numbers and bits are shown only where asked for; verdicts are words.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from benchtool.frames.card.decode import CardReading
from benchtool.frames.card.keypad import key_of
from benchtool.frames.card.read import Pulse
from benchtool.frames.hidden import verdicts_told
from benchtool.measure.card_analog import LineFigures
from benchtool.measure.card_reads import How
from benchtool.measure.pulse_figures import PulseFigures, Stats
from benchtool.measure.waveform_limits import Verdict, quantity
from benchtool.reports.card_text import verdict
from benchtool.reports.folded import wrap
from benchtool.reports.reads_hidden import odd_told, odd_words, outside_words, shown_stats
from benchtool.reports.reads_outcome import Outcome, Taken
from benchtool.taps.card_source import CardSourceInfo

HEADER = f"{'read':>5} {'time':>11}  {'bits':>4} card  what it is"
VERDICTS = {Verdict.PASS: "PASS", Verdict.FAIL: "FAIL", Verdict.UNKNOWN: "cannot tell"}


def duration(ns: float) -> str:
    """`50 us`, `1.02 ms`."""
    return quantity(ns * 1e-9, "s")


def source_line(info: CardSourceInfo) -> str:
    """What a source is and sees."""
    if not info.sees_pulses:
        return f"{info.where}: {info.source.value}, bits only (no pulses to measure)"
    fine = "" if info.resolution_ns is None else f", times fine to {duration(info.resolution_ns)}"
    return f"{info.where}: {info.source.value}, pulses{fine}"


def taken_lines(one: Taken, *, show: bool) -> list[str]:
    """A read or a burst, one line, and a second with its bits and numbers where they may be shown."""
    t_ns = one.read.t_ns if one.read is not None else one.burst.begin_ns if one.burst is not None else None
    time = "-" if t_ns is None else f"{t_ns / 1e9:.6f}"
    odd = "" if one.burst is None else odd_words(one.burst, show=show)
    if one.read is None:
        return [f"{'-':>5} {time:>11}  {'-':>4} {'':4}  no read: {odd}"]
    parts = [what(one, show=show)]
    if one.read.pulses is not None:
        parts.append(pulses_words(one.read.pulses))
    if odd:
        parts.append(odd)
    lines = [f"{one.number:>5} {time:>11}  {one.bits.length:>4} {one.card:<4}  {'; '.join(parts)}"]
    if show:
        numbers = "; ".join(_numbers(one))
        lines.append(f"{'':>31}{one.bits.text}{'  ' + numbers if numbers else ''}")
    return lines


def what(one: Taken, *, show: bool) -> str:
    """What a read is, in words without its number."""
    assert one.read is not None
    if one.key:
        return f"key {key_of(one.bits)}" if show else "a key on a keypad (hidden)"
    built = ", built from the number: parity not received" if one.read.built else ""
    if one.readings:
        told = verdicts_told(one.readings)
        said = ", ".join(
            f"{read.format.name} {_verdict(read) if show or tell else 'hidden'}"
            for read, tell in zip(one.readings, told, strict=True)
        )
    else:
        said = f"no format wanted has {one.bits.length} bits"
    hints = [hint.what for hint in one.hints if hint.what not in ("key", "no key")]
    hint = f" (hint: {', '.join(hints)})" if hints and not any(read.ok for read in one.readings) else ""
    if one.agreements is not None:
        agreed = next(iter(one.agreements), None)
        said += "; printed number does not agree" if agreed is None else f"; printed number agrees {agreed.changed}"
    return f"{said}{built}{hint}"


def _verdict(read: CardReading) -> str:
    if read.parity_ok and not read.ok:
        return "FAIL (constants or check values)"
    return verdict(read) if read.format.parity else ("PASS" if read.ok else "FAIL")


def _numbers(one: Taken) -> list[str]:
    found = []
    for reading in one.readings:
        site = "" if reading.site_code is None else f"site {reading.site_code} "
        found.append(f"{site}number {reading.card_number}")
    return list(dict.fromkeys(found))


def pulses_words(pulses: Sequence[Pulse]) -> str:
    """Width and spacing of one read."""
    widths = [pulse.width_ns for pulse in pulses]
    said = f"width {_range(min(widths), max(widths))}"
    steps = [after.start_ns - before.start_ns for before, after in pairwise(pulses)]
    return f"{said}, spacing {_range(min(steps), max(steps))}" if steps else said


def _range(least: int, greatest: int) -> str:
    low, high = duration(least), duration(greatest)
    if low == high:
        return low
    number, unit = low.split()
    return f"{number}-{high}" if high.endswith(f" {unit}") else f"{low} to {high}"


def figures_lines(figures: PulseFigures, *, show: bool) -> list[str]:
    """Pulses beside their limits."""
    lines = ["PULSES, beside the published limits", f"  {'':24} {'least':>9} {'median':>9} {'greatest':>9} {'sd':>9}"]
    for check in figures.checks:
        head = f"  {check.name:<24} "
        if check.stats is not None:
            lines.append(head + _stats(check.stats, figures.resolution_ns, show))
        else:
            lines.append(
                head + (outside_words(check, show=show) if check.outside or check.limit == "never" else "none")
            )
        broken = f", {outside_words(check, show=show)} outside" if check.stats and check.outside else ""
        note = f" ({check.note})" if check.note else ""
        lines += wrap(f"limit {check.limit}: {VERDICTS[check.verdict]}{broken}{note}", "      ")
    if figures.gap is not None:
        lines.append(f"  {'end to next start':<24} {_gap(figures.gap, show)}")
    if figures.jitter_ns is not None and figures.jitter_peak_ns is not None:
        lines.append(
            f"  jitter of spacing: {duration(figures.jitter_ns)} rms, "
            f"{duration(figures.jitter_peak_ns)} from least to greatest within a frame (no published limit)"
        )
    lines += [f"  {told}" for told in odd_told(figures.odd, show=show)]
    lines.append(f"  {figures.bits} bits, reads {figures.reads}; times fine to {duration(figures.resolution_ns)}")
    lines.append(f"  limits: {figures.checks[0].source}")
    return lines


def _gap(seen: Stats, show: bool) -> str:
    # Where the lines' widths differ, middle and deviation tell how many pulses are of which.
    shown = [duration(value) for value in (seen.least, seen.median, seen.greatest, seen.deviation)]
    return " ".join(f"{text:>9}" for text in (shown if show else [shown[0], "-", shown[2], "-"]))


def _stats(seen: Stats, fine_ns: int, show: bool) -> str:
    return " ".join(f"{duration(value):>9}" for value in shown_stats(seen, fine_ns, show=show))


def analog_lines(where: str, lines: tuple[LineFigures, LineFigures]) -> list[str]:
    """Levels and edges of a scope's record; nothing published to judge them by."""
    found = [f"LEVELS in {where} (no published limit)"]
    for number, line in enumerate(lines):
        if line.pulse_v is None:
            found.append(f"  D{number}: rests at {line.rest_v:.2f} V and never moves")
            continue
        edges = ", ".join(
            f"{name} {quantity(value, 's')}"
            for name, value in (("falls in", line.fall_s), ("rises in", line.rise_s))
            if value is not None
        )
        found.append(
            f"  D{number}: rests at {line.rest_v:.2f} V, pulses at {line.pulse_v:.2f} V{'; ' + edges if edges else ''}"
        )
        more = [
            f"{name} {value:.2f} V"
            for name, value in (("overshoot", line.overshoot_v), ("undershoot", line.undershoot_v))
            if value
        ]
        more.append(f"noise {quantity(line.noise_v, 'V')} rms")
        found.append(f"      {', '.join(more)}")
    return found


def same_lines(outcome: Outcome, *, show: bool) -> list[str]:
    """Reads of one card compared."""
    same, reads = outcome.same, outcome.reads
    if same is None or len(reads) < 2:
        return []
    if same.bits is None:
        counts = ", ".join(f"read {reads[place].number}: {how}" for place, how in same.differ)
        return [
            "SAME CARD",
            *wrap(
                f"no frame has a majority, nor do its bits: {counts}. Not one card, or badly damaged: read it again.",
                "  ",
            ),
        ]
    if same.how is How.VOTED:
        how = "no two agree; bit by bit, most reads say"
    elif len(same.agree) == 1:
        how = f"read {reads[same.agree[0]].number} differs least from the others"
    else:
        least = ", the others differ least from these" if same.how is How.NEAREST else ""
        how = f"{len(same.agree)} of {len(reads)} reads agree{least}"
    lines = ["SAME CARD", f"  {how}: {same.bits.length} bits{'  ' + same.bits.text if show else ''}"]
    lines += [line for place, text in same.differ for line in wrap(f"read {reads[place].number}: {text}", "  ")]
    return lines


def summary_lines(outcome: Outcome, *, show: bool) -> list[str]:
    """All that is said at the end, without the diagnosis."""
    reads = outcome.reads
    sound = sum(one.sound for one in reads)
    keys = sum(one.key for one in reads)
    cards = len({one.card for one in reads if not one.key})
    said = f"{len(reads)} read{'' if len(reads) == 1 else 's'}, {sound} sound"
    said += f", {keys} keys" if keys else ""
    said += f"; {cards} different frame{'' if cards == 1 else 's'}" if reads else ""
    empty = len(outcome.taken) - len(reads)
    lines = [said + (f"; {empty} bursts without a bit" if empty else "")]
    if reads and not show:
        lines.append("bits and numbers are hidden (--show-cards shows them)")
    for block in (
        figures_lines(outcome.figures, show=show) if outcome.figures is not None and outcome.figures.bits else [],
        *(analog_lines(where, figures) for where, _, figures in outcome.waveforms),
        same_lines(outcome, show=show),
        ["NOTES", *(line for note in outcome.notes for line in wrap(note, "  "))] if outcome.notes else [],
    ):
        if block:
            lines += ["", *block]
    return lines
