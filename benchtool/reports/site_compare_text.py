"""A comparison of record and wire as lines for a person and as the object that `site compare --json` prints."""

from __future__ import annotations

from typing import Any

from benchtool.install.compare import Compared
from benchtool.install.compare_difference import Difference, Pairing, Proposal
from benchtool.install.compare_failures import most_failing
from benchtool.install.compare_found import AsFound, FoundDevice, Way
from benchtool.install.load import Loaded
from benchtool.install.places import words_of
from benchtool.install.record import Device
from benchtool.install.rule import Severity
from benchtool.install.schema import slots_of
from benchtool.install.view import View
from benchtool.reports.folded import wrap

_KEY_WORDS = {None: "?", "none": "clear", "default": "DEFAULT", "own": "own"}


def compare_text(compared: Compared) -> list[str]:
    """The whole comparison."""
    sides = compared.sides
    lines = [*wrap(_head(compared), ""), "", _count(compared)]
    for number, one in enumerate(compared.differences, 1):
        lines += difference_text(number, one, sides.view.loaded)
    if not compared.differences:
        lines.append("none: what could be compared is as recorded")
    rows = _table(compared)
    if rows:
        lines += ["", "AS FOUND", *rows]
    if compared.not_compared:
        lines += ["", "NOT COMPARED"]
        lines += [line for text in compared.not_compared for line in wrap(f"{text}.", "- ")]
    return lines


def _head(compared: Compared) -> str:
    sides = compared.sides
    found = sides.found
    bus = sides.view.called(sides.trunk.bus.id)
    how = "a survey" if found.way is Way.SURVEYED else f"{found.seconds:.1f} s of listening"
    answering = sum(one.there for one in found.devices)
    said = f"{sides.view.record.site.name}, bus {bus}, held against {found.tap} ({how})"
    return f"{said}: {len(sides.recorded)} devices recorded, {answering} addresses answer."


def _count(compared: Compared) -> str:
    parts = []
    for severity in Severity:
        count = sum(one.severity is severity for one in compared.differences)
        if count:
            parts.append(f"{count} {severity.value}{'' if count == 1 else 's'}")
    return f"DIFFERENCES{': ' if parts else ''}{', '.join(parts)}"


def difference_text(number: int, one: Difference, loaded: Loaded) -> list[str]:
    """One difference: what, evidence, mend, edits."""
    lines = [f"{number}. {one.severity.value.upper()}: {one.id}", *wrap(one.sentence, "   ")]
    lines += [line for text in one.evidence for line in wrap(text, "   - ")]
    lines += wrap(one.mend, "   > ") if one.mend else []
    for edit in one.edits:
        lines += wrap(edit_words(edit, loaded), "   = record: ", "     ")
    return lines


def edit_words(edit: Proposal, loaded: Loaded) -> str:
    """`line 42: bus 1, device 3, address = 4 (now 5)`; an entry with all its fields."""
    if isinstance(edit.value, Device):
        said = ", ".join(f"{name} = {value!r}" for name, value in entry_fields(edit.value).items())
        return f"{words_of(edit.path)}, a new entry at the end: {said}; doubtful: {edit.doubt}"
    line = loaded.line(*edit.path)
    place = f"line {line}: " if line is not None else ""
    now = "not noted now" if edit.was is None else f"now {edit.was}"
    return f"{place}{words_of(edit.path)} = {edit.value} ({now})" + (f"; doubtful: {edit.doubt}" if edit.doubt else "")


def entry_fields(device: Device) -> dict[str, Any]:
    """What an entry says, without what is not known."""
    return {slot.name: value for slot in slots_of(Device) if (value := getattr(device, slot.name)) != slot.default}


