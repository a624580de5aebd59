"""A user's card formats as TOML text: `formats infer` writes it, `--table` reads it. Grammar: docs/format-tables.md."""

from __future__ import annotations

import tomllib
from enum import Enum
from typing import TypeVar

from benchtool.frames.card.check_digit import CheckDigit, CheckMethod
from benchtool.frames.card.format_rules import check_format
from benchtool.frames.card.formats import CardField, CardFormat, Constant, ParityGroup, Sense, Writing
from benchtool.frames.card.places import LONGEST, places_of, places_text
from benchtool.frames.table_part import Part, one_line, quoted

KIND = "benchtool card formats"
VERSION = 1
_LAST = "last bit first"
_FIRST = "first bit first"
_E = TypeVar("_E", bound=Enum)


class TableFileError(ValueError):
    """The text is not a table of card formats; the message says what is wrong, in one line."""


def dump(*formats: CardFormat, notes: tuple[str, ...] = ()) -> str:
    """The formats as text that `load` reads back as they are; `notes` become comments at its head."""
    lines = [f"# {one_line(note)}" for note in notes]
    lines += [f'kind = "{KIND}"', f"version = {VERSION}"]
    for row in formats:
        lines += ["", *_format_lines(row)]
    return "\n".join(lines) + "\n"


def _format_lines(row: CardFormat) -> list[str]:
    lines = ["[[format]]", f"name = {quoted(row.name)}", f"length = {row.length}  # bits; bit 1 is the first sent"]
    if row.source:
        lines.append(f"source = {quoted(row.source)}")
    for field in row.fields:
        lines += ["", "[[format.field]]", f"name = {quoted(field.name)}", _places_line("bits", field.places)]
        if field.writing is not Writing.BINARY:
            lines.append(f'writing = "{field.writing.value}"')
        if field.inverted:
            lines.append("inverted = true")
        if field.offset:
            lines.append(f"offset = {field.offset}  # added to the number sent")
    for constant in row.constants:
        bits = f"{constant.value:0{len(constant.places)}b}"
        lines += ["", "[[format.constant]]", _places_line("bits", constant.places), f'value = "{bits}"']
    for check in row.checks:
        lines += ["", "[[format.check]]", f"name = {quoted(check.name)}", _places_line("bits", check.places)]
        lines.append(f'method = "{check.method.value}"')
        if check.fields:
            lines.append("fields = [" + ", ".join(quoted(name) for name in check.fields) + "]")
        if check.covers:
            lines.append(_places_line("covers", check.covers))
        if check.weights:
            lines.append(f"weights = {list(check.weights)}  # the rightmost digit's first")
    for group in row.parity:
        lines += ["", "[[format.parity]]", f"bit = {group.bit}", f'sense = "{group.sense.value}"']
        if group.covers:
            lines.append(_places_line("covers", group.covers))
    return lines


def _places_line(key: str, places: tuple[int, ...]) -> str:
    return f'{key} = "{places_text(places, ", ")}"'


def load(text: str) -> tuple[CardFormat, ...]:
    """Read a table, at least one format. TableFileError says what is wrong with it, in one line."""
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise TableFileError(f"not TOML: {one_line(str(error))}") from None
    if data.get("kind") != KIND:
        raise TableFileError(f'not a table of card formats: kind = "{KIND}" is wanted (docs/format-tables.md)')
    if "version" not in data:
        raise TableFileError(f"version is missing: version = {VERSION} is wanted")
    if data["version"] != VERSION:
        raise TableFileError(f"version {data['version']!r} of the table is not known, only {VERSION}")
    top = Part(data, "", "a table of card formats")
    try:
        top.word("kind")
        top.number("version")
        parts = top.parts("format")
        if not parts:
            top.done()
            raise ValueError("no [[format]] in it")
        formats = tuple(_format(part) for part in parts)
        top.done()
        names = [row.name for row in formats]
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            raise ValueError(f"two formats are called {twice!r}")
    except ValueError as error:
        raise TableFileError(one_line(str(error))) from None
    return formats


def _format(part: Part) -> CardFormat:
    name = part.word("name")
    if not name.strip():
        raise ValueError(f"{part.where}a format needs a name")
    part.where = f"{name}: "
    length = part.number("length")
    if not 1 <= length <= LONGEST:
        raise ValueError(f"{part.where}length: 1 to {LONGEST} bits are wanted, not {length}")
    order = part.word("order", _FIRST)
    if order not in (_FIRST, _LAST):
        raise ValueError(f'{part.where}order: "{_FIRST}" or "{_LAST}" is wanted, not {order!r}')
    turned = length if order == _LAST else None
    row = CardFormat(
        name=name,
        length=length,
        fields=tuple(_field(one, turned) for one in part.parts("field")),
        parity=tuple(_group(one, turned) for one in part.parts("parity")),
        source=part.word("source"),
        constants=tuple(_constant(one, turned) for one in part.parts("constant")),
        checks=tuple(_check(one, turned) for one in part.parts("check")),
    )
    part.done()
    check_format(row)
    return row


def _places(part: Part, key: str, turned: int | None, *, needed: bool = True) -> tuple[int, ...]:
    """Places under a key; counted from the other end where the table says so."""
    written = part.any(key)
    if written is None and not needed:
        return ()
    if written is None:
        raise ValueError(f'{part.where}{key} is missing: places of bits, as "2-9, 14"')
    try:
        places = places_of(written)
    except ValueError as error:
        raise ValueError(f"{part.where}{key}: {error}") from None
    return places if turned is None else tuple(turned + 1 - place for place in places)


def _one_of(part: Part, key: str, kind: type[_E], default: str | None = None) -> _E:
    word = part.word(key) or default
    found = next((one for one in kind if one.value == word), None)
    if found is None:
        raise ValueError(
            f"{part.where}{key}: one of {', '.join(str(one.value) for one in kind)} is wanted"
            + (f", not {word!r}" if word else "")
        )
    return found


def _field(part: Part, turned: int | None) -> CardField:
    field = CardField(
        part.word("name"),
        _places(part, "bits", turned),
        _one_of(part, "writing", Writing, "binary"),
        part.flag("inverted"),
        part.number("offset", 0),
    )
    part.done()
    return field


def _group(part: Part, turned: int | None) -> ParityGroup:
    bit = _places(part, "bit", turned)
    if len(bit) != 1:
        raise ValueError(f"{part.where}bit: one bit is wanted")
    covers = _places(part, "covers", turned, needed=False)
    group = ParityGroup(bit[0], _one_of(part, "sense", Sense), tuple(sorted(covers)))
    part.done()
    return group


def _constant(part: Part, turned: int | None) -> Constant:
    places, value = _places(part, "bits", turned), part.any("value")
    if isinstance(value, str) and len(value) == len(places) and not value.strip("01"):
        value = int(value, 2)
    if not isinstance(value, int) or isinstance(value, bool):
        raise ValueError(f'{part.where}value: {len(places)} bits as "0101" or a whole number are wanted, not {value!r}')
    part.done()
    return Constant(places, value)


def _check(part: Part, turned: int | None) -> CheckDigit:
    fields = part.any("fields") or []
    if isinstance(fields, str):
        fields = [fields]
    if not isinstance(fields, list) or not all(isinstance(name, str) for name in fields):
        raise ValueError(f'{part.where}fields: names of fields, as ["card_number"], are wanted, not {fields!r}')
    check = CheckDigit(
        _places(part, "bits", turned),
        _one_of(part, "method", CheckMethod),
        tuple(fields),
        _places(part, "covers", turned, needed=False),
        part.numbers("weights"),
        part.word("name", "check"),
    )
    part.done()
    return check
