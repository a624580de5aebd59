"""docs/site-checks.md tells every rule as the program has it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchtool.install.checks import RULES
from benchtool.install.record import Record
from benchtool.install.rule import Rule
from benchtool.install.schema import slots_of

PAGE = (Path(__file__).parent.parent.parent / "docs" / "site-checks.md").read_text(encoding="utf-8")
SECTIONS = {
    name: " ".join(text.split("\n## ")[0].split())
    for name, text in re.findall(r"### (\S+)\n(.*?)(?=\n### |\Z)", PAGE, re.S)
}


def test_every_rule_has_a_section_in_the_order_in_which_they_are_told() -> None:
    assert list(SECTIONS) == [rule.id for rule in RULES]


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.id)
def test_a_section_says_what_the_program_says(rule: Rule) -> None:
    section = SECTIONS[rule.id]
    assert section.startswith(f"**{rule.severity.value}**: {rule.title}")
    assert section.endswith(f"- Mend: {rule.mend} - Source: {rule.source}.")


def test_fields_that_are_named_exist() -> None:
    fields: set[str] = set()
    rest: list[type] = [Record]
    while rest:
        for slot in slots_of(rest.pop()):
            fields.add(slot.name)
            if slot.is_list or slot.name == "site":
                rest.append(slot.kind)
    for section in SECTIONS.values():
        assert set(re.findall(r"`(\w+)`", section.split("- Mend:")[0])) <= fields
