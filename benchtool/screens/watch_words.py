"""The state of a bus in plain sentences: what a person at arm's length needs to read first."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from functools import lru_cache

from benchtool.capture.chunk import LineErrors, TapInfo
from benchtool.diagnose.finding import Cause, Diagnosis, Finding
from benchtool.reports.diagnosis_text import sure, undecided
from benchtool.screens.watch_devices import DeviceLine, State
from benchtool.screens.watch_strip import Rates

_QUIET_NS = 3_000_000_000
_S = 1_000_000_000
_NAMED = 4


def _addresses(devices: Sequence[DeviceLine]) -> str:
    named = ", ".join(str(device.address) for device in devices[:_NAMED])
    return named + (f" and {len(devices) - _NAMED} more" if len(devices) > _NAMED else "")


_STATE_WORDS = (
    (State.SILENT, "silent"),
    (State.DAMAGED, "damaged"),
    (State.UNSTEADY, "missing some replies"),
    (State.SLOW, "slow"),
)


_ALL = {1: "the one device asked answers", 2: "both devices answer"}


def state_sentence(
    now_ns: int, began_ns: int, heard_ns: int | None, rates: Rates, devices: Sequence[DeviceLine], ended: str
) -> str:
    """One sentence. `heard_ns`: when the last octet came, None if none did; `ended`: why nothing more comes."""
    if heard_ns is None and ended:
        return f"{ended}. Nothing was heard."
    if heard_ns is None:
        waited = (now_ns - began_ns) / _S
        if waited < 3:
            return "Listening: nothing heard yet."
        return f"Nothing heard for {waited:.0f} s: is the controller on, and the clip on the right pair?"
    if now_ns - heard_ns > _QUIET_NS and not ended:
        return f"Fell silent: the last octet came {(now_ns - heard_ns) / _S:.0f} s ago."
    frames = rates.sound + rates.damaged
    if rates.octets and frames and not rates.sound:
        return "Octets come, but no sound frame: rate, format or a reversed pair, or an unknown bus."
    damaged = rates.damaged / frames if frames else 0.0
    lively = [device for device in devices if device.state is not State.NOT_ASKED]
    answering = [device for device in lively if device.state is not State.SILENT]
    replying = [device for device in answering if any(isinstance(one, int) for one in device.history)]
    if not lively:
        head = "Alive, but nobody is being asked" if rates.sound else "Listening: the first octets have come"
    elif not answering:
        whom = f"none of {len(lively)} devices answers" if len(lively) > 1 else "the one device asked does not answer"
        head = f"Somebody asks, but {whom}"
    elif not replying:
        head = "Somebody asks, but only damage comes back"
    elif len(replying) == len(lively):
        head = f"Alive: {_ALL.get(len(lively), f'all {len(lively)} devices answer')}"
    else:
        head = f"Alive: {len(replying)} of {len(lively)} devices answer"
    parts = [head]
    for state, word in _STATE_WORDS:
        those = [device for device in lively if device.state is state]
        if those and replying:
            whose = "all of them" if len(those) == len(lively) > 1 else f"address {_addresses(those)}"
            parts.append(f"{whose} {word}")
    if damaged >= 0.005:
        parts.append(f"{damaged:.0%} of frames damaged")
    sentence = f"{'; '.join(parts)}."
    return f"{ended}. {sentence}" if ended else sentence


def headline(finding: Finding) -> str:
    """The cause and its place."""
    at = "on the" if finding.place.startswith("segment") else "at"
    return finding.cause.value + ("" if finding.place in ("bus", "tap") else f" {at} {finding.place}")


def finding_sentence(diagnosis: Diagnosis | None) -> str:
    """The leading finding and how sure."""
    if diagnosis is None:
        return "No finding yet: one is worked out once there is something to go by."
    first = diagnosis.findings[0]
    share = f"{first.probability:.0%}, {sure(first.probability)}"
    if first.cause is Cause.NONE_OF_THESE:
        return f"Finding: none; what was heard fits no cause that is known here ({share}). {first.summary}"
    if undecided(diagnosis):
        return f"No finding is sure yet; first guess: {headline(first)} ({share})."
    return f"Finding: {headline(first)} ({share}). {first.summary}"


def unseen(info: TapInfo) -> str:
    """What this adapter cannot see, in one line; what it can where that is everything."""
    parts = []
    if info.line_errors is LineErrors.UNAVAILABLE:
        parts.append("line errors (so none shown proves nothing)")
    elif info.line_errors is LineErrors.COUNTED:
        parts.append("which octet a line error was on")
    if info.resolution_ns:
        parts.append(f"times under {info.resolution_ns / 1e6:g} ms")
    return f"Not seen here: {', '.join(parts)}" if parts else "Line errors and exact times are seen here"


_COLUMN = re.compile(r".{1,20}\s{3,}(?=\S)")


def wrapped(lines: Sequence[str], width: int) -> list[str]:
    """A text for a screen that may be narrower than it was written for: indents and a first column are kept."""
    made: list[str] = []
    for line in lines:
        if len(line) <= width:
            made.append(line)
            continue
        body = line.lstrip(" ")
        indent = min(len(line) - len(body), max(0, width - 20))
        more = indent + (2 if body[:2] in ("- ", "> ", "! ", "= ") or body[:2].rstrip(".").isdigit() else 0)
        if (column := _COLUMN.match(body)) is not None and indent + column.end() < width // 2:
            more = indent + column.end()
        made += textwrap.wrap(
            body, width, initial_indent=" " * indent, subsequent_indent=" " * more, break_on_hyphens=False
        )
    return made


@lru_cache(maxsize=64)
def rows_of(text: str, width: int) -> tuple[str, ...]:
    """One sentence in rows, at least one: most are painted many times before they change."""
    return tuple(wrapped([text], width)) or ("",)
