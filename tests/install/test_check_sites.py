"""The checks on whole records: an invented site that keeps to every rule, the same with mistakes, and any record."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.install.checks import RULES, check
from benchtool.install.load import Loaded, load
from benchtool.install.record import Record
from benchtool.install.rule import Severity
from benchtool.install.save import to_text
from benchtool.reports.site_check_text import check_text, check_values
from tests.record_values import instances

SITES = Path(__file__).parent.parent.parent / "fixtures" / "sites"
FEW_NAMES = ("a", "b", "c", "d", "e", "f")

MISTAKES = [
    # what was done wrong, the rule that finds it, the entry, the field (or none: the entry is told)
    ("two devices were set to one address", "address-once", "if-ramp", "address"),
    ("an end-of-line resistor was left on in the middle", "ends-terminated", "rd-gate", "terminator"),
    ("the one at the far end was forgotten", "ends-terminated", "if-exit", "terminator"),
    ("a second bias was left on", "bias-once", "yard", ""),
    ("a label was scanned twice", "serial-once", "rd-ramp", "serial"),
    ("a button was noted at the contact's input", "connector-once", "button-ramp", "connector"),
    ("the screen was earthed at both ends", "screen-earthed-once", "rooms", ""),
    ("a reader was moved too far away", "card-line-length", "rd-ramp", "metres"),
    ("no diode was fitted", "spark-taken-up", "strike-store", "suppression"),
    ("a magnet was swapped for what stays locked", "escape-free", "magnet-exit", "without_power"),
    ("the network port is of a lower class", "network-power-enough", "port", ""),
    ("and feeds a lock", "network-power-locks", "strike-office", ""),
    ("and a magnet is free without power", "magnet-likely", "magnet-exit", "without_power"),
    ("a lock was wired with thin conductors", "voltage-enough", "magnet-exit", ""),
    ("the battery is small", "battery-lasts", "main", "battery_ah"),
    ("a device hangs on a long branch", "stub-short", "if-ramp", "stub_m"),
    ("an address is beyond the protocol's", "address-in-range", "if-plant", "address"),
    ("a name was typed wrongly", "reference-known", "contact-exit", "device"),
    ("the pair is crossed", "pair-not-crossed", "rd-gate", "cores"),
    ("the default key was left", "own-key", "if-store", "key"),
    ("a reader is fed by another supply", "reader-zero-common", "rd-office", "fed_by"),
    ("the cover was left off", "mains-safe", "main", "covered"),
    ("a serial number was not read", "serial-noted", "rd-exit", ""),
    ("the character format has 7 data bits", "format-for-protocol", "rooms", "format"),
    ("a lock stands less than the supply gives", "voltage-not-above", "bolt-ramp", ""),
]
UNKNOWN = [("serial-once", "rd-exit"), ("escape-free", "bolt-ramp"), ("escape-licensed", "ramp")]


def line_in(text: str, entry: str, field: str) -> int:
    """Found by reading the text as a person does: the entry's id, its header above it or its field near it."""
    rows = text.split("\n")
    here = next(number for number, row in enumerate(rows) if row.split("#")[0].strip() == f'id = "{entry}"')
    start = max(number for number in range(here) if rows[number].startswith("["))
    if not field:
        return start + 1
    return next(number for number in range(start, len(rows)) if rows[number].startswith(f"{field} =")) + 1


def test_the_good_site_keeps_to_every_rule() -> None:
    checked = check(load((SITES / "depot.toml").read_text(encoding="utf-8")))
    assert {finding.rule.id for finding in checked.findings} == {"escape-licensed"}
    assert checked.unchecked == ()
    # No cable of it has both a gauge and an area.
    assert [rule.id for rule in checked.idle] == ["gauge-agrees"]
    assert {rule.id for rule in checked.kept} == {rule.id for rule in RULES} - {"escape-licensed", "gauge-agrees"}


@pytest.mark.parametrize(("mistake", "rule", "entry", "field"), MISTAKES)
def test_every_mistake_is_found_at_its_line(mistake: str, rule: str, entry: str, field: str) -> None:
    text = (SITES / "depot-mistakes.toml").read_text(encoding="utf-8")
    found = {(finding.rule.id, finding.line) for finding in check(load(text)).findings}
    assert (rule, line_in(text, entry, field)) in found, mistake


def test_nothing_else_is_told_of_the_mistakes() -> None:
    text = (SITES / "depot-mistakes.toml").read_text(encoding="utf-8")
    checked = check(load(text))
    notes = {("escape-licensed", line_in(text, door, "")) for door in ("exit", "office")}
    wanted = {(rule, line_in(text, entry, field)) for _, rule, entry, field in MISTAKES} | notes
    # What was measured before the second bias was left on.
    wanted.add(
        ("readings-in-band", 1 + next(n for n, row in enumerate(text.split("\n")) if row.startswith("measured")))
    )
    assert {(finding.rule.id, finding.line) for finding in checked.findings} == wanted
    assert {(one.rule.id, one.line) for one in checked.unchecked} == {
        (rule, line_in(text, entry, "")) for rule, entry in UNKNOWN
    }


def test_the_most_severe_comes_first() -> None:
    checked = check(load((SITES / "depot-mistakes.toml").read_text(encoding="utf-8")))
    order = [list(Severity).index(finding.rule.severity) for finding in checked.findings]
    assert order == sorted(order)
    assert len(set(order)) == len(Severity)


def test_an_empty_record_keeps_to_nothing() -> None:
    checked = check(load('schema = 1\n[site]\nname = "Empty"\n'))
    assert (checked.findings, checked.unchecked, checked.kept) == ((), (), ())
    assert checked.idle == RULES


@given(st.one_of(instances(Record), instances(Record, FEW_NAMES)))
def test_any_record_can_be_checked_and_told(record: Record) -> None:
    loaded = Loaded(record, {})
    checked = check(loaded)
    told = {finding.rule.id for finding in (*checked.findings, *checked.unchecked)}
    kept, idle = {rule.id for rule in checked.kept}, {rule.id for rule in checked.idle}
    assert told | kept | idle == {rule.id for rule in RULES}
    assert not told & kept
    assert not idle & (told | kept)
    assert check_text(record, checked, in_full=True)
    assert json.dumps(check_values(record, checked), allow_nan=False)


@given(instances(Record, FEW_NAMES))
def test_a_record_says_the_same_after_it_was_saved(record: Record) -> None:
    before, after = check(Loaded(record, {})), check(load(to_text(record)))
    for one, other in ((before.findings, after.findings), (before.unchecked, after.unchecked)):
        assert [(finding.rule.id, finding.said.sentence.split(" line ")[0]) for finding in one] == [
            (finding.rule.id, finding.said.sentence.split(" line ")[0]) for finding in other
        ]
