"""A frame, a gap or a summary as one line or a few lines of text, and as the objects that `--json` prints.

Secrets stay hidden unless asked for. Line errors are said in words, never by colour. ASCII only where the terminal
cannot show more.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from benchtool.capture.chunk import Gap, LineCounts, LineErrors, Mark, TapInfo
from benchtool.capture.printable import printable
from benchtool.frames.card.decode import decode
from benchtool.frames.explain import explain
from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.frames.hidden import hidden_octets, without_secrets
from benchtool.frames.meaning import HIDDEN, Field, Meaning
from benchtool.frames.osdp.check import BROADCAST
from benchtool.measure.spread import SpreadFigures
from benchtool.measure.tally import AddressFigures, Figures

_MARK_WORDS = ((Mark.FRAMING, "framing"), (Mark.PARITY, "parity"), (Mark.BREAK, "break"), (Mark.OVERRUN, "overrun"))
_FIRST_OCTETS = 3
DOTS = "••"
"""Stands for a hidden octet in a text."""
_MOST_DOTS = 24
NOT_TOLD = ".."
"""Stands for a hidden octet in `--json`: two characters, as an octet's own, and no hexadecimal digits."""

REASON_WORDS = {
    Reason.OK: "ok",
    Reason.CHECK_FAILED: "BAD check",
    Reason.TRUNCATED: "BAD short",
    Reason.BAD_HEADER: "BAD head",
    Reason.NOT_RECOGNISED: "BAD ?",
}
"""The verdict column, as narrow as can be told at 80 columns; docs/commands.md says what each means."""

UNPROVED = "unproved"
"""The verdict on a frame in which nothing is wrong, where no check value is known that could say that it is right."""

HEADER = f"{'time s':>9} {'quiet ms':>8} {'who':<6} {'verdict':<9} what"


def card_reads(meaning: Meaning) -> list[dict[str, Any]]:
    """The card formats that fit a RAW reply's bits, as for `card --json`; empty for other frames."""
    bits = next((field.value for field in meaning.fields if field.name == "bits"), None)
    if not isinstance(bits, str) or not bits:
        return []
    return [
        {
            "format": read.format.name,
            "site_code": read.site_code,
            "card_number": read.card_number,
            "parity_ok": read.parity_ok,
        }
        for read in decode(bits)
    ]


def _card_words(meaning: Meaning, show_secrets: bool) -> str:
    reads = card_reads(meaning)
    if not reads:
        return ""
    words = []
    for read in reads:
        site = "" if read["site_code"] is None else f" site {read['site_code'] if show_secrets else HIDDEN}"
        number = read["card_number"] if show_secrets else HIDDEN
        words.append(f"{read['format']}{site} number {number} parity {'ok' if read['parity_ok'] else 'WRONG'}")
    return " or ".join(words)


def _words(meaning: Meaning, show_secrets: bool) -> str:
    """The meaning in one line, what matters most first: the card, then the payload, the sequence number last."""
    fields = sorted(meaning.fields, key=lambda field: field.name == "sequence")
    text = replace(meaning, fields=tuple(fields)).text(show_secrets=show_secrets)
    card = _card_words(meaning, show_secrets)
    return text.replace(": ", f": {card}; ", 1) if card else text


def who(frame: Frame) -> str:
    """Direction and address: `-> 5` to device 5, `<- 5` from it; `all` for OSDP's address of every device."""
    arrow = {Role.REQUEST: "->", Role.REPLY: "<-", Role.UNKNOWN: "--"}[frame.role]
    if frame.protocol is Protocol.UNKNOWN or frame.address is None:
        return "?" if frame.role is Role.UNKNOWN else f"{arrow} ?"
    everyone = frame.protocol is Protocol.OSDP and frame.address == BROADCAST
    return f"{arrow} {'all' if everyone else frame.address}"


def verdict(frame: Frame) -> str:
    """The verdict column."""
    return UNPROVED if frame.ok and not frame.proved else REASON_WORDS[frame.reason]