def _table(compared: Compared) -> list[str]:
    """Each device of the record with what answers as it, then who else answers."""
    sides, matched = compared.sides, compared.matched
    if not sides.found.sound:
        return []
    rows = [_row(sides.view.called(one.device.id), one, sides.found) for one in matched.pairings]
    rows += [
        _row("(not in the record)", Pairing((), Device(id="", kind="other"), one), sides.found)
        for one in matched.strangers
    ]
    heads = ("device", "noted", "at", "asked", "failed", "at most", "serial", "key")
    widths = [max(len(row[at]) for row in (heads, *rows)) for at in range(len(heads))]
    widths[0] = min(widths[0], 30)
    return [
        "  ".join(
            cell[:width].ljust(width) if at in (0, len(heads) - 1) else cell.rjust(width)
            for at, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in (heads, *rows)
    ]


def _row(name: str, pairing: Pairing, heard: AsFound) -> tuple[str, ...]:
    noted = "-" if pairing.device.address is None else str(pairing.device.address)
    found = pairing.found
    if found is None:
        here = () if pairing.device.address is None else heard.at(pairing.device.address)
        silent = [one for one in here if one.requests and not one.there]
        asked, failed = (sum(one.requests for one in silent), sum(one.failed for one in silent))
        return (name, noted, "-", str(asked) if silent else "", str(failed) if silent else "", "", "", "")
    limit = most_failing(found)
    serial = ", ".join(str(one.serial) for one in found.identities) or "?"
    key = _KEY_WORDS[None if found.key is None else found.key.value]
    most = "" if limit is None else f"{100 * limit:.2g} %" if limit < 0.995 else "100 %"
    return (name, noted, str(found.address), str(found.requests), str(found.failed), most, serial, key)


def compare_object(compared: Compared) -> dict[str, Any]:
    """The same for a script (docs/site-compare.md)."""
    sides = compared.sides
    found = sides.found
    return {
        "kind": "site-compare",
        "site": sides.view.record.site.name,
        "bus": sides.trunk.bus.id,
        "tap": found.tap,
        "way": found.way.value,
        "seconds": found.seconds,
        "octets": found.octets,
        "sound": found.sound,
        "complete": found.complete,
        "protocol": found.protocol,
        "baud": found.baud,
        "format": None if found.format is None else str(found.format),
        "wrong": compared.wrong,
        "differences": [_difference_object(one, sides.view) for one in compared.differences],
        "not_compared": list(compared.not_compared),
        "devices": [
            {**device_names(sides.view, one.device), "found": None if one.found is None else _found_object(one.found)}
            for one in compared.matched.pairings
        ],
        "strangers": [_found_object(one) for one in compared.matched.strangers],
    }


def device_names(view: View, device: Device) -> dict[str, Any]:
    """A device of the record as `--json` names it."""
    door = view.find(device.door, "door")
    return {
        "id": device.id,
        "name": device.name,
        "door": None if door is None else door.name,
        "address": device.address,
    }


def _difference_object(one: Difference, view: View) -> dict[str, Any]:
    return {
        "id": one.id,
        "severity": one.severity.value,
        "sentence": one.sentence,
        "devices": [device_names(view, device) for name in one.devices if (device := view.find(name, "device"))],
        "addresses": list(one.addresses),
        "evidence": list(one.evidence),
        "numbers": dict(one.numbers),
        "mend": one.mend or None,
        "edits": [
            {
                "line": view.loaded.line(*edit.path),
                "field": words_of(edit.path),
                "was": edit.was,
                "value": entry_fields(edit.value) if isinstance(edit.value, Device) else edit.value,
                "doubt": edit.doubt or None,
            }
            for edit in one.edits
        ],
    }


def _found_object(found: FoundDevice) -> dict[str, Any]:
    return {
        "address": found.address,
        "baud": found.baud,
        "asked": found.requests,
        "answered": found.answered,
        "failed": found.failed,
        "failing_at_most": most_failing(found),
        "identities": [
            {"oui": one.oui, "model": one.model, "version": one.version, "serial": one.serial}
            for one in found.identities
        ],
        "key": None if found.key is None else found.key.value,
        "takes_default_key": found.takes_default,
    }
