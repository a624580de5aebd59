"""The function tables as Markdown: the reference page `docs/modbus.md` is made from what decodes.

Write them into the page with `python -m benchtool.frames.modbus.tables_text docs/modbus.md`.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path

from benchtool.frames.modbus import functions
from benchtool.frames.modbus.layout import Count, Item, Kind, Layout, Number, Run
from benchtool.frames.page_tables import fill

_SHORT = 4
"""A table of words this short stands in the row."""


def _limits(least: int, most: int, size: int) -> list[str]:
    whole = min(most, (1 << 8 * size) - 1)
    return [f"{least} to {whole}"] if least or whole < (1 << 8 * size) - 1 else []


def _number(item: Number) -> str:
    notes = ["1 octet"] if item.size == 1 else []
    notes += _limits(item.least, item.most, item.size)
    if item.words is not None and len(item.words) <= _SHORT:
        digits = 2 * item.size
        written = {value: f"{value:0{digits}X}" if item.hexadecimal else str(value) for value in item.words}
        notes.append("; ".join(f"{written[value]} {word}" for value, word in item.words.items()))
    return f"`{item.name}`" + (f" ({', '.join(notes)})" if notes else "")


def _count(item: Count) -> str:
    notes = ["1 octet" if item.size == 1 else f"{item.size} octets", "counts the octets after it"]
    return f"`{item.name}` ({', '.join(notes + _limits(item.least, item.most, item.size))})"


def _run(item: Run) -> str:
    notes = [item.kind.value] if item.name != item.kind.value else []
    if item.counted_by:
        notes.append(f"as many as `{item.counted_by}` says")
    if item.most:
        notes.append(f"at most {item.most}")
    if item.optional and item.kind is not Kind.REGISTERS:
        notes.append("may be empty")
    return f"`{item.name}`" + (f" ({', '.join(notes)})" if notes else "")


def _item(item: Item) -> str:
    if isinstance(item, Number):
        return _number(item)
    if isinstance(item, Count):
        return _count(item)
    if isinstance(item, Run):
        return _run(item)
    counted = f", as many as `{item.counted_by}` says" if item.counted_by else ""
    return f"each `{item.name}`{counted}: [{', '.join(_item(part) for part in item.items)}]"


def layout_text(layout: Layout) -> str:
    """The data of a request or a reply in a line of Markdown."""
    return ", ".join(_item(item) for item in layout) or "none"


def function_table() -> str:
    """All public functions with the data of request and reply."""
    lines = ["| code | name | what it is | request | reply | source |", "|---|---|---|---|---|---|"]
    for code, row in functions.FUNCTIONS.items():
        request = layout_text(row.request)
        reply = "the same" if row.reply == row.request and row.request else layout_text(row.reply)
        lines.append(f"| `{code:02X}` | {row.name} | {row.title} | {request} | {reply} | {row.source} |")
    return "\n".join(lines)


def words_table(head: str, table: Mapping[int, str], digits: int = 2) -> str:
    """A table of words by value, in hex."""
    lines = [f"| value | {head} |", "|---|---|"]
    lines += [f"| `{value:0{digits}X}` | {word} |" for value, word in table.items()]
    return "\n".join(lines)


def sections() -> dict[str, str]:
    """Every generated table by the name that marks it in the page."""
    return {
        "functions": function_table(),
        "exceptions": words_table("exception", functions.EXCEPTIONS),
        "diagnostics": words_table("sub-function of 08", functions.DIAGNOSTICS, 4),
        "conformity": words_table("conformity", functions.CONFORMITY),
        "objects": words_table("object", functions.OBJECTS),
    }


if __name__ == "__main__":
    path = Path(sys.argv[1])
    path.write_text(fill(path.read_text(encoding="utf-8"), sections()), encoding="utf-8")
