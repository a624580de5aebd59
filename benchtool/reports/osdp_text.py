"""Events of OSDP traffic and secure channels as lines of text, and as the objects that `--json` prints. No secrets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from benchtool.frames.explain import explain
from benchtool.frames.frame import Frame
from benchtool.frames.meaning import Meaning
from benchtool.frames.osdp.events import KINDS, Event, Kind, Level
from benchtool.frames.osdp.keys import KEY_WORDS
from benchtool.measure.osdp_watch import EventCount, Seen, WatchFigures

if TYPE_CHECKING:
    from benchtool.frames.osdp.channel_state import ChannelFigures

LEVEL_WORDS = {Level.NOTE: "note", Level.FAULT: "FAULT", Level.SECURITY: "SECURITY"}
_ORDER = (Level.SECURITY, Level.FAULT, Level.NOTE)
_STANDING_WORDS = {
    "verified": "MAC ok",
    "refused": "MAC WRONG",
    "lost": "MAC ?",
    "no-key": "no key",
    "start-not-heard": "no key",
}
_STATE_WORDS = {
    "none": "none now",
    "starting": "starting",
    "open": "open",
    "unreadable": "secured, cannot be read here",
    "lost": "open, but a frame was missed here",
}
_INDENT = " " * 12
_SHOWN_EVENTS = 3


def meaning_of(frame: Frame, seen: Seen) -> Meaning:
    """The frame in words, decrypted where it could be."""
    opened = seen.sight.opened if seen.sight is not None else None
    if opened is None or (opened.fault is not None and not opened.data):
        return explain(frame)
    return explain(frame, opened.data)


def line_meaning(meaning: Meaning, seen: Seen) -> Meaning:
    """For one line: what the MAC says stands in the title, security block and MAC are left out where it is right."""
    if seen.sight is None:
        return meaning
    word = _STANDING_WORDS.get(seen.sight.standing.value)
    if word is None:
        return meaning
    left_out = ("security_block", "mac")
    fields = tuple(field for field in meaning.fields if word != "MAC ok" or field.name not in left_out)
    return replace(meaning, title=f"{meaning.title} [{word}]", fields=fields)


def security_object(seen: Seen) -> dict[str, Any] | None:
    """What `frame` lines of `--json` say of the secure channel; None where there was none at this address."""
    sight = seen.sight
    if sight is None:
        return None
    fault = sight.opened.fault if sight.opened is not None else None
    return {
        "standing": sight.standing.value,
        "key": sight.key.value if sight.key is not None else None,
        "fault": fault.value if fault is not None else None,
    }


def event_line(event: Event, *, width: int | None = None, last: bool = False) -> str:
    """One line in the columns of the frames: time, address, level, what happened."""
    text = event.text() + (" (more of these are only counted)" if last else "")
    line = f"{event.t_ns / 1e9 + 0.0:9.4f} {'':>8} {f'*  {event.address}':<6} {LEVEL_WORDS[event.row.level]:<9} {text}"
    return line if width is None or len(line) <= width else line[: width - 1] + "…"


class EventLines:
    """Lines of events, the first three of a kind at each address; the summary counts them all."""

    def __init__(self) -> None:
        self._shown: dict[tuple[Kind, int], int] = {}

    def line(self, event: Event, *, width: int | None = None) -> str | None:
        """The line, or None where so many were shown."""
        key = event.kind, event.address
        count = self._shown[key] = self._shown.get(key, 0) + 1
        return event_line(event, width=width, last=count == _SHOWN_EVENTS) if count <= _SHOWN_EVENTS else None


def event_object(event: Event) -> dict[str, Any]:
    """An event for `--json` (docs/json.md)."""
    row = event.row
    return {
        "kind": "event",
        "t": event.t_ns / 1e9,
        "address": event.address,
        "event": event.kind.value,
        "level": row.level.value,
        "title": row.title,
        "detail": event.detail,
        "clause": row.clause,
        "mend": row.mend or None,
        "numbers": dict(event.numbers),
    }


def _channel_text(channel: ChannelFigures) -> str:
    if channel.key is not None:
        key = f"with {KEY_WORDS[channel.key]}"
    elif channel.claimed_default is None:
        key = "start not heard"
    else:
        key = f"its start names {'the default key' if channel.claimed_default else 'an installed key'}"
    if not channel.sessions and not channel.verified and not channel.unreadable and not channel.refused:
        return f"address {channel.address}: no session came about ({key})"
    counts = f"{channel.verified} frames verified"
    for count, word in (
        (channel.refused, "with a wrong MAC"),
        (channel.unreadable, "not readable"),
        (channel.bridged, "missed and made up for"),
    ):
        if count:
            counts += f", {count} {word}"
    state = _STATE_WORDS[channel.state.value]
    return f"address {channel.address}: {state}, {key}; {channel.sessions} start(s), {counts}"


def _in_order(counts: Sequence[EventCount]) -> list[EventCount]:
    return sorted(counts, key=lambda one: (_ORDER.index(KINDS[one.kind].level), one.first.t_ns))


def figures_text(figures: WatchFigures) -> list[str]:
    """What was noticed, gravest first, with what to do; and each secure channel. Empty where there was nothing."""
    lines: list[str] = []
    if figures.channels:
        lines += ["", "secure channels:"]
        lines += [f"  {_channel_text(channel)}" for channel in figures.channels]
    if figures.events:
        lines += ["", "noticed in the OSDP traffic:"]
    by_kind: dict[object, list[EventCount]] = {}
    for count in _in_order(figures.events):
        by_kind.setdefault(count.kind, []).append(count)
    for counts in by_kind.values():
        row = KINDS[counts[0].kind]
        placed = sorted(counts, key=lambda one: one.address)
        where = ", ".join(f"{one.address} (×{one.count})" if one.count > 1 else f"{one.address}" for one in placed)
        detail = (
            f": {counts[0].first.detail}"
            if len(counts) == 1 and counts[0].count == 1 and counts[0].first.detail
            else ""
        )
        lines.append(f"  {LEVEL_WORDS[row.level]:<9} {row.title}{detail}; address {where}")
        if row.mend:
            lines.append(f"{_INDENT}to do: {row.mend}")
    if figures.not_judged:
        rules = "; ".join(KINDS[kind].title for kind in figures.not_judged)
        lines += ["", f"not judged, since times are too coarse at this tap: {rules}"]
    return lines


def figures_object(figures: WatchFigures) -> dict[str, Any]:
    """The same for `--json`."""
    return {
        "events": [
            {
                "event": one.kind.value,
                "level": KINDS[one.kind].level.value,
                "address": one.address,
                "count": one.count,
                "first": one.first.t_ns / 1e9,
            }
            for one in _in_order(figures.events)
        ],
        "not_judged": [kind.value for kind in figures.not_judged],
        "secure_channels": [
            {
                "address": channel.address,
                "state": channel.state.value,
                "key": channel.key.value if channel.key is not None else None,
                "claims_default_key": channel.claimed_default,
                "starts": channel.sessions,
                "verified": channel.verified,
                "refused": channel.refused,
                "unreadable": channel.unreadable,
                "bridged": channel.bridged,
            }
            for channel in figures.channels
        ],
    }
