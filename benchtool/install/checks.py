"""All rules held against a record."""

from __future__ import annotations

from dataclasses import dataclass

from benchtool.install import rules_cable, rules_list, rules_pair, rules_power
from benchtool.install.load import Loaded
from benchtool.install.rule import Finding, Rule, Severity
from benchtool.install.view import view_of

RULES: tuple[Rule, ...] = (*rules_list.RULES, *rules_pair.RULES, *rules_cable.RULES, *rules_power.RULES)
"""Every rule, in the order in which they are told."""


@dataclass(frozen=True, slots=True)
class Checked:
    """What the rules say of a record."""

    findings: tuple[Finding, ...]
    """What is not as it should be, the most severe first."""
    unchecked: tuple[Finding, ...]
    """What could not be checked, and why."""
    kept: tuple[Rule, ...]
    """Rules that were checked throughout and are kept."""

    def count(self, severity: Severity) -> int:
        """How many findings of a severity."""
        return sum(finding.rule.severity is severity for finding in self.findings)


def check(loaded: Loaded) -> Checked:
    """Hold every rule against a record."""
    view = view_of(loaded)
    findings, unchecked, kept = [], [], []
    for rule in RULES:
        said = [Finding(rule, one, loaded.line(*one.path)) for one in rule.check(view)]
        findings += [finding for finding in said if not finding.said.unknown]
        unchecked += [finding for finding in said if finding.said.unknown]
        if not said:
            kept.append(rule)
    order = list(Severity)
    findings.sort(key=lambda finding: order.index(finding.rule.severity))
    return Checked(tuple(findings), tuple(unchecked), tuple(kept))
