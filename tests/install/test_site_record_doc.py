"""docs/site-record.md says every entry and field of the record, in its words, with unit, range and choices.

`python tests/install/test_site_record_doc.py` writes its tables anew; the prose between them stays.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchtool.install.record import Record
from benchtool.install.schema import Slot, slots_of
from benchtool.install.toml_form import PLAIN

PAGE = Path(__file__).parents[2] / "docs" / "site-record.md"
_KINDS = {
    str: "text",
    bool: "true or false",
    int: "whole number",
    float: "number",
    tuple: "list of words",
    dict: "pairs",
}


def entries() -> dict[str, type]:
    """Headers as they stand in a file, and the entry under each."""
    found: dict[str, type] = {}

    def add(prefix: str, kind: type) -> None:
        for slot in slots_of(kind):
            if slot.is_list:
                found[f"[[{prefix}{slot.name}]]"] = slot.kind
                add(f"{prefix}{slot.name}.", slot.kind)
            elif slot.kind not in PLAIN:
                found[f"[{prefix}{slot.name}]"] = slot.kind

    add("", Record)
    return found


def row(slot: Slot) -> str:
    """The line of a field."""
    meaning = slot.meaning
    limits = ""
    if meaning.choices:
        limits = ", ".join(f"`{choice}`" for choice in meaning.choices)
    elif meaning.least is not None and meaning.most is not None:
        limits = f"{_plain(meaning.least)} to {_plain(meaning.most)} {meaning.unit}".strip()
    elif meaning.names:
        limits = f"id of a {' or '.join(meaning.names)}"
    unsaid = "needed" if slot.required else ""
    if not slot.required and slot.default not in (None, ()):
        unsaid = f"`{slot.default}` if left out"
    return f"| `{slot.name}` | {meaning.text} | {_KINDS[slot.kind]} | {limits} | {unsaid} |"


def _plain(limit: float) -> str:
    return str(int(limit)) if float(limit).is_integer() else f"{limit:g}"


def table(kind: type) -> str:
    """The table of an entry."""
    rows = [row(slot) for slot in slots_of(kind) if not slot.is_list and slot.kind in PLAIN]
    return "\n".join(["| field | what it is | kind | may be | |", "|---|---|---|---|---|", *rows])


@pytest.mark.parametrize("header", list(entries()))
def test_the_page_says_every_field_as_the_record_has_it(header: str) -> None:
    text = PAGE.read_text(encoding="utf-8")
    assert f"## `{header}`\n" in text
    section = text.split(f"## `{header}`\n")[1].split("\n## ")[0]
    assert table(entries()[header]) in section


def test_the_page_has_no_entry_that_the_record_has_not() -> None:
    assert re.findall(r"^## `(.*)`$", PAGE.read_text(encoding="utf-8"), re.MULTILINE) == list(entries())


def write() -> None:
    """Put the tables of now into the page; a new entry gets a section."""
    text = PAGE.read_text(encoding="utf-8")
    head = text.split("\n## `")[0].rstrip() + "\n"
    parts = [head]
    for header, kind in entries().items():
        heading = f"## `{header}`\n"
        old = text.split(heading)[1].split("\n## `")[0] if heading in text else ""
        prose = re.sub(r"^\|.*\n?", "", old, flags=re.MULTILINE).strip()
        parts.append(heading + "\n" + (prose + "\n\n" if prose else "") + table(kind) + "\n")
    PAGE.write_text("\n".join(parts), encoding="utf-8")


if __name__ == "__main__":
    write()