def octets_text(frame: Frame, meaning: Meaning, *, show_secrets: bool) -> str:
    """A frame's octets in hex, spaced; dots for those that are hidden, and for the check value over them."""
    return " ".join(_octet_words(frame, meaning, show_secrets, DOTS, upper=True))


def _octet_words(frame: Frame, meaning: Meaning, show_secrets: bool, mask: str, *, upper: bool) -> list[str]:
    hidden = frozenset() if show_secrets else hidden_octets(frame, meaning)
    form = "02X" if upper else "02x"
    return [mask if place in hidden else format(octet, form) for place, octet in enumerate(frame.octets)]


def _shortened(text: str) -> str:
    """Octets of a line, many dots at the end as their number."""
    words = text.split(" ")
    dots = next((place for place, word in enumerate(reversed(words)) if word != DOTS), len(words))
    if dots <= _MOST_DOTS:
        return text
    return " ".join([*words[: len(words) - dots], f"{DOTS} ×{dots}"])


def _first_octets(frame: Frame, meaning: Meaning, show_secrets: bool) -> str:
    """The beginning of unknown octets, as far as it may be shown."""
    words = octets_text(frame, meaning, show_secrets=show_secrets).split(" ")
    shown = [word for word in words[:_FIRST_OCTETS] if word != DOTS]
    return " ".join([*shown, *["…"] * (len(shown) < len(words))])


def marks_text(marks: bytes) -> str:
    """Line errors in words: how many of each kind."""
    words = []
    for bit, word in _MARK_WORDS:
        count = sum(1 for mark in marks if mark & bit)
        if count:
            words.append(f"{word} ×{count}" if count > 1 else word)
    return ", ".join(words)


def frame_line(
    frame: Frame,
    *,
    meaning: Meaning | None = None,
    show_secrets: bool = False,
    show_octets: bool = False,
    width: int | None = None,
) -> str:
    """One line: time, silence before, who, verdict, what it is and says; cut to `width` columns if given.

    `meaning` where somebody knows more of the frame than its octets tell: decrypted.
    """
    silence = "" if frame.silence_ns is None else f"{frame.silence_ns / 1e6:.1f}"
    meaning = explain(frame) if meaning is None else meaning
    if not show_secrets:
        meaning = without_secrets(frame, meaning)
    if frame.protocol is Protocol.UNKNOWN:
        what = f"{meaning.title}: {_first_octets(frame, meaning, show_secrets)}"
    else:
        what = _words(meaning, show_secrets)
        if meaning.name is None or meaning.name.isupper():  # a name in plain words stands in the title already
            what = f"{meaning.name or '?'} {what}"
    if frame.marks:
        what = f"[{marks_text(frame.marks)}] {what}"
    line = f"{frame.t_ns / 1e9 + 0.0:9.4f} {silence:>8} {who(frame):<6} {verdict(frame):<9} {what}"
    if width is not None and len(line) > width:
        line = line[: width - 1] + "…"
    if show_octets:
        line += f"\n{'':12}{_shortened(octets_text(frame, meaning, show_secrets=show_secrets))}"
    return line


def gap_line(gap: Gap) -> str:
    """A time in which nothing could be heard."""
    lasted = f"{(gap.end_ns - gap.t_ns) / 1e6:.1f}"
    return f"{gap.t_ns / 1e9:9.4f} {lasted:>8} {'---':<6} {'NOT HEARD':<9} {printable(gap.why)}"


def _field(field: Field, show_secrets: bool) -> Any:
    return None if field.secret and not show_secrets else field.value


