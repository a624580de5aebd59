"""The code and payload tables as Markdown: the reference page `docs/osdp.md` is made from what decodes.

Write them into the page with `python -m benchtool.frames.osdp.tables_text docs/osdp.md`.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path

from benchtool.frames.osdp import words
from benchtool.frames.osdp.codes import COMMANDS, NAK_TEXT, REPLIES, CodeInfo, Status
from benchtool.frames.osdp.events import KINDS
from benchtool.frames.osdp.layout import Group, Kind, Layout, Number, Plain, Repeat
from benchtool.frames.osdp.security import BLOCK_TYPES
from benchtool.frames.osdp.tables import layout_of
from benchtool.frames.page_tables import fill


def _number(item: Number) -> str:
    notes = [f"{item.size} octets"] if item.size > 1 else []
    if item.scale > 1:
        notes.append(f"in steps of {item.scale} {item.unit}")
    elif item.unit:
        notes.append(f"in {item.unit}")
    if item.signed:
        notes.append("signed")
    if item.least or item.most is not None:
        notes.append(f"{item.least} to {item.most}" if item.most is not None else f"from {item.least}")
    if item.zero:
        notes.append(f"0 {item.zero}")
    table = item.words if item.words is not NAK_TEXT else None
    if table is not None and len(table) <= 4:
        notes.append("; ".join(f"{value} {word}" for value, word in table.items()))
    if item.hints is not None and len(item.hints) <= 4:
        notes.append("; ".join(f"{value} {word}" for value, word in item.hints.items()) + ", from memory")
    if item.flags is not None:
        notes.append("; ".join(f"bit value {bit} {word}" for bit, word in item.flags.items()))
    return f"`{item.name}`" + (f" ({', '.join(notes)})" if notes else "")


def _plain(item: Plain) -> str:
    if isinstance(item, Number):
        return _number(item)
    if isinstance(item, Group):
        return f"`{item.name}` [{', '.join(_number(part) for part in item.items)}]"
    kind = item.kind.value
    if item.size is not None:
        notes = f"{item.size} octets"
    elif item.count is not None:
        notes = f"{kind}, as many as `{item.count}` says"
    else:
        notes = f"the other {kind}"
    if item.kind is Kind.BITS:
        notes += ", first bit in the top of the first octet, padding ignored"
    return f"`{item.name}` ({notes}{', secret' if item.secret else ''})"


def payload_text(layout: Layout) -> str:
    """One payload in a line of Markdown."""
    if not layout.items:
        return "none"
    parts = []
    for item in layout.items:
        if isinstance(item, Repeat):
            record = ", ".join(_plain(part) for part in item.items)
            parts.append(f"{'one or more' if item.least else 'any number'} of: {record}")
        else:
            parts.append(_plain(item))
    return ", ".join(parts)


def _source(row: CodeInfo, layout: Layout) -> str:
    clause = f"{row.clause}; " if row.clause else ""
    return clause + layout.source


def code_table(rows: Mapping[int, CodeInfo], reply: bool) -> str:
    """All commands, or all replies, with their payloads."""
    lines = ["| code | name | what it is | payload | clause; source |", "|---|---|---|---|---|"]
    for code, row in rows.items():
        layout = layout_of(code, reply)
        status = "" if row.status is Status.CURRENT else f" ({row.status.value})"
        lines.append(
            f"| `{code:02X}` | {row.name} | {row.title}{status} | {payload_text(layout)} | {_source(row, layout)} |"
        )
    return "\n".join(lines)


def words_table(head: str, table: Mapping[int, str]) -> str:
    """A table of words by value."""
    lines = [f"| value | {head} |", "|---|---|"]
    lines += [f"| {value} | {word} |" for value, word in table.items()]
    return "\n".join(lines)


def capability_table() -> str:
    """PDCAP functions with what their compliance levels mean."""
    lines = ["| function | name | compliance |", "|---|---|---|"]
    for function, name in words.CAPABILITIES.items():
        levels = "; ".join(f"{level} {word}" for level, word in words.COMPLIANCE.get(function, {}).items())
        if function in (words.RECEIVE_BUFFER, words.COMBINED_MESSAGE):
            levels = "low octet of the size; the number is the high octet"
        lines.append(f"| {function} | {name} | {levels} |")
    return "\n".join(lines)


def security_table() -> str:
    """Types of security block."""
    lines = ["| type | name | sent by | octets | carries |", "|---|---|---|---|---|"]
    lines += [
        f"| `{row.type:02X}` | {row.name} | {'device' if row.reply else 'controller'} | {row.length} | {row.text} |"
        for row in BLOCK_TYPES.values()
    ]
    return "\n".join(lines)


def event_table() -> str:
    """Every event with its level, clause and mend."""
    lines = ["| event | level | what it says | clause; source | what to do |", "|---|---|---|---|---|"]
    lines += [
        f"| `{kind.value}` | {row.level.value} | {row.title} | {row.clause} | {row.mend} |"
        for kind, row in KINDS.items()
    ]
    return "\n".join(lines)


def sections() -> dict[str, str]:
    """Every generated table by the name that marks it in the page."""
    return {
        "commands": code_table(COMMANDS, reply=False),
        "replies": code_table(REPLIES, reply=True),
        "nak": words_table("reason", NAK_TEXT),
        "output-codes": words_table("output code", words.OUTPUT_CODES),
        "colours": words_table("colour", words.COLOURS),
        "transfer-status": words_table("file transfer status", words.TRANSFER_STATUS),
        "biometric-types": words_table("biometric type, from memory", words.BIO_TYPES),
        "capabilities": capability_table(),
        "security": security_table(),
        "events": event_table(),
    }


if __name__ == "__main__":
    path = Path(sys.argv[1])
    path.write_text(fill(path.read_text(encoding="utf-8"), sections()), encoding="utf-8")
