"""The reference page agrees with the tables that decode."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchtool.frames.osdp.codes import COMMANDS, REPLIES
from benchtool.frames.osdp.tables_text import sections
from benchtool.frames.page_tables import fill

PAGE = Path(__file__).parents[2] / "docs" / "osdp.md"


def test_the_page_is_what_the_tables_make() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert fill(page, sections()) == page


def test_the_page_has_a_row_for_every_code() -> None:
    page = PAGE.read_text(encoding="utf-8")
    commands, replies = page.split("## Replies")
    assert all(f"| `{code:02X}` | {row.name} |" in commands for code, row in COMMANDS.items())
    assert all(f"| `{code:02X}` | {row.name} |" in replies for code, row in REPLIES.items())


def test_a_changed_table_shows() -> None:
    page = PAGE.read_text(encoding="utf-8")
    changed = page.replace("| 2 | green |", "| 2 | violet |")
    assert changed != page
    assert fill(changed, sections()) == page


@pytest.mark.parametrize("name", sections())
def test_a_table_without_a_place_is_refused(name: str) -> None:
    page = PAGE.read_text(encoding="utf-8").replace(f"<!-- table {name} -->", "")
    with pytest.raises(ValueError, match=f"no place for the table '{name}'"):
        fill(page, sections())