def frame_object(frame: Frame, *, meaning: Meaning | None = None, show_secrets: bool = False) -> dict[str, Any]:
    """What `listen --json` prints for a frame (docs/json.md); `meaning` as for `frame_line`."""
    meaning = explain(frame) if meaning is None else meaning
    if not show_secrets:
        meaning = without_secrets(frame, meaning)
    cards = card_reads(meaning)
    made: dict[str, Any] = {
        "kind": "frame",
        "t": frame.t_ns / 1e9,
        "protocol": frame.protocol.value,
        "address": frame.address,
        "name": meaning.name,
        "ok": None if frame.ok and not frame.proved else frame.ok,
        "reason": None if frame.proved else UNPROVED if frame.ok else frame.reason.value,
        "octets": "".join(_octet_words(frame, meaning, show_secrets, NOT_TOLD, upper=False)),
        "role": frame.role.value,
        "title": meaning.title,
        "fields": {field.name: _field(field, show_secrets) for field in meaning.fields},
        "problems": list(meaning.problems),
        "end": frame.end_ns / 1e9,
        "silence": None if frame.silence_ns is None else frame.silence_ns / 1e9,
        "lead": frame.lead.hex(),
        "line_errors": marks_object(frame.marks),
    }
    if cards:
        for card in cards:
            if not show_secrets:
                card["site_code"] = card["card_number"] = None
        made["cards"] = cards
    return made


def marks_object(marks: bytes) -> list[dict[str, Any]]:
    """Marked octets: their place in the frame and the kinds of error."""
    return [
        {"octet": index, "kinds": [word for bit, word in _MARK_WORDS if mark & bit]}
        for index, mark in enumerate(marks)
        if mark
    ]


def gap_object(gap: Gap) -> dict[str, Any]:
    """A gap for `--json`."""
    return {"kind": "gap", "t": gap.t_ns / 1e9, "end": gap.end_ns / 1e9, "why": gap.why}


def counts_object(counts: LineCounts) -> dict[str, Any]:
    """Counted line errors for `--json`."""
    return {
        "kind": "line-errors",
        "t": counts.t_ns / 1e9,
        "framing": counts.framing,
        "parity": counts.parity,
        "break": counts.breaks,
        "overrun": counts.overrun,
    }


def tap_object(info: TapInfo) -> dict[str, Any]:
    """The tap for `--json`: always the first line."""
    return {
        "kind": "tap",
        "tap": info.name,
        "baud": info.settings.baud,
        "format": str(info.settings.format),
        "line_errors": info.line_errors.value,
        "resolution": info.resolution_ns / 1e9,
        "anchor": info.anchor_ns / 1e9 if info.anchor_ns else None,
    }


_LINE_ERROR_WORDS = {
    LineErrors.MARKED: "each damaged octet is marked",
    LineErrors.COUNTED: "counted, not tied to octets",
    LineErrors.UNAVAILABLE: "cannot be seen at this tap",
}


def tap_line(info: TapInfo) -> str:
    """One line: what we listen to and how."""
    return f"tap {printable(info.name)}, {info.settings}; line errors: {_LINE_ERROR_WORDS[info.line_errors]}"


def _spread_object(figures: SpreadFigures) -> dict[str, Any]:
    def seconds(value: int | None) -> float | None:
        return None if value is None else value / 1e9

    return {
        "count": figures.count,
        "min": seconds(figures.least_ns),
        "median": seconds(figures.median_ns),
        "p99": seconds(figures.p99_ns),
        "max": seconds(figures.greatest_ns),
    }


def figures_object(figures: Figures) -> dict[str, Any]:
    """The tallies for `--json` (docs/json.md); line errors are null where the tap cannot see them."""
    blind = figures.line_errors is LineErrors.UNAVAILABLE
    return {
        "elapsed": figures.elapsed_ns / 1e9,
        "octets": figures.octets,
        "frames": {protocol.value: count for protocol, count in figures.proved.items()},
        "unproved": figures.unproved,
        "damaged": {reason.value: count for reason, count in figures.frames_bad.items()},
        "unknown_octets": figures.unknown_octets,
        "resynchronisations": figures.resynchronisations,
        "line_error_capability": figures.line_errors.value,
        "line_errors": None if blind else dict(figures.marks),
        "gaps": figures.gaps,
        "not_heard": figures.deaf_ns / 1e9,
        "bus_load": round(figures.bus_load, 4),
        "resolution": figures.resolution_ns / 1e9,
        "silence": _spread_object(figures.silence),
        "turnaround": _spread_object(figures.turnaround),
        "addresses": [_address_object(row, figures) for row in figures.addresses],
        "decoder_counters": dict(figures.decoder_counters),
    }


def _address(row: AddressFigures, figures: Figures) -> str | None:
    """The address in words; None for the frames of a table that has none."""
    return None if figures.no_address and row.protocol is Protocol.TABLE else str(row.address)


