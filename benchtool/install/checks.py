"""All rules held against a record."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from benchtool.install import (
    rules_cable,
    rules_levels,
    rules_likely,
    rules_list,
    rules_locks,
    rules_pair,
    rules_power,
    rules_readings,
    rules_tied,
)
from benchtool.install.load import Loaded
from benchtool.install.rule import KEPT, Finding, Rule, Said, Severity
from benchtool.install.view import view_of

RULES: tuple[Rule, ...] = (
    *rules_list.RULES,
    *rules_tied.RULES,
    *rules_pair.RULES,
    *rules_levels.RULES,
    *rules_cable.RULES,
    *rules_power.RULES,
    *rules_locks.RULES,
    *rules_likely.RULES,
    *rules_readings.RULES,
)
"""Every rule, in the order in which they are told."""


@dataclass(frozen=True, slots=True)
class Checked:
    """What the rules say of a record. A rule is in one of `kept` and `idle`, or has findings, or is not checked."""

    findings: tuple[Finding, ...]
    """What is not as it should be, the most severe first."""
    unchecked: tuple[Finding, ...]
    """What could not be checked, and why."""
    kept: tuple[Rule, ...]
    """Rules that were checked throughout and are kept."""
    idle: tuple[Rule, ...]
    """Rules for which there is nothing in the record: no lock, no battery."""

    def count(self, severity: Severity) -> int:
        """How many findings of a severity."""
        return sum(finding.rule.severity is severity for finding in self.findings)


def check(loaded: Loaded, rules: Sequence[Rule] = RULES) -> Checked:
    """Hold rules against a record."""
    view = view_of(loaded)
    findings: list[Finding] = []
    unchecked: list[Finding] = []
    kept: list[Rule] = []
    idle: list[Rule] = []
    for rule in rules:
        held, told = _sort(rule.check(view))
        for said in told:
            (unchecked if said.unknown else findings).append(Finding(rule, said, loaded.line(*said.path)))
        if not told:
            (kept if held else idle).append(rule)
    order = list(Severity)
    findings.sort(key=lambda finding: order.index(finding.rule.severity))
    return Checked(tuple(findings), tuple(unchecked), tuple(kept), tuple(idle))


def _sort(words: Iterable[Said]) -> tuple[int, list[Said]]:
    """How many things keep to a rule, and what is said of the others, each once."""
    held = 0
    told: dict[tuple[object, ...], Said] = {}
    for said in words:
        if said is KEPT:
            held += 1
        else:
            told.setdefault((said.path, said.sentence), said)
    return held, list(told.values())
