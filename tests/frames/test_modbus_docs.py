"""The reference page agrees with the tables that decode, and its examples run."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchtool.frames.crc import modbus_ok
from benchtool.frames.modbus.functions import EXCEPTIONS, FUNCTIONS
from benchtool.frames.modbus.tables_text import sections
from benchtool.frames.page_tables import fill

PAGE = Path(__file__).parents[2] / "docs" / "modbus.md"


def test_the_page_is_what_the_tables_make() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert fill(page, sections()) == page


def test_the_page_has_a_row_for_every_function_and_exception() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert all(f"| `{code:02X}` | {row.name} | {row.title} |" in page for code, row in FUNCTIONS.items())
    assert all(f"| `{code:02X}` | {name} |" in page for code, name in EXCEPTIONS.items())


def test_a_changed_table_shows() -> None:
    page = PAGE.read_text(encoding="utf-8")
    changed = page.replace("1 to 125", "1 to 126")
    assert changed != page
    assert fill(changed, sections()) == page


@pytest.mark.parametrize("name", sections())
def test_a_table_without_a_place_is_refused(name: str) -> None:
    page = PAGE.read_text(encoding="utf-8").replace(f"<!-- table {name} -->", "")
    with pytest.raises(ValueError, match=f"no place for the table '{name}'"):
        fill(page, sections())


def test_the_examples_of_the_page_run() -> None:
    _, _, rest = PAGE.read_text(encoding="utf-8").partition("```python\n")
    imports, _, lines = rest.partition("```")[0].partition("\n\n")
    names: dict[str, object] = {}
    exec(imports, names)
    built = {line: eval(line, names) for line in lines.splitlines()}
    assert len(built) == 7
    for line, octets in built.items():
        assert isinstance(octets, bytes)
        assert modbus_ok(octets) != line.startswith("encode(")
    # sheet 3.3 (READ on a page)
    assert bytes.fromhex("11 03 00 6B 00 03 76 87") == built["build_request(17, 0x03, start=107, quantity=3)"]