def _address_object(address: AddressFigures, figures: Figures) -> dict[str, Any]:
    return {
        "protocol": address.protocol.value,
        "address": None if _address(address, figures) is None else address.address,
        "requests": address.requests,
        "answered": address.answered,
        "silent": address.silent,
        "damaged": address.damaged,
        "check_failures": address.check_failures,
        "unasked": address.unasked,
        "latency": _spread_object(address.latency),
    }


_COARSE_NS = 1_000_000
"""From this resolution on, a shorter time is shown as shorter than the resolution, not as a figure."""


def milliseconds(value: int | None, resolution_ns: int = 0) -> str:
    """A time in ms as finely as the tap sees: `<2` for one below a resolution of 2 ms; `-` for none."""
    if value is None:
        return "-"
    coarse = resolution_ns >= _COARSE_NS and value < resolution_ns
    return f"<{resolution_ns / 1e6:.3g}" if coarse else f"{value / 1e6:.1f}"


def figures_text(figures: Figures, width: int | None = None) -> list[str]:
    """The tallies as a few lines and a table a person can read at arm's length.

    On fewer than 78 columns (`width`, if known) the table has the median of the replies' times alone.
    """
    frames = ", ".join(f"{count} {protocol.value}" for protocol, count in figures.proved.items()) or "none"
    damaged = ", ".join(f"{count} {reason.value}" for reason, count in figures.frames_bad.items()) or "none"
    lines = [
        f"heard {figures.octets} octets in {figures.elapsed_ns / 1e9:.1f} s, bus load {figures.bus_load:.1%}",
        f"sound frames: {frames}; damaged frames and spans: {damaged}",
    ]
    if figures.unproved:
        lines.append(f"unproved: {figures.unproved} table; no check value is known, so damage inside them is not seen")
    if figures.line_errors is LineErrors.UNAVAILABLE:
        lines.append("line errors: cannot be seen at this tap, so none shown proves nothing")
    else:
        seen = ", ".join(f"{count} {name}" for name, count in figures.marks.items() if count) or "none"
        lines.append(f"line errors: {seen}")
    if figures.gaps:
        lines.append(f"could not hear for {figures.deaf_ns / 1e9:.1f} s of that, in {figures.gaps} gap(s)")
    spoken = [row for row in figures.addresses if figures.frames_ok.get(row.protocol)]
    # Without damage there are no chance frames: then every address was really used.
    doubtful = [row for row in spoken if figures.damaged and not row.is_there]
    spoken = [row for row in spoken if row not in doubtful]
    if spoken:
        lines.append("")
        narrow = width is not None and width < _TABLE_COLUMNS
        heads = "median ms" if narrow else "reply ms: min  median     99 %"
        lines.append(f"address      asked answered silent damaged {heads:>{9 if narrow else 32}}")
        lines.extend(_row(row, figures, narrow=narrow) for row in spoken)
        if figures.resolution_ns >= _COARSE_NS:
            lines.append(f"times are no finer than {figures.resolution_ns / 1e6:g} ms at this tap")
    if doubtful:
        named = ", ".join(_address(row, figures) or "-" for row in doubtful[:_NAMED])
        more = f" and {len(doubtful) - _NAMED} more" if len(doubtful) > _NAMED else ""
        lines.append(f"not counted as devices, for damage makes such frames by chance: address {named}{more}")
    return lines


def _row(row: AddressFigures, figures: Figures, *, narrow: bool) -> str:
    least, median, p99 = (
        milliseconds(time_ns, figures.resolution_ns)
        for time_ns in (row.latency.least_ns, row.latency.median_ns, row.latency.p99_ns)
    )
    times = f"{median:>9}" if narrow else f"{least:>15} {median:>7} {p99:>8}"
    return (
        f"{row.protocol.value[:6]:<6} {_address(row, figures) or '-':>4} {row.requests:>7} {row.answered:>8} "
        f"{row.silent:>6} {row.damaged:>7} {times}"
    )


_TABLE_COLUMNS = 78
_NAMED = 8
