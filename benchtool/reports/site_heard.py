"""Captures on the hand-over page: how long was listened, what each device answered, which error rate may be claimed.

Limits at 95 % are those of `install/confidence.py` (Poisson). What the tap could not see is said.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from benchtool.capture.chunk import LineErrors, TapInfo
from benchtool.frames.frame import Protocol
from benchtool.install.record import Bus
from benchtool.install.view import View
from benchtool.measure.tally import AddressFigures, Figures
from benchtool.reports.frame_text import milliseconds
from benchtool.reports.site_tables import Part, Table
from benchtool.reports.site_words import at_most, several

_PROTOCOLS = {
    "osdp": {Protocol.OSDP},
    "modbus-rtu": {Protocol.MODBUS_RTU},
    "modbus-ascii": {Protocol.MODBUS_ASCII},
}


@dataclass(frozen=True, slots=True)
class Heard:
    """A capture that was read through."""

    file: str
    bus: Bus | None
    """The bus it was taken at; None where the record holds none."""
    info: TapInfo
    figures: Figures
    day: str = ""
    """When it was recorded, if the file says."""
    notices: tuple[str, ...] = ()
    """What was wrong with the file."""


@dataclass(frozen=True, slots=True)
class HeardPart:
    """What the page shows of a capture."""

    title: str
    facts: tuple[tuple[str, str], ...]
    table: Table
    notes: tuple[str, ...]


def heard_part(view: View, heard: Heard) -> HeardPart:
    """The capture's figures with the names of the record."""
    bus, figures = heard.bus, heard.figures
    names = _names(view, bus)
    wanted = _PROTOCOLS.get((bus.protocol if bus is not None else None) or "")
    rows = [row for row in figures.addresses if row.requests or row.unasked]
    spoken = [row for row in rows if figures.frames_ok.get(row.protocol)]
    cells = tuple(_row(row, names, figures.resolution_ns) for row in spoken)
    heads = (
        "Addr.",
        "Device",
        "Asked",
        "Answered",
        "No answer",
        "Damaged",
        "Failed, at most (95 %)",
        "Reply: median",
        "99 %",
    )
    table = Table(heads, (Part(cells),), (7, 27, 9, 10, 9, 9, 11, 9, 9), numbers=frozenset(range(2, 9)) | {0})
    title = f"{heard.file}{f' on {view.called(bus.id)}' if bus is not None else ''}"
    notes = [*heard.notices]
    if figures.octets == 0:
        notes.append("Nothing was heard.")
    elsewhere = Counter(row.protocol.value for row in spoken if wanted is not None and row.protocol not in wanted)
    for protocol, count in elsewhere.items():
        heard_at = several(count, "address", "addresses")
        notes.append(f"The record says {bus.protocol if bus else ''}; {protocol} was heard at {heard_at}.")
    asked = {row.address for row in spoken if row.requests and (wanted is None or row.protocol in wanted)}
    mute = [
        f"{names.get(row.address, 'not in the record')} (address {row.address})"
        for row in spoken
        if row.requests and not row.answered and not _for_all(row.protocol, row.address)
    ]
    if mute:
        notes.append(f"Never answered soundly: {', '.join(mute)}.")
    quiet = [f"{name} (address {address})" for address, name in sorted(names.items()) if address not in asked]
    if quiet:
        notes.append(f"In the record, but never asked in this capture, so nothing is said of them: {', '.join(quiet)}.")
    for_all = {row.address for row in spoken if _for_all(row.protocol, row.address)}
    foreign = sorted(asked - names.keys() - for_all)
    if bus is not None and foreign:
        notes.append(f"Asked, but not in the record: {', '.join(f'address {one}' for one in foreign)}.")
    if figures.resolution_ns >= 1_000_000:
        notes.append(f"Times are no finer than {figures.resolution_ns / 1e6:g} ms at this tap.")
    if figures.unproved:
        notes.append("No check value is known here, so damage inside frames is not seen.")
    return HeardPart(title, _facts(heard), table, tuple(notes))


def _names(view: View, bus: Bus | None) -> dict[int, str]:
    """Names of a bus's devices by address; where two have one address, both."""
    found: dict[int, str] = {}
    for device in bus.device if bus is not None else ():
        if device.address is not None and device.kind != "controller":
            name = view.called(device.id)
            found[device.address] = f"{found[device.address]} / {name}" if device.address in found else name
    return found


def _for_all(protocol: Protocol, address: int) -> bool:
    return address == (127 if protocol is Protocol.OSDP else 0)


def _row(row: AddressFigures, names: dict[int, str], resolution_ns: int) -> tuple[str, ...]:
    for_all = _for_all(row.protocol, row.address)
    failed, tried = row.silent + row.damaged, row.answered + row.silent + row.damaged
    limit = "-" if for_all or not tried else at_most(failed, tried)
    name = names.get(row.address, "to all devices" if for_all else "not in the record")
    return (
        str(row.address),
        name,
        str(row.requests),
        str(row.answered),
        str(row.silent),
        str(row.damaged),
        limit,
        *(
            f"{milliseconds(value, resolution_ns)} ms" if row.latency.count else "-"
            for value in (row.latency.median_ns, row.latency.p99_ns)
        ),
    )


def _facts(heard: Heard) -> tuple[tuple[str, str], ...]:
    figures = heard.figures
    blind = figures.line_errors is LineErrors.UNAVAILABLE
    marks = ", ".join(f"{count} {name}" for name, count in figures.marks.items() if count) or "none"
    frames = figures.sound + figures.damaged
    facts = [
        (
            "listened",
            f"{figures.elapsed_ns / 1e9:.1f} s at {heard.info.settings}{f', {heard.day}' if heard.day else ''}",
        ),
        ("bus load", f"{100 * figures.bus_load:.1f} %"),
        ("sound frames", ", ".join(f"{count} {one.value}" for one, count in figures.frames_ok.items()) or "none"),
        ("damaged frames and spans", str(figures.damaged)),
        ("share of damaged frames, at most (95 %)", at_most(figures.damaged, frames)),
        ("line errors", "cannot be seen at this tap: none shown proves nothing" if blind else marks),
    ]
    if figures.gaps:
        facts.insert(1, ("of that not heard", f"{figures.deaf_ns / 1e9:.1f} s in {several(figures.gaps, 'gap')}"))
    return tuple(facts)
