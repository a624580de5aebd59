"""What the rules say of an installation's record: lines for a terminal of 80 columns, plain values for `--json`."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from benchtool.install.checks import Checked
from benchtool.install.places import Path
from benchtool.install.record import Record
from benchtool.install.rule import Finding, Rule, Severity
from benchtool.install.worked import Figure
from benchtool.reports.folded import wrap

_FINDINGS_SHOWN = 10
_UNCHECKED_SHOWN = 3


def where(record: Record, path: Path) -> str:
    """The innermost entry of a path by its id, and the field: `device if-3, terminator`."""
    words: list[str] = []
    here: Any = record
    for part in path:
        if isinstance(part, int):
            here = here[part]
            words = [f"{words[-1]} {getattr(here, 'id', part + 1)}"]
        else:
            here = getattr(here, part)
            words.append(part)
    return ", ".join(words)


def check_text(record: Record, checked: Checked, *, in_full: bool = False) -> list[str]:
    """Findings by rule, the most severe first; what cannot be checked; what is kept.

    `in_full`: every place of each rule; else the first few, and how many there are.
    """
    lines = wrap(f"{record.site.name}: {_summary(checked)}.", "", "")
    for rule, findings in _by_rule(checked.findings):
        lines += ["", *wrap(f"{rule.severity.value.upper()} {rule.id}: {rule.title}", "", "  ")]
        shown = len(findings) if in_full else _FINDINGS_SHOWN
        for finding in findings[:shown]:
            lines += _told(record, finding)
        lines += _more(rule, len(findings) - shown)
        lines += wrap(f"Mend: {rule.mend}", "  ", "        ")
        lines += wrap(f"Source: {rule.source}.", "  ", "          ")
    if checked.unchecked:
        lines += ["", "CANNOT BE CHECKED, because of what is not noted (none of this is a pass):"]
    for rule, findings in _by_rule(checked.unchecked):
        lines += wrap(f"{rule.id}: {rule.title}", "  ", "    ")
        shown = len(findings) if in_full else _UNCHECKED_SHOWN
        for finding in findings[:shown]:
            lines += _told(record, finding, "    ")
        lines += _more(rule, len(findings) - shown, "    ")
    lines += _names("Kept", checked.kept)
    lines += _names("Nothing in the record for", checked.idle)
    return lines


def check_values(record: Record, checked: Checked) -> dict[str, Any]:
    """The same as plain values: every finding with its rule in full."""
    return {
        "site": record.site.name,
        "errors": checked.count(Severity.ERROR),
        "warnings": checked.count(Severity.WARNING),
        "notes": checked.count(Severity.NOTE),
        "findings": [_values(record, finding) for finding in checked.findings],
        "unchecked": [_values(record, finding) for finding in checked.unchecked],
        "kept": [rule.id for rule in checked.kept],
        "nothing_to_check": [rule.id for rule in checked.idle],
    }


def _values(record: Record, finding: Finding) -> dict[str, Any]:
    rule, said = finding.rule, finding.said
    return {
        "rule": rule.id,
        "severity": rule.severity.value,
        "title": rule.title,
        "line": finding.line,
        "where": where(record, said.path),
        "path": list(said.path),
        "sentence": said.sentence,
        "figure": _figure(said.figure),
        "limit": _figure(said.limit),
        "source": rule.source,
        "mend": rule.mend,
    }


def _figure(figure: Figure | None) -> dict[str, Any] | None:
    if figure is None:
        return None
    return {"name": figure.name, "value": figure.value if math.isfinite(figure.value) else None, "unit": figure.unit}


def _summary(checked: Checked) -> str:
    counts = [_count(checked.count(severity), severity.value) for severity in Severity]
    rules = len({finding.rule.id for finding in checked.unchecked})
    told = f"{_count(rules, 'rule')} cannot be checked in full" if rules else "nothing was left unchecked"
    return f"{', '.join(counts)}; {told}"


def _count(number: int, word: str) -> str:
    return f"{number or 'no'} {word}" + ("" if number == 1 else "s")


def _by_rule(findings: Iterable[Finding]) -> list[tuple[Rule, list[Finding]]]:
    found: dict[str, tuple[Rule, list[Finding]]] = {}
    for finding in findings:
        found.setdefault(finding.rule.id, (finding.rule, []))[1].append(finding)
    return list(found.values())


def _told(record: Record, finding: Finding, indent: str = "  ") -> list[str]:
    said = finding.said
    figures = "; ".join(str(figure) for figure in (said.figure, said.limit) if figure is not None)
    place = where(record, said.path) or "record"
    head = place if finding.line is None else f"line {finding.line}, {place}"
    text = f"{head}: {said.sentence}" + (f" ({figures})" if figures else "")
    return wrap(text, indent, f"{indent}  ")


def _more(rule: Rule, count: int, indent: str = "  ") -> list[str]:
    return [f"{indent}and {count} more: --only {rule.id}"] if count > 0 else []


def _names(head: str, rules: tuple[Rule, ...]) -> list[str]:
    if not rules:
        return []
    return ["", *wrap(f"{head} ({_count(len(rules), 'rule')}): {', '.join(rule.id for rule in rules)}", "", "  ")]
