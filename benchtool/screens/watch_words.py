"""The state of a bus in plain sentences: what a person at arm's length needs to read first."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

from benchtool.capture.chunk import LineErrors, TapInfo
from benchtool.diagnose.finding import Cause, Diagnosis, Finding
from benchtool.reports.diagnosis_text import sure, undecided
from benchtool.screens.watch_devices import DeviceLine, State
from benchtool.screens.watch_strip import Rates

_QUIET_NS = 3_000_000_000
_S = 1_000_000_000
_NAMED = 4
SURE = 0.95
"""From here on a cause is practically certain, and is mended rather than measured."""
_CAUTION = "Caution: "
_WORTH_SAYING = 0.005
"""Shares of damaged frames below this are not told."""
_MUCH = 0.2
"""From this share on damage is the first word (judgement)."""


def _addresses(devices: Sequence[DeviceLine]) -> str:
    named = [str(device.address) for device in devices[:_NAMED]]
    if len(devices) > _NAMED:
        named.append(f"{len(devices) - _NAMED} more")
    listed = " and ".join([", ".join(named[:-1]), named[-1]] if len(named) > 1 else named)
    return f"address{'es' * (len(devices) > 1)} {listed}"


_STATE_WORDS = (
    (State.SILENT, "{} is silent", "{} are silent", "silent"),
    (State.DAMAGED, "damage from {}", "damage from {}", "with damage"),
    (State.UNSTEADY, "{} misses some replies", "{} miss some replies", "missing some replies"),
    (State.SLOW, "{} is slow", "{} are slow", "slowly"),
)
"""Said of one, of several, and of all after it was said that they answer."""


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
        when = f"{ended}. Octets came" if ended else "Octets come"
        return f"{when}, but no sound frame: rate, format or a reversed pair, or an unknown bus."
    lively, answering, replying = _by_answers(devices)
    if not lively:
        head = "Alive, but nobody is being asked" if rates.sound else "Listening: the first octets have come"
    elif (wrong := _no_answers(lively, answering, replying)) is not None:
        head = f"Somebody asks, but {wrong}"
    else:
        # A bus on which much is damaged is not what people call alive.
        begun = "Damage" if _damage(rates) >= _MUCH else "Alive"
        head = (
            f"{begun}: {_ALL.get(len(lively), f'all {len(lively)} devices answer')}"
            if len(replying) == len(lively)
            else f"{begun}: {len(replying)} of {len(lively)} devices answer"
        )
    parts = [head, *_faults(rates, lively, replying)]
    sentence = f"{'; '.join(parts)}."
    return f"{ended}. {sentence}" if ended else sentence


def trouble(rates: Rates, devices: Sequence[DeviceLine]) -> str:
    """What of that sentence is a fault, in its own words; empty where none is."""
    lively, answering, replying = _by_answers(devices)
    wrong = _no_answers(lively, answering, replying) if lively else None
    if wrong is None and rates.octets and rates.damaged and not rates.sound:
        wrong = "no frame is sound"
    return "; ".join([*([] if wrong is None else [wrong]), *_faults(rates, lively, replying)])


def _by_answers(devices: Sequence[DeviceLine]) -> tuple[list[DeviceLine], list[DeviceLine], list[DeviceLine]]:
    """Those that are asked; of them those that are not silent; of them those that answered soundly lately."""
    lively = [device for device in devices if device.state is not State.NOT_ASKED]
    answering = [device for device in lively if device.state is not State.SILENT]
    return lively, answering, [one for one in answering if any(isinstance(latency, int) for latency in one.history)]


def _no_answers(
    lively: Sequence[DeviceLine], answering: Sequence[DeviceLine], replying: Sequence[DeviceLine]
) -> str | None:
    if not answering:
        return f"none of {len(lively)} devices answers" if len(lively) > 1 else "the one device asked does not answer"
    return None if replying else "only damage comes back"


def _damage(rates: Rates) -> float:
    """Share of the frames, 0 to 1."""
    return rates.damaged / max(rates.sound + rates.damaged, 1e-9)


def _faults(rates: Rates, lively: Sequence[DeviceLine], replying: Sequence[DeviceLine]) -> list[str]:
    parts = []
    for state, one, many, every in _STATE_WORDS if replying else ():
        those = [device for device in lively if device.state is state]
        if len(those) == len(lively) > 1:
            parts.append(f"all of them {every}")
        elif those:
            parts.append((one if len(those) == 1 else many).format(_addresses(those)))
    if (damaged := _damage(rates)) >= _WORTH_SAYING:
        parts.append(f"{damaged:.0%} of frames damaged")
    return parts


def headline(finding: Finding) -> str:
    """The cause and its place."""
    at = "on the" if finding.place.startswith("segment") else "at"
    return finding.cause.value + ("" if finding.place in ("bus", "tap") else f" {at} {finding.place}")


def finding_sentence(diagnosis: Diagnosis | None, wrong: str = "") -> str:
    """The leading finding and how sure, the share first: where a line is cut, it is cut behind that.

    `wrong`: the fault that is plain to see (`trouble`). Beside it nobody is told that all is well.
    """
    if diagnosis is None:
        return "No finding yet. One is worked out once there is something to go by."
    first = diagnosis.findings[0]
    if wrong and first.cause is Cause.HEALTHY:
        return f"No finding is sure yet: {wrong}."
    if undecided(diagnosis):
        return f"No finding is sure yet; first guess {_guess(first)}, {sure(first.probability)}."
    return f"Finding {_guess(first)}, {sure(first.probability)}. {first.summary}"


def finding_in_short(diagnosis: Diagnosis | None, wrong: str = "") -> str:
    """The same in fewest words: the share and the cause."""
    if diagnosis is None:
        return "No finding yet."
    if wrong and diagnosis.findings[0].cause is Cause.HEALTHY:
        return "No finding is sure yet."
    return f"{'First guess' if undecided(diagnosis) else 'Finding'} {_guess(diagnosis.findings[0])}."


def _guess(finding: Finding) -> str:
    none = finding.cause is Cause.NONE_OF_THESE
    return f"{finding.probability:.0%}: {'no cause that is known here fits' if none else headline(finding)}"


class Todo(NamedTuple):
    """What the person does next."""

    head: str
    """`Next` for what to measure, `Do` for what mends it."""
    do: str
    name: str
    """As the result is typed; empty where there is none to type."""
    caution: str


_BY_SETTING = (Cause.BAUD_WRONG, Cause.FORMAT_WRONG)
"""Mended by listening otherwise, which is what comes next anyway."""


def next_thing(diagnosis: Diagnosis | None) -> Todo:
    """The next measurement; where a cause is practically certain, its mend instead, caution first."""
    if diagnosis is None:
        return Todo("Next", "", "", "")
    first = diagnosis.findings[0]
    mend = [text for text in first.todo if not text.startswith(_CAUTION)]
    if first.probability >= SURE and first.cause not in (Cause.HEALTHY, Cause.NONE_OF_THESE, *_BY_SETTING) and mend:
        before = first.todo[: first.todo.index(mend[0])]
        return Todo("Do", mend[0], "", " ".join(text.removeprefix(_CAUTION) for text in before))
    if not diagnosis.next:
        return Todo("Next", "", "", "")
    step = diagnosis.next[0]
    return Todo("Next", step.do, step.name, step.caution)


def unseen(info: TapInfo) -> str:
    """What this adapter cannot see, in one line; what it can where that is everything."""
    parts = []
    if info.line_errors is LineErrors.UNAVAILABLE:
        parts.append("line errors (0 proves nothing)")
    elif info.line_errors is LineErrors.COUNTED:
        parts.append("the octet of a line error")
    if info.resolution_ns:
        parts.append(f"times < {info.resolution_ns / 1e6:g} ms")
    return f"Not seen: {', '.join(parts)}" if parts else "Line errors and exact times are seen here"


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
