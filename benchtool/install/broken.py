"""What a person meant who wrote a record that is no TOML, and how to write it: the commonest slips of the hand.

The place is the parser's (the standard library's, TOML 1.0); which slip it is, is judged from the line that it names.
"""

from __future__ import annotations

import re

from benchtool.install.places import places_of, words_of

_AT = re.compile(r"(.*) \(at (?:line (\d+), column \d+|end of document)\)\Z", re.DOTALL)
_PAIR = re.compile(r"\s*([\w.-]+|\"[^\"]*\"|'[^']*')\s*=\s*(.*)")
_HEAD = re.compile(r"\s*\[+\s*([^\]#]*?)\s*\]*\s*(?:#.*)?\Z")
_NUMBER = r"[+-]?\d+(?:[.,]\d+)?"
_NO_EQUALS = re.compile(r"\s*([\w-]+)(?:\s*:\s*|\s+)([\w\"'“„.+-].*)")
"""A name and a value with a space or a colon between them."""
_LONG_NUMBER = re.compile(r"[0-9_]{4000,}")
_CURLY = "“”„‟‘’‚«»"


def slip(text: str, said: str) -> tuple[int | None, str, str]:
    """Line, field and mend for a text that the parser refused with the words `said`."""
    found = _AT.match(said)
    rows = text.split("\n")
    if found is None:
        return _beyond(text, rows, said)
    words, number = found.groups()
    if number is None:
        line = max((at for at, row in enumerate(rows, 1) if row.strip()), default=1)
        shown = rows[line - 1].strip()[:60]
        return (
            line,
            _field(text, line),
            f"the file ends too early: is it cut off after {shown!r}? ({words})",
        )
    line = min(int(number), len(rows))
    row = rows[line - 1]
    field = _field(text, line)
    twice = words.startswith(("Cannot overwrite", "Cannot declare", "Cannot mutate"))
    if row.lstrip().startswith("["):
        return line, "", _of_head(rows, line, words, twice=twice)
    pair = _PAIR.match(row)
    if pair is None and (bare := _NO_EQUALS.fullmatch(row)):
        name, value = bare.groups()
        # As if it were there, to see in which entry it stands.
        field = _field("\n".join([*rows[: line - 1], f"{name} = 0", *rows[line:]]), line)
        return line, field, f"the = is missing: write {name} = {value.strip()[:60]}"
    if pair is None:
        return line, field, f"not TOML: {words}; a line is a head as [site], or a name, = and a value"
    if twice:
        first = _first_of(rows, line, pair.group(1))
        if first is None:
            return line, field, f"{pair.group(1)} stands twice in this entry: take one out"
        mend = f"it stands on line {first} too: take one out, or put the missing head, as [[bus]], between them"
        return line, _field(text, first), mend
    mend = _of_value(pair.group(1), pair.group(2).strip()) or f"not TOML: {words}"
    ends = line == len(rows) and bool(row.strip())
    return line, field, f"{mend}; the file ends here: is it cut off?" if ends else mend


def _beyond(text: str, rows: list[str], said: str) -> tuple[int | None, str, str]:
    """What no parser takes though it is TOML: numbers too long, lists too deep in lists. It says no place."""
    long = next((line for line, row in enumerate(rows, 1) if _LONG_NUMBER.search(row)), None)
    if "digits" in said and long is not None:
        return long, _field(text, long), "a number with thousands of digits is none of a record: write the one meant"
    if "recursion" in said:
        line = max(range(len(rows)), key=lambda at: sum(map(rows[at].count, "[{"))) + 1
        return line, _field(text, line), "lists or tables stand in each other too deep: a record has none so deep"
    return None, "", f"not TOML: {said}"


def _field(text: str, line: int) -> str:
    return next((words_of(path) for path, at in places_of(text).items() if at == line), "")


def _of_head(rows: list[str], line: int, words: str, *, twice: bool) -> str:
    head = _HEAD.match(rows[line - 1])
    name = head.group(1) if head else ""
    if not twice or not name:
        return f"not TOML: {words}; a head stands in brackets, as [site] or [[bus]]"
    for at, row in enumerate(rows[: line - 1], 1):
        before = _HEAD.match(row) if row.lstrip().startswith("[") else None
        if before is not None and before.group(1) == name:
            return f"[{name}] stands on line {at} too; one of several entries has double brackets in each head"
        if before is not None and before.group(1).startswith(f"{name}."):
            return f"{name} comes too late: line {at} needs its head above it"
    return f"{name} stands above already, in another form"


def _first_of(rows: list[str], line: int, name: str) -> int | None:
    """The line on which a name stands already in the entry of a line."""
    for at in range(line - 1, 0, -1):
        row = rows[at - 1]
        if row.lstrip().startswith("["):
            return None
        pair = _PAIR.match(row)
        if pair is not None and pair.group(1) == name:
            return at
    return None


def _of_value(name: str, value: str) -> str:
    """What is to be written instead; empty where that is not clear."""
    bare = re.sub(r"\s*#.*", "", value)
    if not bare:
        return "no value after the =: take the line out if it is not known"
    if bare.lower() in ("true", "false", "yes", "no", "on", "off"):
        right = "true" if bare.lower() in ("true", "yes", "on") else "false"
        return f"write {right}, in small letters and without quotes, not {bare}"
    if re.fullmatch(_NUMBER, bare):
        return f"write {_number(bare)}, not {bare}"
    if re.fullmatch(r"[+-]?(?:\.\d+|\d+\.)", bare):
        return f"write {float(bare):g}, with a digit on both sides of the point, not {bare}"
    measured = re.fullmatch(rf"({_NUMBER})\s*[^\W\d_]\S*", bare)
    if measured is not None and len(bare) < 30:
        return f"write {_number(measured.group(1))} alone, without the unit: each field has its own"
    if any(mark in bare[:1] + bare[-1:] for mark in _CURLY):
        return f'write straight quotation marks: {name} = "{bare.strip(_CURLY)[:60]}"'
    if bare[0] in "\"'":
        if bare.count(bare[0]) == 1:
            return f"the closing {bare[0]} is missing at the end of the text"
        if "\\" in bare and bare[0] == '"':
            return "a \\ in text is written twice, or the text stands in ' '"
        return ""
    if bare[0].isalpha() and not set(bare) & set("\"'[]{}="):
        return f'text stands in quotation marks: {name} = "{bare[:60]}"'
    return ""


def _number(words: str) -> str:
    sign = "-" if words.startswith("-") else ""
    whole, point, rest = words.lstrip("+-").replace(",", ".").partition(".")
    return f"{sign}{whole.lstrip('0') or '0'}{point}{rest}"
