"""What a survey found, as lines for a person and as objects for `--json`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Any

from benchtool.frames.osdp.codes import NAK_TEXT
from benchtool.frames.osdp.words import capability_records, capability_text
from benchtool.reports.frame_text import milliseconds
from benchtool.simulate.osdp_survey import Answers


@dataclass(frozen=True, slots=True)
class Row:
    """One address at one bit rate, with what an expected list says of it."""

    baud: int
    answers: Answers
    name: str = ""
    expected: bool | None = None
    """None where there is no list."""
    differences: tuple[str, ...] = ()


@dataclass(slots=True)
class Survey:
    """All of it."""

    rows: list[Row] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    asked: int = 0
    """Addresses asked to the end, over all bit rates."""
    wanted: int = 0
    """Addresses that were to be asked, over all bit rates."""
    done: dict[int, list[int]] = field(default_factory=dict)
    """By bit rate, the addresses that were asked to the end."""
    char_format: str = "8N1"
    """What the line was set to at every rate."""
    complete: bool = True
    resolution_ns: int = 0
    """How fine the times of the replies are."""

    @property
    def wrong(self) -> bool:
        """Whether anything wants to be mended: a clash, damaged answers, a difference, a device missing or too many."""
        return bool(self.missing) or any(
            row.answers.clash or row.answers.garbled or row.differences or row.expected is False for row in self.rows
        )


def identity_parts(identity: bytes) -> dict[str, Any]:
    """PDID taken apart (sheet 5.5)."""
    return {
        "oui": identity[:3].hex().upper(),
        "model": identity[3],
        "version": identity[4],
        "serial": int.from_bytes(identity[5:9], "little"),
        "firmware": ".".join(str(part) for part in identity[9:12]),
    }


def remarks(row: Row) -> list[str]:
    """What is to be said of an address, with the mend."""
    at = row.answers
    out = []
    if at.clash:
        who = " and ".join(f"serial {identity_parts(one)['serial']}" for one in at.identities)
        seen = f"two identities ({who})" if len(at.identities) > 1 else f"{at.doubled} questions got two replies"
        out.append(f"TWO DEVICES at this address: {seen}; take one off, give it another address, put it back")
    elif at.doubtful:
        out.append(
            f"{at.garbled} of {at.asked} answers were damaged: two devices at this address that talk at once, or a bad "
            "line; take one off and survey again, or run benchtool diagnose"
        )
    elif at.garbled:
        out.append(f"{at.garbled} of {at.asked} answers were damaged: run benchtool diagnose")
    if at.silent and at.there:
        out.append(f"{at.silent} of {at.asked} questions were not answered")
    if at.nak is not None:
        out.append(f"refused to say what it is: {NAK_TEXT.get(at.nak, f'NAK {at.nak:02X}')}")
    if at.default_key:
        out.append("takes the default key, which everybody knows: set a key of its own")
    if at.tamper:
        out.append("its case is open (tamper)")
    if at.power_failed:
        out.append("its supply fails")
    if row.expected is False:
        out.append("is not in the list")
    out += row.differences
    return out


def _heads(survey: Survey) -> list[str]:
    """How many answer: only sound replies are answers."""
    answering = sum(row.answers.sound > 0 for row in survey.rows)
    damaged = len(survey.rows) - answering
    lines = [f"{answering} of {survey.asked} addresses answer"]
    if damaged:
        lines.append(f"at {damaged} more octets came, and no sound reply among them")
    if not survey.complete:
        lines[0] += " (stopped early)"
        if survey.wanted > survey.asked:
            lines.append(f"not asked, or not to the end: {survey.wanted - survey.asked} of {survey.wanted} addresses")
    return lines


def survey_text(survey: Survey) -> list[str]:
    """The whole result for a person."""
    lines = _heads(survey)
    for row in survey.rows:
        at = row.answers
        lines.append("")
        name = f" {row.name}" if row.name else ""
        times = f", replies after {_times(at.latencies_ns, survey.resolution_ns)}" if at.latencies_ns else ""
        told = f"{at.sound} of {at.asked} questions got a sound reply"
        lines.append(f"address {at.address}{name} at {row.baud} bit/s: {told}{times}")
        for identity in at.identities:
            parts = identity_parts(identity)
            lines.append(
                f"  maker {parts['oui']}, model {parts['model']}, version {parts['version']}, "
                f"serial {parts['serial']}, firmware {parts['firmware']}"
            )
        if at.capabilities is not None:
            lines.append(f"  {'; '.join(capability_text(*record) for record in capability_records(at.capabilities))}")
        lines += [f"  ! {text}" for text in remarks(row)]
    if survey.missing:
        lines.append("")
        lines += [f"! missing: {text}" for text in survey.missing]
    if not survey.rows:
        lines.append(
            "nobody answers: is the supply on, the pair right, the rate the devices'? (--bauds 9600,19200,38400,115200)"
        )
    return lines


def survey_object(survey: Survey) -> dict[str, Any]:
    """The whole result for a script (docs/json.md)."""
    return {
        "kind": "survey",
        "asked": survey.asked,
        "wanted": survey.wanted,
        "complete": survey.complete,
        "resolution": survey.resolution_ns / 1e9,
        "wrong": survey.wrong,
        "rates": [
            {"baud": baud, "format": survey.char_format, "addresses": addresses}
            for baud, addresses in survey.done.items()
        ],
        "devices": [row_object(row) for row in survey.rows],
        "missing": survey.missing,
    }


def row_object(row: Row) -> dict[str, Any]:
    """One address for a script."""
    at = row.answers
    return {
        "address": at.address,
        "baud": row.baud,
        "name": row.name or None,
        "asked": at.asked,
        "sound": at.sound,
        "garbled": at.garbled,
        "doubled": at.doubled,
        "silent": at.silent,
        "clash": at.clash,
        "identities": [identity_parts(identity) for identity in at.identities],
        "capabilities": None
        if at.capabilities is None
        else [
            {"function": function, "compliance": compliance, "number": number}
            for function, compliance, number in capability_records(at.capabilities)
        ],
        "tamper": at.tamper,
        "power_failed": at.power_failed,
        "default_key": at.default_key,
        "nak": at.nak,
        "reply_ms": {
            "least": min(at.latencies_ns) / 1e6,
            "median": median(at.latencies_ns) / 1e6,
            "most": max(at.latencies_ns) / 1e6,
        }
        if at.latencies_ns
        else None,
        "expected": row.expected,
        "differences": list(row.differences),
        "remarks": remarks(row),
    }


def _times(latencies_ns: Sequence[int], resolution_ns: int) -> str:
    least, most, middle = (
        milliseconds(round(value), resolution_ns)
        for value in (min(latencies_ns), max(latencies_ns), median(latencies_ns))
    )
    return f"{least} ms" if least == most else f"{least} to {most} ms, median {middle}"
