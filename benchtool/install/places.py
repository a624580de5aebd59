"""On which line of a record's text each entry and field stands, so that what is wrong with it can be pointed at."""

from __future__ import annotations

import re

Path = tuple[str | int, ...]
"""From the top: `("bus", 0, "device", 2, "address")`."""

_HEADER = re.compile(r"^\s*\[(\[?)\s*([A-Za-z0-9_\-. \"']+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"^\s*([A-Za-z0-9_\-]+|\"[^\"]*\"|'[^']*')\s*(?:\.[^=]*)?=")
_PLAIN = re.compile(r"([A-Za-z0-9_\-]+) = [^\[{\"']*(?:\"(?!\"\")[^\\\"\[{']*\")?$")
"""A key at the start of a line, with a value that goes on to no other line: true of most lines."""
_OPENING = re.compile(r"[\[{]|\"\"\"|'''")
_QUOTED = re.compile(r"(\"\"\"|''')|\"(?:\\.|[^\"\\])*\"|'[^']*'|#.*")
"""The beginning of a long text, a text of one line, or a comment: whichever comes first."""


def places_of(text: str) -> dict[Path, int]:
    """Lines, from 1, of every table and key at the start of a line. Text that is no TOML gives what can be seen."""
    found: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    here: Path = ()
    inside = ""
    depth = 0
    for number, line in enumerate(text.split("\n"), 1):
        if inside:
            inside = "" if inside in line else inside
            continue
        if not depth:
            plain = _PLAIN.match(line)
            if plain:
                found.setdefault((*here, plain[1]), number)
                continue
        header = _HEADER.match(line) if not depth else None
        if header:
            here = _table(header.group(2), bool(header.group(1)), counts)
            found[here] = number
            continue
        key = _KEY.match(line) if not depth else None
        if key:
            found.setdefault((*here, key.group(1).strip("\"'")), number)
        if not _OPENING.search(line) and not depth:
            continue  # Nothing in it goes on to the next line: true of most lines.
        inside = _goes_on(line)
        if not inside:
            bare = re.sub(r"\"(?:\\.|[^\"\\])*\"|'[^']*'|#.*", "", line)
            depth = max(0, depth + bare.count("[") + bare.count("{") - bare.count("]") - bare.count("}"))
    return found


def _goes_on(line: str) -> str:
    """The mark of a long text that begins in a line and does not end there; empty without one. Comments are passed."""
    place = 0
    while found := _QUOTED.search(line, place):
        place = found.end()
        if found[1]:
            end = line.find(found[1], place)
            if end < 0:
                return found[1]
            place = end + len(found[1])
    return ""


def _table(name: str, in_list: bool, counts: dict[Path, int]) -> Path:
    """The path of a header; `counts` holds how many entries each list has so far."""
    parts = [part.strip().strip("\"'") for part in name.split(".")]
    path: Path = ()
    for place, part in enumerate(parts):
        path = (*path, part)
        if place == len(parts) - 1 and in_list:
            counts[path] = counts.get(path, 0) + 1
        if path in counts:
            path = (*path, counts[path] - 1)
    return path


def line_of(places: dict[Path, int], path: Path) -> int | None:
    """The line of a path, or of the nearest table around it; None where nothing of it has a line."""
    while path:
        if path in places:
            return places[path]
        path = path[:-1]
    return None


def words_of(path: Path) -> str:
    """A path as a person reads it: `bus 1, device 3, address`."""
    words: list[str] = []
    for part in path:
        if isinstance(part, int):
            words[-1] += f" {part + 1}"
        else:
            words.append(part)
    return ", ".join(words)
